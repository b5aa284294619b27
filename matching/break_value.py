"""What a job's machine would bring if it were broken for parts: its own strip plan, before it
is a donor, and the other waiting jobs its parts would serve."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date

from donors import services as donor_services
from donors.domain.strip_plan.planning import plan
from donors.models import Donor
from matching import cover, gather
from matching.candidates import needs_far, needs_near
from matching.domain.triage.options import Served
from matching.models import Job, Need
from matching.searching import Searcher
from matching.strip_values import PartValue, value_parts
from parts import strip_steps
from parts.models import KindCarried, Part, PartKind
from parts.services import part_ref
from parts.strip_state import Worth, assemble_donor
from workshop.models import Workshop

MOST_PAIRS = 200  # scored for the waiting jobs it may serve, those with the strongest keys
LEAST_CHANCE = 0.05


@dataclass(frozen=True, slots=True)
class BreakValue:
    """strip: what the plan brings less its minutes, money in the workshop's unit; without what

    other jobs pay. parts: how many it would take out; minutes: of work, for those jobs too;
    serves: the other jobs whose parts the plan takes out, each with the chance that this machine
    completes it and nothing else of ours would, what they bring most first.
    """

    strip: float
    parts: int
    minutes: float
    serves: tuple[Served, ...]


def break_value(workshop: Workshop, job: Job, searcher: Searcher, *, on: date) -> BreakValue:
    """Return what breaking brings. Needs the job's make and needs loaded.

    What failed in the job and what was replaced in it is left out; why the machine would be
    scrapped is not known beforehand, so its parts have the mean chance over all causes.
    """
    parts = _parts(job)
    values = value_parts(workshop, job.appliance_id, parts, on=on)
    steps = strip_steps.list_steps(workshop.pk, job.appliance_id)
    serves = _serves(workshop, job, {one.part.pk: one for one in values}, searcher)
    assembly = assemble_donor(
        steps,
        parts,
        [],
        worth={one.part.pk: _worth(one, serves.get(one.part.pk)) for one in values},
        rate_per_min=workshop.strip_rate_per_min,
    )
    found = plan(assembly.graph)
    out = {ref for line in found.lines for ref in assembly.pieces.get(line.name, ())}
    served = [serves[one.pk] for one in parts if one.ref in out and one.pk in serves]
    served.sort(key=lambda one: (-one.margin * one.chance, one.job))
    return BreakValue(
        strip=found.value - sum(one.margin * one.chance for one in served),
        parts=sum(1 for line in found.lines if line.is_part),
        minutes=found.minutes,
        serves=tuple(served),
    )


def _worth(value: PartValue, served: Served | None) -> Worth:
    """Return what a good part brings the plan: what the shelf gives, and the job it serves."""
    more = served.margin * served.chance / value.p_good if served and value.p_good else 0.0
    return Worth(value.if_good + more, value.p_good, False)


def _parts(job: Job) -> list[Part]:
    """Return the parts such a machine carries, unsaved, numbered below zero."""
    machine = Donor(workshop_id=job.workshop_id, ref=job.ref, **donor_services.machine_values(job))
    machine.make = job.make
    bad = [(need.kind_id, need.position) for need in job.needs.all()]
    rows = KindCarried.objects.filter(appliance=job.appliance_id, part_of_intake=True)
    found: list[Part] = []
    for row in rows.select_related("kind").order_by("id"):
        for position in row.positions:
            if (row.kind_id, position) not in bad and (row.kind_id, "") not in bad:
                found.append(_part(machine, row.kind, position, -len(found) - 1))
    return found


def _part(machine: Donor, kind: PartKind, position: str, pk: int) -> Part:
    return Part(
        pk=pk,
        workshop_id=machine.workshop_id,
        ref=part_ref(machine.ref, kind.slug, position),
        donor=machine,
        kind=kind,
        position=position,
        state=Part.State.IN_MACHINE,
    )


def _serves(
    workshop: Workshop, job: Job, values: dict[int, PartValue], searcher: Searcher
) -> dict[int, Served]:
    """Return the other job each part would serve: each part once, each job's best part.

    The margin is what the job pays beyond what the part brings on the shelf. A job that lacks
    other parts, or has this one promised or on the shelf, counts by the chance that it would
    not be completed without this machine.
    """
    pairs = _pairs(workshop.pk, [one.part for one in values.values()], searcher)[:MOST_PAIRS]
    rows = Need.of(workshop).filter(pk__in=[need for _, need in pairs]).exclude(job=job.pk)
    needs = {need.pk: need for need in rows.select_related("job__make")}
    asked = [(values[pk].part, needs[need]) for pk, need in pairs if need in needs]
    offers = searcher.offers([(part, gather.want_of(need)) for part, need in asked])
    covered = cover.of_jobs(workshop, {need.job_id for need in needs.values()})
    found = []
    for one, (part, need) in zip(offers, asked, strict=True):
        value = values[part.pk]
        works = one.score.p_fit * value.p_good if one.kept else 0.0
        served = Served(
            need.job.ref, _margin(value, need), covered.gain(need.job_id, {need.pk: works})
        )
        if served.chance >= LEAST_CHANCE and served.margin > 0:
            found.append((part.pk, served))
    return _once_each(found)


def _margin(value: PartValue, need: Need) -> float:
    pays = max(value.price, (need.max_price_cents or 0) / 100)
    return max(0.0, pays - value.if_good)


def _once_each(found: Iterable[tuple[int, Served]]) -> dict[int, Served]:
    """Promise each part to one job and each job one part, what brings most first."""
    parts: dict[int, Served] = {}
    jobs: set[str] = set()
    for pk, one in sorted(found, key=lambda pair: (-pair[1].margin * pair[1].chance, pair[1].job)):
        if pk not in parts and one.job not in jobs:
            parts[pk] = one
            jobs.add(one.job)
    return parts


def _pairs(workshop_id: int, parts: Sequence[Part], searcher: Searcher) -> list[tuple[int, int]]:
    """Return (part, need) of all pairs the keys find, strongest keys first."""
    keys = searcher.keys_of(parts)  # type: ignore[arg-type]
    asked = {part.pk: one for part, one in zip(parts, keys, strict=True)}
    places = {part.pk: part.donor.appliance_id if part.donor else "" for part in parts}
    found: dict[tuple[int, int], int] = {}
    for look in (needs_near, needs_far):
        for need_id, tiers in look(workshop_id, asked, places).items():
            for part_id, tier in tiers.items():
                found.setdefault((part_id, need_id), tier)
    return sorted(found, key=lambda pair: (found[pair], pair))
