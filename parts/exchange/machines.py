"""The columns donors.csv and jobs.csv share."""

from typing import Any

from donors import plates
from donors import services as donor_services
from donors.catalogue import Catalogue
from donors.plates import Plate
from workshop.errors import InputRefused
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    refuse,
    shown,
)

# The columns of a machine, shared by donors.csv and jobs.csv.
MACHINE = (
    Column("appliance", cells.text(40)),
    Column("make", cells.text(80)),
    Column("model_number", cells.text(80)),
    Column("serial_number", cells.text(60)),
    Column("built_from", cells.day),
    Column("built_to", cells.day),
)


def plate_of(row: Row) -> Plate:
    """Return the plate a row describes."""
    return Plate(
        appliance=row["appliance"] or "",
        make=row["make"] or "",
        model_number=row["model_number"] or "",
        serial_number=row["serial_number"] or "",
        built_from=row["built_from"],
        built_to=row["built_to"],
    )


def machine_values(row: Row, catalogue: Catalogue, appliances: set[str]) -> dict[str, Any] | None:
    """Return the machine columns of a row; None when something was refused (noted on it)."""
    try:
        values, _ = plates.columns(
            catalogue, plate_of(row), appliances=appliances, may_be_blank=True
        )
    except InputRefused as bad:
        refuse(row, bad)
        return None
    return values


def stored_machine(machine: Any) -> dict[str, Any]:
    """Return what is stored of a machine's plate, by column."""
    return {
        "appliance": machine.appliance_id,
        "make": machine.make_as_read,
        "model_number": machine.model_number,
        "serial_number": machine.serial_number,
        "built_from": machine.built_from,
        "built_to": machine.built_to,
    }


def keep_confirmed(machine: Any, values: dict[str, Any]) -> dict[str, Any]:
    """Return the values to store: what a person confirmed is not recognised over again.

    Another model number on the plate is another machine; nobody has confirmed that one.
    """
    if not machine.confirmed:
        return values
    if machine.model_number != values["model_number"]:
        return {**values, "confirmed": False}
    kept = {*donor_services.RECOGNISED_COLUMNS, "make_id", "recognised_id"}
    return {name: value for name, value in values.items() if name not in kept}


def said_otherwise(machine: Any, values: dict[str, Any]) -> dict[str, Any]:
    """Return the values to store: of another build date, how it was known is not known any more."""
    same = (machine.built_from, machine.built_to) == (values["built_from"], values["built_to"])
    return {**values, "build_known": machine.build_known if same else ""}


def machine_cells(machine: Any) -> dict[str, str]:
    """Return a machine as cells: the plate as it was read."""
    return {name: shown(value) for name, value in stored_machine(machine).items()}
