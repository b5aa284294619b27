"""The parts a listed machine is expected to have: values in memory, never rows (docs/adr/0017).

They look like parts in stock to the engine. Their ids are negative, so that none can be taken
for a stored part, and their machine is the listing.
"""

from collections import defaultdict
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import count

from donors.domain.machines import Machine
from donors.models import Listing
from parts.models import Grade, KindCarried, Part
from parts.services import part_ref
from parts.stock import Named, StockCause, StockDonor, StockPart
from workshop.domain.intervals import from_ends

Carried = Mapping[str, list[tuple[str, str]]]  # by appliance: kind, position


@dataclass(frozen=True, slots=True)
class Expected:
    """A part of a listed machine. as_said: the same, if it is the model read for certain."""

    listing: Listing
    part: StockPart
    as_said: StockPart


def carried_by(appliances: Collection[str]) -> Carried:
    """Return what machines of these kinds carry as a rule: one query."""
    found: dict[str, list[tuple[str, str]]] = defaultdict(list)
    rows = KindCarried.objects.filter(appliance__in=list(appliances), part_of_intake=True)
    for row in rows.order_by("id"):
        found[row.appliance_id] += [(row.kind_id, position) for position in row.positions]
    return found


def expected_parts(
    listings: Iterable[Listing], *, kinds: Collection[str] | None = None
) -> list[Expected]:
    """Return the parts of listings, in order; of some kinds only where `kinds` is given.

    A listing whose kind of machine is not known has none. Needs make and cause loaded.
    """
    rows = [row for row in listings if row.appliance_id]
    carried = carried_by({row.appliance_id for row in rows if row.appliance_id})
    ids = count(-1, -1)
    found = []
    for row in rows:
        donor = _donor(row)
        sure = replace(donor, facts=replace(donor.facts, sure=1.0))
        for kind, position in carried.get(row.appliance_id or "", []):
            if kinds is None or kind in kinds:
                part = _part(next(ids), row, kind, position, donor)
                found.append(Expected(row, part, replace(part, donor=sure)))
    return found


def _part(pk: int, row: Listing, kind: str, position: str, donor: StockDonor) -> StockPart:
    return StockPart(
        pk=pk,
        ref=part_ref(row.ref, kind, position),
        kind_id=kind,
        position=position,
        state=Part.State.IN_MACHINE,
        part_number="",
        number_canonical="",
        attributes={},
        grade=Grade.NOT_GRADED,
        bin="",
        price_cents=None,
        arrival_read="",
        grade_test=None,
        donor=donor,
    )


def _donor(row: Listing) -> StockDonor:
    make = row.make.name if row.make else ""
    facts = Machine(
        row.appliance_id or "",
        make,
        row.likely_number or row.model_canonical,
        row.fields,
        row.family,
        from_ends(row.built_from, row.built_to),
        row.certainty,
        row.ref,
    )
    cause = row.cause
    return StockDonor(
        pk=-row.pk,
        ref=row.ref,
        appliance_id=row.appliance_id or "",
        make=Named(make) if make else None,
        model_number=row.model_number,
        cause_id=row.cause_id,
        cause=StockCause(cause.name, cause.spoils_parts) if cause else None,
        built_from=row.built_from,
        built_to=row.built_to,
        facts=facts,
    )
