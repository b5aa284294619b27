"""A part and the job it was tried for, as outcomes.csv and cases.csv state them."""

from typing import Any

from donors.catalogue import Catalogue
from matching import fittings
from workshop.errors import InputRefused
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import refuse

SIDES = ("donor", "job")
TEXTS = (
    "part_number",
    "donor_make",
    "donor_model_number",
    "job_make",
    "job_model_number",
    "job_part_number",
)
DAYS = ("donor_built_from", "donor_built_to", "job_built_from", "job_built_to")
COLUMNS = (
    Column("kind", cells.text(40), required=True),
    Column("part_number", cells.text(80)),
    Column("donor_make", cells.text(80)),
    Column("donor_model_number", cells.text(80)),
    Column("donor_built_from", cells.day),
    Column("donor_built_to", cells.day),
    Column("job_make", cells.text(80)),
    Column("job_model_number", cells.text(80)),
    Column("job_built_from", cells.day),
    Column("job_built_to", cells.day),
    Column("job_part_number", cells.text(80)),
    Column("part_attributes", cells.attributes),
    Column("job_attributes", cells.attributes),
)


def stated(row: Row, kinds: set[str], catalogue: Catalogue) -> dict[str, Any] | None:
    """Return what a row states of both sides, as columns of Outcome.

    None when something was refused; it is noted on the row.
    """
    if row["kind"] and row["kind"] not in kinds:
        row.refuse("kind", "is no known part kind")
    for side in SIDES:
        start, end = row[f"{side}_built_from"], row[f"{side}_built_to"]
        if start and end and end < start:
            row.refuse(f"{side}_built_to", f"lies before {side}_built_from ({start})")
    learned = {side: _learned(row, side, catalogue) for side in SIDES}
    if row.problems:
        return None
    return {
        "kind_id": row["kind"],
        "part_attributes": row["part_attributes"] or {},
        "job_attributes": row["job_attributes"] or {},
        "learned": learned,
        **{name: row[name] or "" for name in TEXTS},
        **{name: row[name] for name in DAYS},
    }


def _learned(row: Row, side: str, catalogue: Catalogue) -> dict[str, Any]:
    make, number = row[f"{side}_make"] or "", row[f"{side}_model_number"] or ""
    try:
        return fittings.learned_from_plate(catalogue, make, number)
    except InputRefused as bad:
        refuse(row, bad, make=f"{side}_make")
        return {}
