"""Which machines to look for: those whose arrival would complete the most waiting jobs.

A machine is thought of for every model family that is known (and for a model number where its
job's family is not), with the parts such a machine is laid at intake, none of them read yet. Its
parts find open needs by the keys an arrival's parts find them by, and are scored as an arrival's
are (candidates.py, searching.py). What that gives is kept in a table: it takes too long for a
page, and for one sweep where much is waiting, so that the sweep works off a slice at a time.
"""

import json
import logging
import math
import time
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import count
from typing import Any
from uuid import UUID

from django.db import transaction
from django.db.models import F, OuterRef, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.utils import timezone

from donors.domain.machines import Machine
from donors.domain.patterns import fields_of
from donors.models import Make
from matching import cover, family_here, gather
from matching.candidates import Tiers, needs_far, needs_near
from matching.domain.known_breaks import KnownBreak
from matching.domain.looking import Promise, Serves, best_promises
from matching.domain.seen_alike import chance_of_next
from matching.matcher import look_up
from matching.models import BuildBreak, Job, LookedFor, Looking, Need
from matching.searching import Offered, Searcher
from parts.models import Grade, KindCarried, Part
from parts.prices import PriceBook
from parts.reference import kinds
from parts.stock import Named, StockDonor, StockPart
from workshop import sql
from workshop.models import Workshop

log = logging.getLogger(__name__)

MOST_A_PART = 25  # needs scored for each part of a machine: strongest keys, then oldest, first
READ_A_PART = 4 * MOST_A_PART  # looked at, for some belong to jobs the machine cannot complete
PAIRS_A_SWEEP = 2_000  # scored before a slice ends: the sweep shares its thread with the alerts
# No slice begins later than this after the first began, and none goes on: a sweep is one task,
# which is ended at 30 s.
BEGIN_FOR = timedelta(seconds=5)
REST = timedelta(minutes=10)  # between the end of one round and the beginning of the next
MOST_NUMBERS_ALONE = 500  # model numbers without a family that are looked at, most jobs first
NEEDS_AT_ONCE = 5_000  # read by one query
NAMES = 6
NO_ARRIVAL = UUID(int=0)


@dataclass(frozen=True, slots=True, order=True)
class Look:
    """A machine to think of. number: canonical, only where no family is known.

    fields: what all machines of the family have in common in their numbers.
    """

    appliance: str
    make: str
    family: str = ""
    number: str = ""
    fields: tuple[tuple[str, str], ...] = ()

    @property
    def key(self) -> str:
        return json.dumps([self.appliance, self.make, self.family, self.number], ensure_ascii=False)

    @property
    def like_it(self) -> dict[str, str]:
        """Return by which fields of a donor one is such a machine."""
        own = {"family": self.family} if self.family else {"number_key": self.number}
        return {"appliance": self.appliance, "make__name": self.make, **own}

    def machine(self) -> Machine:
        return Machine(self.appliance, self.make, self.number, dict(self.fields), self.family)


@dataclass(frozen=True, slots=True)
class Found:
    """What a look comes to: its promises, with each need and how it was scored; pairs scored.

    p_fit: of each offer, after what the parts of such machines here told (seen_alike.py).
    """

    promises: list[Promise]
    needs: dict[int, Need]
    offers: dict[tuple[int, int], Offered]
    pairs: int
    p_fit: dict[tuple[int, int], float] = field(default_factory=dict)

    @property
    def expected_jobs(self) -> float:
        return sum(one.p for one in self.promises)


_LOOKS = """
SELECT appliance, make, family, MIN(number), MAX(number) FROM (
  SELECT model.appliance_id AS appliance, make.name AS make, model.family AS family,
    model.canonical AS number
  FROM donors_modelnumber AS model JOIN donors_make AS make ON make.id = model.make_id
  WHERE model.workshop_id = {w} AND model.appliance_id IS NOT NULL AND NOT model.wildcard
  UNION ALL
  SELECT donor.appliance_id, make.name, donor.family, donor.number_key
  FROM donors_donor AS donor JOIN donors_make AS make ON make.id = donor.make_id
  WHERE donor.workshop_id = {w}
  UNION ALL
  SELECT job.appliance_id, make.name, job.family, job.number_key
  FROM matching_job AS job JOIN donors_make AS make ON make.id = job.make_id
  WHERE job.workshop_id = {w} AND job.state = 'open'
) AS seen WHERE family <> '' GROUP BY appliance, make, family
"""
_ALONE = """
SELECT job.appliance_id, make.name, job.number_key, COUNT(*)
FROM matching_job AS job JOIN donors_make AS make ON make.id = job.make_id
WHERE job.workshop_id = %s AND job.state = 'open' AND job.family = '' AND job.number_key <> ''
GROUP BY job.appliance_id, make.name, job.number_key ORDER BY COUNT(*) DESC, 1, 2, 3 LIMIT %s
"""


def looks(workshop: Workshop) -> list[Look]:
    """Return the machines to think of, in the order they are worked off: three queries."""
    patterns = {make.name: make.reads_by for make in Make.of(workshop)}
    found = [
        Look(appliance, make, family, "", _family_fields(patterns.get(make, ""), numbers))
        for appliance, make, family, *numbers in sql.rows(_LOOKS.format(w=workshop.pk))
    ]
    found += [
        Look(appliance, make, "", number)
        for appliance, make, number, _ in sql.rows(_ALONE, workshop.pk, MOST_NUMBERS_ALONE)
    ]
    return sorted(found, key=lambda one: one.key)


def _family_fields(pattern: str, numbers: Iterable[str]) -> tuple[tuple[str, str], ...]:
    """Return what the make's pattern reads of the family in one of its numbers."""
    read = (fields_of(pattern, number).get("family") for number in numbers)
    return next(((("family", one),) for one in read if one), ())


class Thinker:
    """Works out looks of one workshop; what it reads is kept while it lives."""

    def __init__(self, workshop: Workshop, *, now: datetime) -> None:
        self.workshop = workshop
        self.searcher = Searcher(workshop.pk, on=timezone.localdate(now))
        self._carried: dict[str, list[tuple[str, str]]] = defaultdict(list)
        for row in KindCarried.objects.filter(part_of_intake=True).order_by("id"):
            self._carried[row.appliance_id] += [(row.kind_id, one) for one in row.positions]
        self._prices: dict[str, PriceBook] = {}
        self._ids = count(1)  # below 0 and never twice: the searcher keeps keys by id

    def parts(self, look: Look) -> list[StockPart]:
        """Return the parts such a machine is laid at intake; their ids, below 0, are its slots."""
        donor = StockDonor(
            -1, "", look.appliance, Named(look.make), "", None, None, None, None, look.machine()
        )
        return [
            StockPart(
                -slot,
                "",
                kind,
                position,
                Part.State.IN_MACHINE,
                "",
                "",
                {},
                Grade.NOT_GRADED,
                "",
                None,
                NO_ARRIVAL,
                None,
                donor,
            )
            for slot, (kind, position) in zip(
                self._ids, self._carried[look.appliance], strict=False
            )
            if not kinds()[kind].never_reused
        ]

    def think(self, look: Look) -> Found:
        """Return the waiting jobs one such machine would complete. About twenty queries.

        Where very many wait, those with the strongest keys and the longest wait are looked at; a
        job of which a need is left out so is left out whole.
        """
        parts = {part.pk: part for part in self.parts(look)}
        pairs = self._pairs(list(parts.values()))
        needs = self._whole_jobs(_strongest(pairs, READ_A_PART))
        pairs = _strongest({pk: pairs[pk] for pk in needs}, MOST_A_PART)
        cut = {need.job_id for pk, need in needs.items() if pk not in pairs}
        needs = {pk: need for pk, need in needs.items() if need.job_id not in cut}
        offers, scored = self._scored(parts, pairs, needs)
        p_fit = self._after_seeing(look, parts, offers)
        jobs: dict[int, list[list[Serves]]] = defaultdict(list)
        for need in sorted(needs):
            serve = [
                Serves(need, slot, p_fit[need, slot] * offers[need, slot].condition.p_good)
                for slot in sorted(pairs[need])
                if (need, slot) in offers
            ]
            jobs[needs[need].job_id].append(serve)
        return Found(best_promises(jobs), needs, offers, scored, p_fit)

    def _after_seeing(
        self, look: Look, parts: dict[int, StockPart], offers: dict[tuple[int, int], Offered]
    ) -> dict[tuple[int, int], float]:
        """Return P(fit) of each offer, moved by how the parts of such machines here fit.

        A job is on this list because nothing in stock serves it: machines that are here and do
        not serve it are the best witnesses of what the next one is worth.
        """
        here = family_here.read(self.workshop.pk, look.like_it, {need for need, _ in offers})
        return {
            (need, slot): chance_of_next(
                here.seen(need, (parts[slot].kind_id, parts[slot].position), one.score.p_fit)
            )
            for (need, slot), one in offers.items()
        }

    def _pairs(self, parts: Sequence[StockPart]) -> Tiers:
        """Return the open needs that the keys of the parts find: by which part, in which tier."""
        found: Tiers = defaultdict(dict)
        for look in (needs_far, needs_near):  # the nearer tier of a pair counts
            for need, slots in look_up(self.searcher, parts, look).items():
                found[need] |= slots
        return found

    def _whole_jobs(self, pairs: Tiers) -> dict[int, Need]:
        """Return the needs of jobs that miss nothing the machine has no part for.

        A need that a part is held for, proposed to, or lies on the shelf for (cover.py) counts as
        served: neither it nor its job waits for this one.
        """
        rows = Need.of(self.workshop).filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
        needs: dict[int, Need] = {}
        for page in _pages(sorted(pairs)):
            asked = rows.filter(pk__in=page).select_related("job__make")
            needs |= {need.pk: need for need in asked}
        whole: dict[int, Need] = {}
        for page in _pages(sorted({need.job_id for need in needs.values()})):
            covered = cover.of_jobs(self.workshop, page)
            for wanted in covered.jobs.values():
                lacking = {pk for pk in wanted if not covered.is_served(pk)}
                if lacking <= needs.keys():
                    whole |= {pk: needs[pk] for pk in lacking}
        return whole

    def _scored(
        self, parts: dict[int, StockPart], pairs: Tiers, needs: dict[int, Need]
    ) -> tuple[dict[tuple[int, int], Offered], int]:
        """Return the pairs worth keeping, and how many were scored: alike wants but once."""
        alike: dict[tuple[object, ...], list[tuple[int, int]]] = defaultdict(list)
        for pk, need in needs.items():
            for slot in pairs[pk]:
                alike[(slot, *_want_key(need))].append((pk, slot))
        asked = [(parts[ids[0][1]], gather.want_of(needs[ids[0][0]])) for ids in alike.values()]
        offered = self.searcher.offers(asked) if asked else []
        kept = {
            pair: one
            for ids, one in zip(alike.values(), offered, strict=True)
            if one.kept
            for pair in ids
        }
        return kept, len(asked)

    def price_cents(self, need: Need) -> int:
        """Return what a need pays: at most what was said, else what such parts go for."""
        if need.max_price_cents is not None:
            return int(need.max_price_cents)
        appliance = need.job.appliance_id
        if appliance not in self._prices:
            carried = {kind for kind, _ in self._carried[appliance]}
            self._prices[appliance] = PriceBook.load(self.workshop.pk, appliance, carried)
        return self._prices[appliance].of_kind(need.kind_id).cents


def _strongest(pairs: Tiers, most: int) -> Tiers:
    """Return at most so many needs for each part, strongest keys first, then the oldest."""
    by_slot: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for need, slots in pairs.items():
        for slot, tier in slots.items():
            by_slot[slot].append((tier, need))
    kept: Tiers = defaultdict(dict)
    for slot, found in by_slot.items():
        for tier, need in sorted(found)[:most]:
            kept[need][slot] = tier
    return kept


def _pages(ids: Sequence[int]) -> Iterable[Sequence[int]]:
    return (ids[at : at + NEEDS_AT_ONCE] for at in range(0, len(ids), NEEDS_AT_ONCE))


def _want_key(need: Need) -> tuple[object, ...]:
    """Return all of a need that its score depends on."""
    machine = need.job.machine()
    known = (machine.appliance, machine.make, machine.number, machine.family, machine.built)
    texts = (
        json.dumps(need.attributes, sort_keys=True),
        json.dumps(machine.fields, sort_keys=True),
    )
    own = (need.kind_id, need.position, need.part_number, need.number_canonical)
    return (*own, *known, *texts, machine.sure)


def work(now: datetime) -> int:
    """Work off slices of the workshops whose lists are due, for BEGIN_FOR (the sweep).

    Whose list waits longest comes first, so that none starves. Returns looks done.
    """
    done, ends = 0, math.inf
    for workshop in _longest_waiting_first():
        begun = time.monotonic()
        if begun >= ends:
            break
        looked = _work_or_log(workshop, now=now, ends=min(ends, begun + BEGIN_FOR.total_seconds()))
        if looked:  # to find that nothing is due is no slice: else many idle ones were in the way
            ends = min(ends, begun + BEGIN_FOR.total_seconds())
        done += looked
    return done


def _longest_waiting_first() -> "QuerySet[Workshop]":
    """Return the workshops by when their round began, else when their last one ended.

    A slice moves neither, so a round that has begun is worked to its end; both then move on, and
    everybody who waited is before them.
    """
    rows = Looking.objects.unscoped().filter(workshop=OuterRef("pk"))
    since = rows.annotate(since=Coalesce("began_at", "ended_at")).values("since")
    return Workshop.objects.annotate(since=Subquery(since)).order_by(
        F("since").asc(nulls_first=True), "pk"
    )


def _work_or_log(workshop: Workshop, *, now: datetime, ends: float) -> int:
    try:
        return work_in(workshop, now=now, ends=ends)
    except Exception:  # one workshop must not keep the others waiting
        log.exception("what to look for in workshop %s not worked out", workshop.pk)
        return 0


def work_in(
    workshop: Workshop, *, now: datetime, pairs: int = PAIRS_A_SWEEP, ends: float = math.inf
) -> int:
    """Work off looks until so many pairs are scored. Returns how many; 0 when nothing is due.

    ends: no second look begins once time.monotonic() says so.
    Reads and scores outside of a transaction, so that nobody waits for it; each look is stored
    in a transaction of its own, unless another sweep went past it meanwhile.
    """
    state = _begun(workshop, now)
    if state is None:
        return 0
    thinker = Thinker(workshop, now=now)
    done = scored = 0
    for look in looks(workshop):
        if look.key <= state.after:
            continue
        found = _thought(thinker, look)
        if not _keep(thinker, state, look, found, now=now):
            return done
        done, scored = done + 1, scored + found.pairs
        if scored >= pairs or time.monotonic() >= ends:
            return done
    _end(state, now=now)
    return done


def _thought(thinker: Thinker, look: Look) -> Found:
    """Return what a look comes to; nothing where it fails, so that the round goes on."""
    try:
        return thinker.think(look)
    except Exception:
        log.exception("what %s would complete not worked out", look.key)
        return Found([], {}, {}, 0)


def work_off(workshop: Workshop, *, now: datetime) -> int:
    """Work out the whole list now, whatever is due. Returns how many looks were done."""
    ask(workshop.pk, now=now)
    Looking.of(workshop).update(ended_at=None, began_at=None, after="")
    done = 0
    while step := work_in(workshop, now=now):
        done += step
        if not Looking.of(workshop).filter(began_at__isnull=False).exists():
            break
    return done


def ask(workshop_id: int, *, now: datetime) -> None:
    """Have the list worked out anew: what the scores rest on changed."""
    Looking.of(workshop_id).get_or_create(workshop_id=workshop_id)
    Looking.of(workshop_id).update(asked_at=now)


_STATE = """
SELECT (SELECT COUNT(*) FROM matching_need WHERE workshop_id = {w} AND state = 'open'),
  (SELECT COALESCE(MAX(id), 0) FROM matching_need WHERE workshop_id = {w}),
  (SELECT COUNT(*) FROM matching_hold WHERE workshop_id = {w} AND released_at IS NULL),
  (SELECT COALESCE(MAX(id), 0) FROM matching_hold WHERE workshop_id = {w}),
  (SELECT COUNT(*) FROM matching_proposal WHERE workshop_id = {w} AND state = 'open'),
  (SELECT COALESCE(MAX(id), 0) FROM matching_proposal WHERE workshop_id = {w}),
  (SELECT COALESCE(MAX(id), 0) FROM matching_outcome WHERE workshop_id = {w}),
  (SELECT COALESCE(MAX(id), 0) FROM donors_donor WHERE workshop_id = {w})
"""


def state_of(workshop: Workshop) -> str:
    """Return what tells whether needs, promises, fittings or donors came or went: one query."""
    return "/".join(str(count) for count in sql.rows(_STATE.format(w=workshop.pk))[0])


@transaction.atomic
def _begun(workshop: Workshop, now: datetime) -> Looking | None:
    """Return the round that runs, or begin one that is due; None when none is."""
    Looking.of(workshop).get_or_create(workshop=workshop)
    state: Looking = Looking.of(workshop).select_for_update().get()
    if state.began_at is not None:
        return state
    if state.ended_at is not None and now < state.ended_at + REST:
        return None
    seen = state_of(workshop)
    if state.ended_at is not None and state.asked_at is None and seen == state.seen:
        return None
    state.began_at, state.after, state.seen, state.asked_at = now, "", seen, None
    state.save(update_fields=["began_at", "after", "seen", "asked_at"])
    return state


@transaction.atomic
def _keep(thinker: Thinker, state: Looking, look: Look, found: Found, *, now: datetime) -> bool:
    """Store what a look comes to and go past it; False where another sweep did so already."""
    rows = Looking.of(state.workshop_id).select_for_update()
    rows = rows.filter(pk=state.pk, began_at=state.began_at, after=state.after)
    make = Make.of(state.workshop_id).filter(name=look.make).first()
    if not rows.exists() or make is None:
        return False
    asked: dict[str, Any] = {
        "appliance_id": look.appliance,
        "make": make,
        "family": look.family,
        "number_key": look.number,
    }
    if found.promises:
        values = _written(thinker, look, found) | {"worked_out_at": now}
        LookedFor.of(state.workshop_id).update_or_create(
            workshop_id=state.workshop_id, **asked, defaults=values
        )
    else:
        LookedFor.of(state.workshop_id).filter(**asked).delete()
    state.after = look.key
    state.save(update_fields=["after"])
    return True


@transaction.atomic
def _end(state: Looking, *, now: datetime) -> None:
    """Close a round: what it did not find again is gone."""
    LookedFor.of(state.workshop_id).filter(worked_out_at__lt=state.began_at).delete()
    state.began_at, state.after, state.ended_at = None, "", now
    state.save(update_fields=["began_at", "after", "ended_at"])


def _written(thinker: Thinker, look: Look, found: Found) -> dict[str, Any]:
    jobs = [_job(thinker, one, found) for one in found.promises]
    served = [found.needs[part.need] for one in found.promises for part in one.parts]
    own = Counter(
        need.job.model_number
        for need in {need.job_id: need for need in served}.values()
        if _is_one_of(need, look)
    )
    return {
        "expected_jobs": found.expected_jobs,
        "expected_cents": sum(
            job["p"] * sum(need["price_cents"] for need in job["needs"]) for job in jobs
        ),
        "jobs": jobs,
        "names": [name for name, _ in own.most_common(NAMES) if name],
        "breaks": _break_sentences(thinker.workshop, look, served),
    }


def _is_one_of(need: Need, look: Look) -> bool:
    machine = need.job.machine()
    if machine.make != look.make:
        return False
    return machine.family == look.family if look.family else machine.number == look.number


def _job(thinker: Thinker, promise: Promise, found: Found) -> dict[str, Any]:
    needs = [found.needs[part.need] for part in promise.parts]
    pairs = [(part.need, part.slot) for part in promise.parts]
    return {
        "job": promise.job,
        "ref": needs[0].job.ref,
        "p": promise.p,
        "needs": [
            {
                "need": need.pk,
                "kind": need.kind_id,
                "position": need.position,
                "p_fit": found.p_fit[pair],
                "p_good": found.offers[pair].condition.p_good,
                "price_cents": thinker.price_cents(need),
            }
            for need, pair in zip(needs, pairs, strict=True)
        ],
    }


def _break_sentences(workshop: Workshop, look: Look, needs: Sequence[Need]) -> list[str]:
    """Return, for each accepted break of the family, which jobs need which side of it."""
    if not look.family:
        return []
    rows = BuildBreak.of(workshop).filter(
        state=BuildBreak.State.ACCEPTED,
        make=look.make,
        family=look.family,
        kind__in={need.kind_id for need in needs},
    )
    said = []
    for row in rows.order_by("kind_id", "changed_from", "id"):
        known = KnownBreak(
            row.scope(), row.changed(), tuple(row.numbers_before), tuple(row.numbers_after)
        )
        sides: dict[str, list[str]] = defaultdict(list)
        for need in needs:
            if need.kind_id == row.kind_id and (side := _side(known, need)):
                sides[side].append(need.job.ref)
        if sides:
            wants = [f"built {side}: {', '.join(refs)}" for side, refs in sorted(sides.items())]
            name = kinds()[row.kind_id].name
            said.append(
                f"{name} changed {row.changed_from} to {row.changed_to}; {'; '.join(wants)}"
            )
    return said


def _side(known: KnownBreak, need: Need) -> str:
    """Return before or after by the number wanted, else by the job's own build date."""
    for side in ("before", "after"):
        if need.number_canonical and need.number_canonical in known.numbers(side):
            return side
    machine = need.job.machine()
    return known.side(machine.built) if known.scope.covers(machine) else ""
