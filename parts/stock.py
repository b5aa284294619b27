"""Parts as matching reads them: plain columns, by the hundred.

Making models of a part with its donor, make, cause, test and kind took longer than scoring it
(docs/matching-speed.md). What stands here has the names it has on the models, so that a page
shows either.
"""

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any
from uuid import UUID

from donors.domain.machines import Machine
from parts.domain.kinds import Kind
from parts.models import AVAILABLE, Grade, Part
from parts.reference import kinds
from workshop import sql
from workshop.domain.intervals import from_ends


@dataclass(frozen=True, slots=True)
class Named:
    """A make, by its name."""

    name: str


@dataclass(frozen=True, slots=True)
class StockCause:
    """Why a machine was scrapped."""

    name: str
    spoils_parts: bool


@dataclass(frozen=True, slots=True)
class StockTest:
    """The bench test a grade rests on."""

    tested_on: date


@dataclass(frozen=True, slots=True)
class StockDonor:
    """The machine a part sits in or came from."""

    pk: int
    ref: str
    appliance_id: str
    make: Named | None
    model_number: str
    cause_id: int | None
    cause: StockCause | None
    built_from: date | None
    built_to: date | None
    facts: Machine

    def machine(self) -> Machine:
        return self.facts


@dataclass(frozen=True, slots=True)
class StockPart:
    """One part with all that scoring it and showing it needs. Never written back."""

    pk: int
    ref: str
    kind_id: str
    position: str
    state: str
    part_number: str
    number_canonical: str
    attributes: dict[str, str]
    grade: str
    bin: str
    price_cents: int | None
    arrival_read: UUID | str
    grade_test: StockTest | None
    donor: StockDonor | None

    @property
    def arrival(self) -> UUID:
        return sql.as_uuid(self.arrival_read)  # type: ignore[no-any-return]

    @property
    def kind(self) -> Kind:
        return kinds()[self.kind_id]

    @property
    def donor_id(self) -> int | None:
        return self.donor.pk if self.donor else None

    @property
    def can_be_had(self) -> bool:
        return self.state in AVAILABLE and self.grade != Grade.SCRAP

    def get_state_display(self) -> str:
        return str(Part.State(self.state).label)

    def get_grade_display(self) -> str:
        return str(Grade(self.grade).label)


AnyPart = Part | StockPart

_PARTS = """
SELECT part.id, part.ref, part.kind_id, part.position, part.state, part.part_number,
  part.number_canonical, part.attributes, part.grade, part.bin, part.price_cents, part.arrival,
  test.tested_on, part.donor_id
FROM parts_part AS part LEFT JOIN parts_benchtest AS test ON test.id = part.grade_test_id
WHERE part.workshop_id = %s AND part.id IN %s ORDER BY part.id
"""
_DONORS = """
SELECT donor.id, donor.ref, donor.appliance_id, make.name, donor.model_number, donor.cause_id,
  cause.name, cause.spoils_parts, donor.built_from, donor.built_to, donor.number_key,
  donor.fields, donor.family, donor.certainty
FROM donors_donor AS donor LEFT JOIN donors_make AS make ON make.id = donor.make_id
LEFT JOIN donors_failurecause AS cause ON cause.id = donor.cause_id
WHERE donor.workshop_id = %s AND donor.id IN %s
"""


def read_stock(workshop_id: int, ids: Collection[int]) -> dict[int, StockPart]:
    """Return parts of a workshop by id, oldest first; ids that are not its own are left out."""
    if not ids:
        return {}
    found = sql.rows(_PARTS, workshop_id, set(ids))
    donor_ids = {row[-1] for row in found} - {None}
    rows = sql.rows(_DONORS, workshop_id, donor_ids) if donor_ids else []
    donors = {row[0]: _donor(*row) for row in rows}
    return {row[0]: _part(donors, *row) for row in found}


def _part(donors: Mapping[int, StockDonor], *row: Any) -> StockPart:
    pk, ref, kind, position, state, number, canonical, attributes, *more = row
    grade, place, price, arrival, tested, donor_id = more
    return StockPart(
        pk,
        ref,
        kind,
        position,
        state,
        number,
        canonical,
        sql.as_json(attributes),
        grade,
        place,
        price,
        arrival,
        StockTest(day) if (day := sql.as_day(tested)) else None,
        donors.get(donor_id),
    )


def _donor(
    pk: int, ref: str, appliance: str, make: str | None, number: str, *row: Any
) -> StockDonor:
    cause_id, cause, spoils, start, end, key, fields, family, certainty = row
    start, end = sql.as_day(start), sql.as_day(end)
    facts = Machine(
        appliance,
        make or "",
        key,
        sql.as_json(fields),
        family,
        from_ends(start, end),
        certainty,
        ref,
    )
    return StockDonor(
        pk,
        ref,
        appliance,
        Named(make) if make is not None else None,
        number,
        cause_id,
        StockCause(cause, bool(spoils)) if cause_id is not None else None,
        start,
        end,
        facts,
    )
