"""What past jobs teach: closed before their faults were noted, or fitted before they were here.

A job is known by its own fittings, as any that closes now (closing.note_fitted). A fitting that
was imported names no job; it is a job's where what it states of the machine and the old part fits
one need of the workshop only, and that need has no other such fitting. What fits several teaches
nothing: nobody knows whose it was. A job counts once, whatever is imported how often.
"""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import NamedTuple

from django.db.models import Exists, OuterRef, Q

from donors.domain.model_numbers import canonical
from matching import events
from matching.faults import closing, signs
from matching.models import FaultFound, Job, Need, Outcome, Sign
from workshop import outbox

# A fitting later than this after a job was opened is taken for another job's. Our own choice: a
# wait is at most 180 days ahead at a time and may be made longer.
FITTED_WITHIN = timedelta(days=365)
AT_ONCE = 200
# Nothing was repaired, so nothing proves what the fault was (closing.say_found).
TEACHES_NOTHING = (Job.State.REFUSED, Job.State.BROKEN)

Place = tuple[str, str, str]  # kind, make, model number as compared


@dataclass(frozen=True, slots=True)
class _Side:
    """A need, or a fitting, by what both state. day: opened, fitted."""

    pk: int
    job: int
    place: Place
    number: str
    built_from: date | None
    built_to: date | None
    day: date


def ask(workshop_id: int) -> None:
    """Have past jobs looked at by the dispatcher. Needs a transaction."""
    outbox.record(events.PAST_UNTAUGHT, workshop_id=workshop_id, payload={})


class Taught(NamedTuple):
    """jobs: how many taught. more: there were others, or one changed under our hands."""

    jobs: int
    more: bool


def teach(workshop_id: int, *, now: datetime, most: int = AT_ONCE) -> Taught:
    """Note the faults of at most `most` past jobs that can be known.

    Jobs of which somebody said what it was, or which taught already, are left alone.
    """
    fitted = _fitted_by_import(workshop_id)
    known = _to_teach(workshop_id, fitted)
    jobs = _locked(workshop_id, known[:most])
    _read_words(workshop_id, jobs, now)
    taught = 0
    for job in jobs:
        kinds, outcome_id = _kinds(job, fitted)
        if len(kinds) == 1:
            closing.note_found(job, kinds.pop(), by=None, now=now, outcome_id=outcome_id)
            taught += 1
    return Taught(taught, more=len(known) > taught)


def _locked(workshop_id: int, ids: list[int]) -> list[Job]:
    """Lock jobs; those are left out that were closed or said of while the lock was waited for."""
    rows = Job.of(workshop_id).select_for_update(of=("self",)).filter(pk__in=ids)
    jobs = list(rows.select_related("make", "appliance").order_by("id"))
    said = set(FaultFound.of(workshop_id).filter(job__in=jobs).values_list("job", flat=True))
    return [job for job in jobs if job.state not in TEACHES_NOTHING and job.pk not in said]


def _to_teach(workshop_id: int, fitted: dict[int, int]) -> list[int]:
    """Return the jobs, oldest first, of which one kind of part is known to have cured it."""
    found = FaultFound.of(workshop_id).filter(job=OuterRef("pk"))
    shown = Sign.of(workshop_id).filter(job=OuterRef("pk"))
    untaught = Job.of(workshop_id).exclude(state__in=TEACHES_NOTHING).filter(~Exists(found))
    untaught = untaught.filter(~Q(symptom="") | Exists(shown))
    needs = Need.of(workshop_id).filter(job__in=untaught).order_by("job", "id")
    states: dict[int, list[tuple[int, str, str]]] = defaultdict(list)
    for pk, job, kind, state in needs.values_list("pk", "job", "kind", "state"):
        states[job].append((pk, kind, state))
    return [job for job, rows in states.items() if len(_cured(rows, fitted)) == 1]


def _cured(rows: Iterable[tuple[int, str, str]], fitted: dict[int, int]) -> set[str]:
    """Return the kinds fitted that worked; none while a part is still lacking."""
    kinds = set()
    for pk, kind, state in rows:
        if state == Need.State.FILLED or pk in fitted:
            kinds.add(kind)
        elif state == Need.State.OPEN:
            return set()
    return kinds


def _kinds(job: Job, fitted: dict[int, int]) -> tuple[set[str], int | None]:
    rows = list(job.needs.order_by("id").values_list("pk", "kind", "state"))
    outcome = next((fitted[pk] for pk, *_ in rows if pk in fitted), None)
    return _cured(rows, fitted), outcome


def _read_words(workshop_id: int, jobs: list[Job], now: datetime) -> None:
    """Read the words of jobs of which nothing was noted; what people chose is left alone."""
    noted = set(Sign.of(workshop_id).filter(job__in=jobs).values_list("job", flat=True))
    signs.read_words(workshop_id, [job for job in jobs if job.pk not in noted], at=now)


def _fitted_by_import(workshop_id: int) -> dict[int, int]:
    """Return the needs that one imported fitting is known to have served, each with that one."""
    fittings = _fittings(workshop_id)
    wanted = {one.place for one in fittings}
    there = defaultdict(list)
    for need in _needs(workshop_id, {place[0] for place in wanted}):
        if need.place in wanted:
            there[need.place].append(need)
    of_need, of_fitting = defaultdict(list), defaultdict(list)
    for fitting in fittings:
        for need in there[fitting.place]:
            if _same(need, fitting):
                of_need[need.pk].append(fitting.pk)
                of_fitting[fitting.pk].append(need.pk)
    return {
        need: those[0]
        for need, those in of_need.items()
        if len(those) == 1 and len(of_fitting[those[0]]) == 1
    }


def _same(need: _Side, fitting: _Side) -> bool:
    if not need.day <= fitting.day <= need.day + FITTED_WITHIN:
        return False
    pairs = (
        (need.number, fitting.number),
        (need.built_from, fitting.built_from),
        (need.built_to, fitting.built_to),
    )
    return all(not a or not b or a == b for a, b in pairs)


def _fittings(workshop_id: int) -> list[_Side]:
    rows = Outcome.of(workshop_id).filter(
        result=Outcome.Result.WORKED, part__isnull=True, need__isnull=True
    )
    columns = ("pk", "kind", "job_make", "job_model_number", "job_part_number")
    days = ("job_built_from", "job_built_to", "fitted_on", "learned")
    found = []
    for pk, kind, make, model, number, start, end, day, learned in (
        rows.exclude(job_model_number="").order_by("id").values_list(*columns, *days)
    ):
        seen = learned.get("job", {}).get("make") or make
        place = (kind, seen.casefold(), canonical(model))
        found.append(_Side(pk, 0, place, canonical(number), start, end, day))
    return found


def _needs(workshop_id: int, kinds: set[str]) -> Iterable[_Side]:
    """Yield the needs of these kinds that no fitting of this workshop's own served.

    Those of refused jobs too: a part may have been fitted before the customer refused the rest,
    and then the fitting is not known to be another job's.
    """
    own = Outcome.of(workshop_id).filter(need=OuterRef("pk"), result=Outcome.Result.WORKED)
    rows = Need.of(workshop_id).filter(~Exists(own), kind__in=kinds).order_by("id")
    columns = ("pk", "job", "kind", "job__make__name", "job__make_as_read", "job__model_number")
    more = ("number_canonical", "job__built_from", "job__built_to", "job__opened_on")
    for pk, job, kind, make, read, model, number, start, end, day in rows.exclude(
        job__model_number=""
    ).values_list(*columns, *more):
        place = (kind, (make or read or "").casefold(), canonical(model))
        yield _Side(pk, job, place, number, start, end, day)
