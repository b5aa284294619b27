"""donors.csv. (A donor's import lays its parts, hence here.)"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from donors import events as donor_events
from donors import plates
from donors.catalogue import Catalogue
from donors.models import Donor, FailureCause
from parts import services
from parts.exchange.machines import (
    MACHINE,
    keep_confirmed,
    machine_cells,
    machine_values,
    said_otherwise,
    stored_machine,
)
from workshop import outbox
from workshop.bulk import bulk_save
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    Imported,
    Sheet,
    count,
    fill_blanks,
    set_values,
    shown,
)
from workshop.models import Workshop


class Donors(Sheet):
    kind = "donors"
    adds = "donors.Donor"
    most_rows = 2_000  # each brings its parts
    columns = (
        Column("ref", cells.reference(40), required=True),
        *MACHINE,
        Column("received_on", cells.day, required=True),
        Column("cause", cells.text(40)),
        Column("note", cells.text(4000)),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        catalogue, appliances = Catalogue.load(workshop), plates.appliance_slugs()
        causes = {(c.appliance_id, c.slug): c.pk for c in FailureCause.objects.all()}
        known = {d.ref: d for d in Donor.of(workshop).select_related("cause")}
        added: dict[str, Donor] = {}
        changed: list[Donor] = []
        for row in rows:
            donor = known.get(row["ref"])
            if donor is not None:
                fill_blanks(row, _stored_donor(donor))
            values = self._values(row, catalogue, appliances, causes)
            if row["ref"] in added:
                row.refuse("ref", "stands twice in this file")
            if values is None or row.problems:
                continue
            if donor is None:
                added[row["ref"]] = Donor(workshop=workshop, ref=row["ref"], **values)
            elif set_values(donor, said_otherwise(donor, keep_confirmed(donor, values))):
                changed.append(donor)
        if any(row.problems for row in rows):
            return Imported()
        services.lay_parts(Donor.objects.bulk_create(added.values(), batch_size=500))
        if changed:
            columns = list(self._written())
            bulk_save(changed, columns)
        self._announce(added.values(), donor_events.DONOR_RECEIVED)
        self._announce(changed, donor_events.DONOR_CHANGED)
        written = [*added.values(), *changed]
        return count(rows, len(added), len(changed), machines=written)

    def _values(
        self,
        row: Row,
        catalogue: Catalogue,
        appliances: set[str],
        causes: dict[tuple[str, str], int],
    ) -> dict[str, Any] | None:
        if row["received_on"] is None or row["ref"] is None:
            return None
        values = machine_values(row, catalogue, appliances)
        if values is None:
            return None
        cause = causes.get((values["appliance_id"], row["cause"] or ""))
        if row["cause"] and cause is None:
            there = [slug for appliance, slug in causes if appliance == values["appliance_id"]]
            row.refuse("cause", f"is none of: {', '.join(there)}")
        if row["built_from"] and row["received_on"] < row["built_from"]:
            row.refuse("received_on", f"lies before the machine was built ({row['built_from']})")
        return {
            **values,
            "received_on": row["received_on"],
            "cause_id": cause,
            "note": row["note"] or "",
        }

    def key(self, row: Row) -> Mapping[str, str] | None:
        return {"ref": row["ref"]} if row["ref"] else None

    def _announce(self, donors: Iterable[Donor], kind: str) -> None:
        for donor in donors:
            outbox.record(kind, workshop_id=donor.workshop_id, payload={"donor_id": donor.pk})

    @staticmethod
    def _written() -> Iterable[str]:
        return [
            "appliance_id",
            "make_id",
            "make_as_read",
            "make_is_guess",
            "model_number",
            "model_canonical",
            "recognised_id",
            "recognised_how",
            "likely_number",
            "family",
            "fields",
            "certainty",
            "confirmed",
            "serial_number",
            "built_from",
            "built_to",
            "build_known",
            "received_on",
            "cause_id",
            "note",
        ]

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        for donor in Donor.of(workshop).select_related("cause").order_by("ref"):
            yield {
                "ref": donor.ref,
                **machine_cells(donor),
                "received_on": shown(donor.received_on),
                "cause": donor.cause.slug if donor.cause else "",
                "note": donor.note,
            }


def _stored_donor(donor: Donor) -> dict[str, Any]:
    return {
        **stored_machine(donor),
        "received_on": donor.received_on,
        "cause": donor.cause.slug if donor.cause else None,
        "note": donor.note,
    }
