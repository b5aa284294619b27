"""Writes on parts: intake, taking out, testing, grading, numbers and their interchanges."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db import transaction

from donors import build_readings
from donors import events as donor_events
from donors import services as donor_services
from donors.build_readings import CodeAsked
from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical
from donors.machine_columns import MachineColumns
from donors.models import Donor
from donors.plates import Plate
from parts import codes, events, grades, keys, licensed_ways, numbers, reuse, sisters
from parts.domain.bench_forms.forms import overall
from parts.domain.bench_forms.records import as_record
from parts.models import (
    AVAILABLE,
    BenchTest,
    Grade,
    KindCarried,
    Part,
    PartKey,
    PartKind,
)
from parts.selectors import get_kind
from workshop import days, outbox, refs
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, Workshop


@transaction.atomic
def take_in_donor(
    *,
    workshop: Workshop,
    plate: Plate,
    received_on: date,
    cause: str = "",
    note: str = "",
    ref: str = "",
    no_plate: bool = False,
    catalogue: Catalogue | None = None,
    confirm_mismatch: bool = False,
) -> Donor:
    """Take a scrapped machine in: the donor, its parts *in machine*, and the news of it.

    One transaction. Waiting jobs are matched afterwards by the dispatcher, never here.
    confirm_mismatch: a known number of another appliance is meant so. Raises InputRefused or
    Conflict; nothing is written then.
    """
    donor = donor_services.receive_donor(
        workshop=workshop,
        plate=plate,
        received_on=received_on,
        cause=cause,
        note=note,
        ref=ref,
        no_plate=no_plate,
        catalogue=catalogue,
        confirm_mismatch=confirm_mismatch,
    )
    _lay_and_announce(donor)
    return donor


@transaction.atomic
def take_in_same_machine(
    *,
    workshop: Workshop,
    machine: MachineColumns,
    received_on: date,
    cause: str = "",
    note: str = "",
    ref: str = "",
) -> Donor:
    """Take in a machine that is here already, as a job (matching/keeping.py). As take_in_donor."""
    donor = donor_services.receive_same_machine(
        workshop=workshop,
        machine=machine,
        received_on=received_on,
        cause=cause,
        note=note,
        ref=ref,
    )
    _lay_and_announce(donor)
    return donor


def _lay_and_announce(donor: Donor) -> None:
    lay_parts([donor])
    payload = {"donor_id": donor.pk}
    outbox.record(donor_events.DONOR_RECEIVED, workshop_id=donor.workshop_id, payload=payload)


@dataclass(frozen=True, slots=True)
class KnownBad:
    """A part that failed in its machine before it came in. position "": which one is not known.

    replaced_by: the part that took its place, "" while it is still in. on: the day of that.
    """

    kind: str
    because: str
    position: str = ""
    part_number: str = ""
    attributes: Mapping[str, str] = field(default_factory=dict)
    replaced_by: str = ""
    on: date | None = None


@transaction.atomic
def note_known_bad(donor: Donor, bad: Sequence[KnownBad]) -> list[Part]:
    """Note which parts of a donor just taken in are known to be bad; they are not offered.

    One still in its machine is graded scrap and may be proved good by a bench test. One that was
    replaced is gone, and counts against others of its like. Numbers read off it are its own.
    Returns the parts concerned.
    """
    parts = list(donor.parts.select_related("donor__make").order_by("id"))
    found = [(part, one) for one in bad for part in _meant(parts, one)]
    for part, one in found:
        sure = one.position == part.position
        said = one.because if sure else f"{one.because} This one, or another of its kind."
        part.grade, part.grade_reason, part.laid_at_intake = Grade.SCRAP, said, False
        _add_note(part, said)
        if one.replaced_by:
            part.state, part.gone_on, part.was_bad = Part.State.SCRAPPED, one.on, True
        elif sure:
            part.part_number = one.part_number
            part.number_canonical = canonical(one.part_number)
            part.attributes = dict(one.attributes)
        part.save()
    rows = [part for part, _ in found]
    keys.note_keys(PartKey, rows)
    numbers.announce_sightings(donor.workshop_id, numbers.note_numbers(rows))
    return rows


def _meant(parts: Sequence[Part], bad: KnownBad) -> list[Part]:
    """Return the part meant; every one of its kind where its position was not said."""
    alike = [part for part in parts if part.kind_id == bad.kind]
    exact = [part for part in alike if part.position == bad.position]
    return exact or ([] if bad.position else alike)


@transaction.atomic
def confirm_donor_model(*, workshop: Workshop, ref: str, model_id: int) -> Donor:
    """Note that a person said which known model a donor is; its parts are matched anew.

    What was read on the plate stays as it is. Raises NotFound.
    """
    donor = lock_donor(workshop, ref)
    donor_services.confirm_model(workshop=workshop, row=donor, model_id=model_id)
    return read_anew(donor)


@transaction.atomic
def date_donor(*, workshop: Workshop, ref: str, asked: CodeAsked, replace: bool = False) -> Donor:
    """Read a donor's build code anew; where one date is left its parts are matched anew.

    replace: a date that is not from a code gives way. Raises NotFound, InputRefused by field.
    """
    donor = lock_donor(workshop, ref)
    build_readings.read_again(donor, asked, day=donor.received_on, replace=replace)
    return _dated(donor)


@transaction.atomic
def choose_donor_build(*, workshop: Workshop, ref: str, start: date) -> Donor:
    """Say which candidate of its code a donor's build date is. Raises as choose() does."""
    donor = lock_donor(workshop, ref)
    build_readings.choose(donor, start)
    return _dated(donor)


def _dated(donor: Donor) -> Donor:
    donor.save(update_fields=build_readings.COLUMNS)
    return read_anew(donor)


def lock_donor(workshop: Workshop, ref: str) -> Donor:
    """Return the donor locked for writing, or raise NotFound. Needs a transaction."""
    rows = Donor.of(workshop).select_for_update(of=("self",)).select_related("make")
    donor: Donor | None = rows.filter(ref=ref).first()
    if donor is None:
        raise NotFound(f"There is no donor {ref} in this workshop.")
    return donor


def read_anew(donor: Donor, *, corrected: bool = False) -> Donor:
    """Note what a donor's parts now say of it, and have them matched anew.

    corrected: its plate was wrong; what its past fittings state follows.
    """
    seen = numbers.note_numbers(donor.parts.select_related("donor__make"))
    numbers.announce_sightings(donor.workshop_id, seen)
    payload: dict[str, Any] = {"donor_id": donor.pk}
    if corrected:
        payload["corrected"] = True
    outbox.record(donor_events.DONOR_CHANGED, workshop_id=donor.workshop_id, payload=payload)
    return donor


def lay_parts(donors: Iterable[Donor]) -> list[Part]:
    """Give each donor a part *in machine* for every kind its appliance carries at intake."""
    carried: dict[str, list[tuple[str, str]]] = {}
    for row in KindCarried.objects.filter(part_of_intake=True).order_by("id"):
        places = [(row.kind_id, position) for position in row.positions]
        carried.setdefault(row.appliance_id, []).extend(places)
    laid = [
        Part(
            workshop_id=donor.workshop_id,
            ref=part_ref(donor.ref, kind, position),
            donor=donor,
            kind_id=kind,
            position=position,
            arrival=donor.arrival,
            laid_at_intake=True,
        )
        for donor in donors
        for kind, position in carried.get(donor.appliance_id, [])
    ]
    codes.give_codes(laid)
    found = list(Part.objects.bulk_create(laid, batch_size=500))
    keys.note_keys(PartKey, found, new=True)
    return found


def part_ref(donor_ref: str, kind: str, position: str) -> str:
    """Return the reference of a part nobody has named yet: D-0042.drain-pump."""
    return ".".join(filter(None, (donor_ref, kind, position)))


def lock_part(workshop: Workshop, ref: str) -> Part:
    """Return the part locked for writing, or raise NotFound. Needs a transaction."""
    rows = Part.of(workshop).select_for_update(of=("self",))
    rows = rows.select_related("donor__make", "donor__cause", "kind", "grade_test")
    part = rows.filter(ref=ref).first()
    if part is None:
        raise NotFound(f"There is no part {ref} in this workshop.")
    return part


@dataclass(frozen=True, slots=True)
class PartFacts:
    """What a person notes about a part. None leaves a value as it is; clear_price takes it away."""

    part_number: str | None = None
    attributes: Mapping[str, str] | None = None
    bin: str | None = None
    price_cents: int | None = None
    note: str | None = None
    clear_price: bool = False


@transaction.atomic
def describe_part(*, workshop: Workshop, ref: str, facts: PartFacts) -> Part:
    """Note what was read off a part: number, attributes, price, bin. Its matches are redone."""
    part = lock_part(workshop, ref)
    refuse_if_gone(part)
    _apply(part, facts)
    _put_away(part)
    part.save()
    _note_news(part)
    _announce_change([part])
    return part


def _apply(part: Part, facts: PartFacts) -> None:
    for name in ("bin", "price_cents", "note"):
        value = getattr(facts, name)
        if value is not None:
            setattr(part, name, value)
    if facts.clear_price:
        part.price_cents = None
    if facts.attributes is not None:
        part.attributes = dict(facts.attributes)
    if facts.part_number is not None:
        part.part_number = facts.part_number.strip()
        part.number_canonical = canonical(part.part_number)


@transaction.atomic
def remove_part(
    *, workshop: Workshop, ref: str, removed_on: date, facts: PartFacts | None = None
) -> Part:
    """Take a part out of its machine; with a bin it is shelved.

    Raises Conflict when it is out already, its kind is never reused and a bin is named, or only
    licensed steps take it out and none is on record.
    """
    part = lock_part(workshop, ref)
    if part.state != Part.State.IN_MACHINE:
        raise Conflict(f"Part {ref} is {part.get_state_display()}; it is not in a machine.")
    licensed_ways.refuse_unlicensed(part)
    days.refuse_implausible(removed_on=removed_on)
    if part.donor and removed_on < part.donor.received_on:
        raise InputRefused(
            f"Removed on {removed_on}, before donor {part.donor.ref} came in "
            f"({part.donor.received_on}).",
            fields={"removed_on": "Lies before the day the donor came in."},
        )
    _apply(part, facts or PartFacts())
    part.state = Part.State.REMOVED
    _put_away(part)
    part.removed_on = removed_on
    part.save()
    _note_stripping(part.donor)
    _note_news(part)
    _announce_change([part])
    return part


def _put_away(part: Part) -> None:
    """Set the state of a part that is out of its machine: shelved when it has a bin.

    Raises Conflict for a bin of a kind that is never reused.
    """
    if part.state == Part.State.IN_MACHINE:
        return
    if part.bin:
        reuse.refuse_shelving(part)
    part.state = Part.State.SHELVED if part.bin else Part.State.REMOVED


def _note_stripping(donor: Donor | None) -> None:
    """A donor is being stripped from its first part out until its last one is."""
    if donor is None:
        return
    left = donor.parts.filter(state=Part.State.IN_MACHINE).exists()
    donor.state = Donor.State.STRIPPING if left else Donor.State.STRIPPED
    donor.save(update_fields=["state"])


def refuse_if_gone(part: Part) -> None:
    """Raise Conflict when the part can no longer be had."""
    if part.state not in AVAILABLE:
        raise Conflict(f"Part {part.ref} is {part.get_state_display()}; it can no longer be used.")


@transaction.atomic
def record_bench_test(
    *,
    workshop: Workshop,
    ref: str,
    method: str,
    tested_on: date,
    tested_by: Member | None,
    verdict: BenchTest.Verdict | None = None,
    verdicts: Sequence[Mapping[str, Any]] = (),
    readings: Mapping[str, Any] | None = None,
    meter: str = "",
    looks_worn: bool = False,
    note: str = "",
    on: date | None = None,
) -> BenchTest:
    """Store a bench test and grade the part by it. A failed part is scrap.

    The one place where a test is saved and its result known. `verdicts` are the records of a
    filled form (bench_tests.record_readings); without them `verdict` is what a person states.
    on: today; without it the grade is that of the day of the test.
    Raises InputRefused without a method or for a day that lies ahead, Conflict when the part is
    gone.
    """
    part = lock_part(workshop, ref)
    refuse_if_gone(part)
    days.refuse_implausible(tested_on=tested_on)
    if on is not None and tested_on > on:
        raise InputRefused(
            f"Part {ref}: the test of {tested_on} lies ahead of today, {on}.",
            fields={"tested_on": f"{tested_on} lies ahead of today, {on}."},
        )
    if not method.strip():
        raise InputRefused(
            f"Part {ref}: say how it was tested.", fields={"method": "Say how it was tested."}
        )
    test = BenchTest(
        workshop=workshop,
        part=part,
        kind_id=part.kind_id,
        tested_on=tested_on,
        tested_by=tested_by,
        readings=dict(readings or {}),
        verdicts=list(verdicts) or [_stated(method, verdict, readings)],
        meter=meter.strip(),
        looks_worn=looks_worn,
        method=method.strip(),
        note=note,
    )
    test.verdict = grades.VERDICT_OF[overall(grades.verdicts_of(test))]
    test.save()
    grades.grade_by(part, test, on=on or tested_on)
    part.laid_at_intake = False
    part.save(update_fields=[*grades.GRADED, "laid_at_intake"])
    sisters.clear_by_test(test)
    _announce_change([part])
    return test


def _stated(
    method: str, verdict: BenchTest.Verdict | None, readings: Mapping[str, Any] | None
) -> dict[str, Any]:
    """Return the record of a verdict a person states, held against no limit."""
    said = "; ".join(
        f"{value}" if name == "text" else f"{name} {value}"
        for name, value in (readings or {}).items()
    )
    stated = verdict or BenchTest.Verdict.NOT_MEASURED
    return as_record(grades.stated_verdict(method.strip(), stated, said=said))


def _note_news(part: Part) -> None:
    """Remember the part's number; where it is news, others of the kind are matched anew."""
    part.laid_at_intake = False
    part.save(update_fields=["laid_at_intake"])
    keys.note_keys(PartKey, [part])
    numbers.announce_knowledge(part.workshop_id, numbers.note_numbers([part]))


def _announce_change(parts: Iterable[Part]) -> None:
    rows = list(parts)
    outbox.record_in_pages(
        events.PARTS_CHANGED,
        workshop_id=rows[0].workshop_id,
        key="part_ids",
        ids=[part.pk for part in rows],
    )


@transaction.atomic
def add_loose_part(
    *, workshop: Workshop, kind: str, facts: PartFacts, received_on: date, position: str = ""
) -> Part:
    """Add a part that came without its machine (bought, or left from before)."""
    found = get_kind(kind)
    if found.reuse == PartKind.Reuse.NEVER:
        raise InputRefused(
            f"{found.name} is never reused and cannot be taken into stock. {found.reuse_advice}",
            fields={"kind": "This kind is never reused."},
        )
    part = Part(
        workshop=workshop,
        ref=refs.next_ref(Part.of(workshop), workshop_id=workshop.pk, prefix="P", width=5),
        kind=found,
        position=position,
        removed_on=received_on,
    )
    _apply(part, facts)
    part.state = Part.State.SHELVED if part.bin else Part.State.REMOVED
    codes.give_codes([part])
    part.save()
    _note_news(part)
    outbox.record(events.PARTS_ARRIVED, workshop_id=workshop.pk, payload={"part_ids": [part.pk]})
    return part


@transaction.atomic
def take_from_stock(*, workshop: Workshop, ref: str, state: Part.State, on: date) -> Part:
    """Mark a part fitted, sold or scrapped. Raises Conflict when it is gone already.

    Or when its kind's reuse rule forbids to fit or sell it as it stands, or it is still in its
    machine and only licensed steps, none of them on record, take it out.
    """
    part = lock_part(workshop, ref)
    refuse_if_gone(part)
    days.refuse_implausible(gone_on=on)
    if state != Part.State.SCRAPPED:
        reuse.refuse_giving_out(part)
        licensed_ways.refuse_unlicensed(part)
    part.state, part.gone_on, part.laid_at_intake = state, on, False
    part.grade_falls_on = None  # it keeps the grade it went with
    part.save(update_fields=["state", "gone_on", "laid_at_intake", "grade_falls_on"])
    _note_stripping(part.donor)
    _announce_change([part])
    return part


@dataclass(frozen=True, slots=True)
class Sale:
    """What a part was sold for, when, and what was said of it."""

    price_cents: int
    sold_on: date
    note: str = ""


@transaction.atomic
def sell_part(*, workshop: Workshop, ref: str, sale: Sale) -> Part:
    """Sell a part over the counter. Raises Conflict as take_from_stock.

    Whether it is promised to a job is for the caller to look at (matching/parting.py).
    """
    part = take_from_stock(workshop=workshop, ref=ref, state=Part.State.SOLD, on=sale.sold_on)
    part.price_cents = sale.price_cents
    part.removed_on = part.removed_on or sale.sold_on
    _add_note(part, sale.note)
    part.save(update_fields=["price_cents", "removed_on", "note"])
    return part


@transaction.atomic
def scrap_part(*, workshop: Workshop, ref: str, why: str, on: date, was_bad: bool = False) -> Part:
    """Scrap a part by hand. Raises InputRefused without a reason, Conflict when it is gone.

    was_bad: it did not work; then it counts against the odds of others of its like.
    """
    if not why.strip():
        raise InputRefused(f"Say why {ref} is scrapped.", fields={"why": "Say why."})
    part = take_from_stock(workshop=workshop, ref=ref, state=Part.State.SCRAPPED, on=on)
    part.grade, part.grade_test, part.was_bad = Grade.SCRAP, None, was_bad
    part.grade_reason = f"scrapped by hand: {why.strip()}"
    _add_note(part, f"Scrapped: {why.strip()}")
    part.save(update_fields=["grade", "grade_test", "grade_reason", "was_bad", "note"])
    return part


def note_bad(part: Part) -> None:
    """Note that a part failed in use: it counts against the odds of others of its like."""
    part.was_bad = True
    part.save(update_fields=["was_bad"])


def note_failed_later(part: Part, *, on: date) -> None:
    """A fitted part failed later: it is scrap from that day, as one that failed at once."""
    part.state, part.gone_on = Part.State.SCRAPPED, on
    part.save(update_fields=["state", "gone_on"])
    note_bad(part)


def works_after_all(part: Part, *, fitted_on: date) -> None:
    """Take back that a fitted part failed later: it is in its machine and works."""
    part.state, part.gone_on, part.was_bad = Part.State.FITTED, fitted_on, False
    part.save(update_fields=["state", "gone_on", "was_bad"])
    sisters.unflag_sisters(failed=part)


def put_back(part: Part, *, on: date) -> None:
    """Take back that a part was fitted: it is in stock again, and other parts are not in doubt.

    on: today; a grade that fell meanwhile is worked out anew.
    """
    part.state = Part.State.SHELVED if part.bin else Part.State.REMOVED
    part.gone_on, part.was_bad, part.warranty_until = None, False, None
    part.grade_falls_on = on if part.grade_test_id else None
    part.save(update_fields=["state", "gone_on", "was_bad", "warranty_until", "grade_falls_on"])
    sisters.unflag_sisters(failed=part)
    _announce_change([part])


def _add_note(part: Part, more: str) -> None:
    part.note = "\n".join(filter(None, (part.note, more.strip())))
