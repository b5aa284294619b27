"""From stored rows to what the engine reads: sides, knowledge, conditions."""

from collections.abc import Iterable
from datetime import date
from functools import lru_cache
from typing import Any

from donors.domain.machines import Machine
from matching.domain.knowledge import Knowledge
from matching.domain.known_breaks import BreakIndex, KnownBreak, Scope
from matching.domain.outcomes import Past
from matching.domain.rules import ApprovedRule
from matching.domain.sides import Side
from matching.domain.sightings import Seen
from matching.domain.weights import Weights
from matching.models import LearnedWeights, Need, Outcome, Rule
from parts.domain.part_numbers import Printed
from parts.models import Sighting
from parts.numbers import interchange_graphs
from parts.reference import kinds
from parts.selectors import SEEN_COLUMNS, list_sightings, printed_numbers
from parts.stock import AnyPart
from workshop import reference, sql
from workshop.domain.intervals import Interval, from_ends


@lru_cache(maxsize=1)
def weights() -> Weights:
    """Return the evidence weights as they were set by hand."""
    return Weights(reference.read("evidence"))


def weights_of(workshop_id: int) -> Weights:
    """Return the evidence weights in force in a workshop: one small query."""
    found = sql.rows(
        "SELECT id, digest FROM matching_learnedweights "
        "WHERE workshop_id = %s AND ended_at IS NULL ORDER BY id LIMIT 1",
        workshop_id,
    )
    return weights().taught(_lesson(*found[0])) if found else weights()


@lru_cache(maxsize=32)
def _lesson(pk: int, digest: str) -> dict[str, Any]:
    """Return learned weights, which are large and never change; the digest tells them apart."""
    rows = LearnedWeights.objects.unscoped().filter(pk=pk, digest=digest)
    lesson: dict[str, Any] = rows.values_list("learned", flat=True).get()
    return lesson


def offer_of(part: AnyPart) -> Side:
    """Return a part as the engine sees it. Needs donor and its make to be loaded."""
    return Side(
        number=Printed(part.part_number, part.number_canonical),
        position=part.position,
        attributes=part.attributes,
        machine=part.donor.machine() if part.donor else Machine(),
        row=part.pk,
    )


def want_of(need: Need) -> Side:
    """Return a need as the engine sees it. Needs job and its make to be loaded."""
    return Side(
        number=Printed(need.part_number, need.number_canonical),
        position=need.position,
        attributes=need.attributes,
        machine=need.job.machine(),
        row=need.pk,
    )


def knowledge(workshop_id: int, slugs: Iterable[str]) -> dict[str, Knowledge]:
    """Return all that is known about some kinds: six queries, however many kinds and rows."""
    wanted = list(slugs)
    graphs = interchange_graphs(workshop_id, wanted)
    rules = approved_rules(workshop_id, wanted)
    printed = printed_numbers(workshop_id, wanted)
    breaks = accepted_breaks(workshop_id, wanted)
    in_force = weights_of(workshop_id)
    found = {
        slug: Knowledge(
            kinds()[slug], in_force, graphs[slug], rules[slug], printed[slug], breaks[slug]
        )
        for slug in wanted
    }
    for sighting in list_sightings(workshop_id, kinds=wanted):
        found[sighting.kind_id].sightings.add_all([as_seen(sighting)])
    outcomes = Outcome.of(workshop_id).filter(kind__in=wanted).order_by("fitted_on", "id")
    for outcome in outcomes:
        learn(found[outcome.kind_id], [outcome])
    return found


def learn(known: Knowledge, outcomes: Iterable[Outcome]) -> None:
    """Add past fittings: what fitted what, and which number was seen in which machine.

    A fitting reported here is of a part and a job on record, whose numbers were noted as
    sightings when they came in; only imported ones add sightings, so that none counts twice.
    (An imported fitting of a donor or job that is on record as well does count twice: nothing
    in the file tells that it is the same machine.)
    """
    for row in outcomes:
        past = past_of(row)
        known.outcomes.add_all([past])
        known.noted.add_all([past.offer, past.want])
        if row.part_id is None:
            known.sightings.add_all(seen_in(past))


def seen_in(past: Past) -> list[Seen]:
    """Return what an imported fitting saw: which number in which machine."""
    sides = (past.offer, past.want)
    return [Seen(side.number.canonical, side.machine) for side in sides if side.number]


def all_seen(workshop_id: int, slug: str) -> list[Seen]:
    """Return every sighting of a kind, those of imported fittings too: two queries."""
    seen = [as_seen(row) for row in list_sightings(workshop_id, kinds=[slug])]
    rows = Outcome.of(workshop_id).filter(kind=slug, part__isnull=True).order_by("id")
    return seen + [one for row in rows for one in seen_in(past_of(row))]


def accepted_breaks(workshop_id: int, slugs: Iterable[str]) -> dict[str, BreakIndex]:
    """Return the accepted build breaks of each kind."""
    found: dict[str, list[KnownBreak]] = {slug: [] for slug in slugs}
    rows = sql.rows(
        "SELECT id, kind_id, make, family, revision, model, changed_from, changed_to, "
        "numbers_before, numbers_after FROM matching_buildbreak "
        "WHERE workshop_id = %s AND kind_id IN %s AND state = 'accepted' ORDER BY id",
        workshop_id,
        list(found),
    )
    for pk, kind, *scope, first, last, before, after in rows:
        changed = Interval(*map(sql.as_day, (first, last)))  # type: ignore[arg-type]
        numbers = tuple(sql.as_json(before)), tuple(sql.as_json(after))
        known = KnownBreak(Scope(*scope), changed, *numbers, id=pk)
        found[kind].append(known)
    return {slug: BreakIndex.of(known) for slug, known in found.items()}


def approved_rules(workshop_id: int, slugs: Iterable[str]) -> dict[str, list[ApprovedRule]]:
    """Return the approved rules of each kind, oldest first."""
    found: dict[str, list[ApprovedRule]] = {slug: [] for slug in slugs}
    rows = sql.rows(
        "SELECT kind_id, id, says, donor_side, job_side, both_ways, conditions FROM matching_rule "
        "WHERE workshop_id = %s AND kind_id IN %s AND state = 'approved' ORDER BY id",
        workshop_id,
        list(found),
    )
    for kind, pk, says, donor, job, both, conditions in rows:
        sides = sql.as_json(donor), sql.as_json(job)
        found[kind].append(ApprovedRule(pk, says, *sides, bool(both), conditions))
    return found


def as_approved(rule: Rule) -> ApprovedRule:
    """Return a stored rule as the engine reads it."""
    return ApprovedRule(
        rule.pk, rule.says, rule.donor_side, rule.job_side, rule.both_ways, rule.conditions
    )


def as_seen(row: Sighting) -> Seen:
    """Return a stored sighting as the engine reads it."""
    return seen_from(*(getattr(row, name) for name in SEEN_COLUMNS))


def seen_from(
    number: str,
    position: str,
    ref: str,
    make: str,
    model: str,
    family: str,
    fields: dict[str, str],
    built_from: date | None,
    built_to: date | None,
    appliance: str,
    certainty: float,
) -> Seen:
    """Return a sighting from its columns, in the order of SEEN_COLUMNS."""
    built = from_ends(built_from, built_to)
    machine = Machine(appliance, make, model, fields, family, built, certainty, ref)
    return Seen(number, machine, position)


def past_of(row: Outcome) -> Past:
    """Return a past fitting. `failed` fitted too: that it died later is a matter of condition."""
    return Past(
        offer=Side(
            number=Printed.of(row.part_number),
            attributes=row.part_attributes,
            machine=machine_from(row.learned.get("donor", {}), row, "donor"),
            row=row.part_id,
        ),
        want=Side(
            number=Printed.of(row.job_part_number),
            attributes=row.job_attributes,
            machine=machine_from(row.learned.get("job", {}), row, "job"),
            row=row.need_id,
        ),
        fitted=row.result != Outcome.Result.DID_NOT_FIT,
    )


def machine_from(learned: dict[str, Any], row: Outcome, side: str) -> Machine:
    """Return one machine of a past fitting, as it was recognised when it was recorded."""
    built = from_ends(getattr(row, f"{side}_built_from"), getattr(row, f"{side}_built_to"))
    return Machine(built=built, **learned)
