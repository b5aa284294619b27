"""What a listed machine is worth paying for, and what it would serve and yield. Reads only."""

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import cast

from django.db.models import Exists, OuterRef

from donors.domain.listing_price import Ceiling, WaitingJob, most_worth_paying
from donors.domain.listing_price import Listing as Priced
from donors.domain.strip_plan.assembling import Assembly
from donors.domain.strip_plan.planning import Plan, plan
from donors.listings.selectors import not_matched_yet
from donors.models import Listing
from matching import cover
from matching.cover import Cover
from matching.listings.expected import expected_parts
from matching.models import Hold, Job, ListingMatch, Need
from matching.strip_values import PartValue, value_parts
from parts import strip_steps
from parts.models import Part
from parts.services import part_ref
from parts.stock import StockPart
from parts.strip_state import Worth, assemble_donor
from workshop.models import Workshop


@dataclass(frozen=True, slots=True)
class Served:
    """A waiting job the machine has parts for. whole: all it lacks would come from it.

    margin: what completing it brings beyond what the parts would sell for; gain: the chance that
    the machine, if it is as read, completes it and nothing else of ours would; why: where it is
    not reckoned with. counted: it is in the sum.
    """

    job: Job
    matches: tuple[ListingMatch, ...]
    whole: bool
    margin: float = 0.0
    counted: bool = False
    why: str = ""
    gain: float = 0.0

    @property
    def p_fit(self) -> float:
        chance = 1.0
        for match in self.matches:
            chance *= match.p_fit
        return chance


@dataclass(frozen=True, slots=True)
class Yielded:
    """A part the machine would have. planned: worth taking out."""

    value: PartValue
    planned: bool
    for_job: str = ""


@dataclass(frozen=True)
class ListingWorth:
    """ceiling and the rest are None while the kind of machine is not known.

    worked_out: False while waiting jobs are still to be looked through; then there is no ceiling,
    for what they would pay is not in it yet. failed: they could not be, and nobody is at it.
    """

    listing: Listing
    served: tuple[Served, ...] = ()
    yielded: tuple[Yielded, ...] = ()
    plan: Plan | None = None
    ceiling: Ceiling | None = None
    p_as_said: float = 0.0
    collection: float = 0.0
    margin_percent: int = 0
    asked: float | None = None
    other_currency: bool = False
    worked_out: bool = True
    failed: bool = False

    @property
    def left_over(self) -> float | None:
        """The most worth paying less what is asked; None when it cannot be said."""
        if self.ceiling is None or self.asked is None or self.other_currency:
            return None
        return self.ceiling.most - self.asked

    @property
    def pays(self) -> bool | None:
        if self.left_over is None or self.ceiling is None:
            return None
        return self.ceiling.is_worth_fetching and self.left_over >= 0

    @property
    def pays_from(self) -> float | None:
        """The chance of being as advertised from which the asked price pays; None: never."""
        if self.ceiling is None or self.asked is None or self.other_currency:
            return None
        return self.ceiling.sure_enough_for(self.asked)

    @property
    def total(self) -> float:
        return sum(line.money for line in self.ceiling.lines) if self.ceiling else 0.0


def weigh_listing(workshop: Workshop, listing: Listing, *, on: date) -> ListingWorth:
    """Return what a listing is worth with the lines of the sum. The same queries, however many

    parts and jobs. Needs make, cause and appliance loaded.
    """
    unmatched = not_matched_yet(workshop)  # before what it found is read
    worked_out, failed = listing.pk not in unmatched, listing.pk in unmatched.failed
    matches = list_matches(workshop, listing) if worked_out else []
    asked = None if listing.price_cents is None else listing.price_cents / 100
    if not listing.appliance_id:
        return ListingWorth(listing, asked=asked, worked_out=worked_out, failed=failed)
    parts = [one.part for one in expected_parts([listing])]
    # The engine reads a part by its columns; a row of the table is not needed.
    values = value_parts(workshop, listing.appliance_id, cast("list[Part]", parts), on=on)
    assembly = _assemble(workshop, listing.appliance_id, parts, values)
    served = _served(workshop, matches, values, assembly)
    collection, margin = terms_of(workshop, listing)
    sure = listing.certainty if listing.number_key else 0.0
    priced = Priced(
        as_said=assembly.graph,
        p_as_said=sure,
        jobs=tuple(_waiting(one, assembly) for one in served if one.counted),
        # Another model of the same kind of machine: its parts sell for the same; nobody waits.
        otherwise=assembly.graph,
        collection=collection,
        margin_share=margin / 100,
    )
    chosen = plan(assembly.graph)
    planned = {ref for line in chosen.lines for ref in assembly.pieces.get(line.name, ())}
    jobs: dict[str, str] = {}
    for one in sorted(served, key=lambda one: not one.counted):
        for match in one.matches:
            jobs.setdefault(_part_ref(match), one.job.ref)
    return ListingWorth(
        listing=listing,
        served=served,
        yielded=tuple(
            Yielded(value, value.part.ref in planned, jobs.get(value.part.ref, ""))
            for value in sorted(values, key=lambda value: -value.worth)
        ),
        plan=chosen,
        ceiling=most_worth_paying(priced) if worked_out else None,
        p_as_said=sure,
        collection=collection,
        margin_percent=margin,
        asked=asked,
        other_currency=bool(listing.currency) and listing.currency != workshop.currency,
        worked_out=worked_out,
        failed=failed,
    )


def terms_of(workshop: Workshop, listing: Listing) -> tuple[float, int]:
    """Return what fetching costs and the margin in percent: the listing's own, else usual."""
    own, share = listing.collection_cents, listing.margin_percent
    cents = workshop.listing_collection_cents if own is None else own
    return cents / 100, workshop.listing_margin_percent if share is None else share


def list_matches(workshop: Workshop, listing: Listing) -> list[ListingMatch]:
    """Return the open needs a listing would serve, best first."""
    rows = ListingMatch.of(workshop).filter(
        listing=listing, need__state=Need.State.OPEN, need__job__state=Job.State.OPEN
    )
    held = Hold.of(workshop).filter(need=OuterRef("need"), released_at__isnull=True)
    rows = rows.exclude(Exists(held))
    found = rows.select_related("listing", "need__job__technician__user", "need__kind", "kind")
    return list(found.order_by("-worth", "id"))


def _assemble(
    workshop: Workshop, appliance: str, parts: Sequence[StockPart], values: Sequence[PartValue]
) -> Assembly:
    return assemble_donor(
        strip_steps.list_steps(workshop.pk, appliance),
        cast("list[Part]", parts),
        (),
        worth={one.part.pk: Worth(one.if_good, one.p_good) for one in values},
        rate_per_min=workshop.strip_rate_per_min,
    )


def _served(
    workshop: Workshop,
    matches: Iterable[ListingMatch],
    values: Sequence[PartValue],
    assembly: Assembly,
) -> tuple[Served, ...]:
    """Return the jobs served; each part is promised to one of them, the likeliest gain first."""
    by_job: dict[int, list[ListingMatch]] = defaultdict(list)
    for match in matches:
        by_job[match.need.job_id].append(match)
    covered = cover.of_jobs(workshop, by_job)
    worth = {(one.part.kind_id, one.part.position): one for one in values}
    least = workshop.alert_from_p_fit
    found = [_one_job(few, covered, worth, least=least) for few in by_job.values()]
    found.sort(key=lambda one: (-one.margin * one.gain, -one.p_fit, one.job.ref))
    taken: set[tuple[str, str]] = set()
    tasks = _tasks(assembly)
    told = []
    for one in found:
        places = [(match.kind_id, match.position) for match in one.matches]
        if one.why:
            told.append(one)
        elif len(set(places)) < len(places) or set(places) & taken:
            told.append(_without(one, "the part goes to another job"))
        elif any(worth[place].part.ref not in tasks for place in places):
            told.append(_without(one, "no way to the part is known"))
        else:
            taken |= set(places)
            told.append(replace(one, counted=True))
    return tuple(told)


def _without(one: Served, why: str) -> Served:
    return replace(one, why=why)


def _one_job(
    few: Sequence[ListingMatch],
    covered: Cover,
    worth: Mapping[tuple[str, str], PartValue],
    *,
    least: float,
) -> Served:
    job = few[0].need.job
    here = {match.need_id: match.p_fit_if_said for match in few}
    gain = covered.gain(job.pk, here)
    needs = covered.jobs.get(job.pk, frozenset())  # none: closed since its matches were read
    whole = bool(needs) and all(need in here or covered.is_served(need) for need in needs)
    pays = sum((match.need.max_price_cents or 0) / 100 for match in few)
    sold = sum(worth[match.kind_id, match.position].if_good for match in few)
    margin = max(0.0, pays - sold)
    why = ""
    if not needs:
        why = "it was closed just now"
    elif not whole:
        why = "it lacks other parts too"
    elif all(covered.is_served(need) for need in here):
        why = "it has its parts promised or on the shelf"
    elif any(match.p_fit_if_said < least for match in few):
        why = "too unlikely to fit to count with"
    elif not pays:
        why = "what it may cost is not on record"
    elif not margin:
        why = "it pays no more than the part sells for"
    return Served(job, tuple(few), whole, margin, False, why, gain)


def _tasks(assembly: Assembly) -> dict[str, str]:
    """Return the task of the plan that takes each part out, by the part's reference."""
    return {ref: name for name, refs in assembly.pieces.items() for ref in refs}


def _waiting(one: Served, assembly: Assembly) -> WaitingJob:
    tasks = _tasks(assembly)
    refs = [_part_ref(match) for match in one.matches]
    return WaitingJob(one.job.ref, tuple(tasks[ref] for ref in refs), one.margin, one.gain)


def _part_ref(match: ListingMatch) -> str:
    return part_ref(match.listing.ref, match.kind_id, match.position)
