"""Patterns guessed for makes that have none, and past fittings read by a new pattern.

A make is guessed from every number seen of it: known models, donors, jobs, past fittings. The
guess is made anew when they have grown by a quarter; a stored pattern is never touched. What comes
in only asks (`ask`); the sweep guesses, so that a thousand arrivals in a minute cost one look.
"""

from collections import Counter
from collections.abc import Iterable, Iterator
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Count, Q

from donors import services as donor_services
from donors.catalogue import Catalogue
from donors.domain import model_numbers
from donors.domain.lookup import guessing
from donors.models import Donor, Make, ModelNumber
from donors.selectors import MOST_PROPOSED_FROM
from matching import fittings, outcome_keys
from matching.models import Job, Outcome
from workshop.bulk import bulk_save
from workshop.models import Workshop

READ_AT_ONCE = 500
SIDES = ("donor", "job")
LEARNED = ["learned", "part_key", "job_key", "donor_group", "job_group"]


def ask(workshop_id: int, *, now: datetime) -> None:
    """Let the next sweep guess the patterns of a workshop; asking again changes nothing."""
    rows = Workshop.objects.filter(pk=workshop_id, patterns_due__isnull=True)
    rows.update(patterns_due=now)


def guess_where_due(now: datetime) -> int:
    """Guess in every workshop that asked (the sweep). Returns how many patterns changed."""
    due = Workshop.objects.filter(patterns_due__lte=now).order_by("pk")
    return sum(_guess_in(workshop_id) for workshop_id in due.values_list("pk", flat=True))


@transaction.atomic
def _guess_in(workshop_id: int) -> int:
    """Guess in one workshop, locked like for an event of its own."""
    Workshop.objects.select_for_update(no_key=True).get(pk=workshop_id)
    Workshop.objects.filter(pk=workshop_id).update(patterns_due=None)
    return len(guess_anew(workshop_id))


def guess_anew(workshop_id: int) -> list[Make]:
    """Guess the patterns that are due, of makes without one. Returns those that changed.

    Six queries to count, however many makes; then a few for each make that is due.
    """
    makes = list(Make.of(workshop_id).filter(pattern="").order_by("id"))
    seen = _seen(workshop_id, makes)
    return [make for make in makes if _guess(make, seen[make.pk])]


def _guess(make: Make, seen: int) -> bool:
    if not guessing.is_due(min(seen, MOST_PROPOSED_FROM), make.guessed_from):
        return False
    pattern = guessing.guess(_numbers(make))
    return donor_services.set_guess(make=make, pattern=pattern, seen=seen)


def _seen(workshop_id: int, makes: list[Make]) -> Counter[int]:
    """Return how often each make was seen: known numbers, machines here, past fittings."""
    seen: Counter[int] = Counter()
    for model in (ModelNumber, Donor, Job):
        rows = model.of(workshop_id).filter(make__in=makes).order_by()
        seen.update(dict(rows.values_list("make").annotate(Count("id"))))
    named = {name: make.pk for make in makes for name in (make.name, *make.aliases)}
    for side in SIDES:
        column = f"{side}_make"
        past = Outcome.of(workshop_id).filter(**{f"{column}__in": list(named)}).order_by()
        for name, count in past.values_list(column).annotate(Count("id")):
            seen[named[name]] += count
    return seen


def _numbers(make: Make) -> Iterator[str]:
    """Yield the model numbers of a make as they are stored, each table's own."""
    owner, past = make.workshop_id, Outcome.of(make.workshop_id)
    names = [make.name, *make.aliases]
    tables = [
        ModelNumber.of(owner).filter(make=make).values_list("canonical", flat=True),
        *(
            model.of(owner).filter(make=make).values_list("model_canonical", flat=True)
            for model in (Donor, Job)
        ),
        *(
            past.filter(**{f"{side}_make__in": names}).values_list(
                f"{side}_model_number", flat=True
            )
            for side in SIDES
        ),
    ]
    for rows in tables:
        for number in rows.order_by("id")[:MOST_PROPOSED_FROM]:
            yield model_numbers.canonical(number)


def machines_of(model: Any, make: Make) -> list[int]:
    """Return the donors or jobs of a make that nobody confirmed."""
    rows = model.of(make.workshop_id).filter(make=make, confirmed=False)
    return list(rows.order_by("id").values_list("id", flat=True))


def outcomes_of(make: Make) -> list[int]:
    """Return the past fittings with a machine of a make, oldest first."""
    names = [make.name, *make.aliases]
    rows = Outcome.of(make.workshop_id).filter(Q(donor_make__in=names) | Q(job_make__in=names))
    return list(rows.order_by("id").values_list("id", flat=True))


def read_outcomes_anew(workshop_id: int, ids: Iterable[int]) -> set[str]:
    """Read the machines of past fittings again that nobody is sure of. Returns the kinds changed.

    What they state stays as it is; only what they were recognised as may change.
    """
    catalogue = Catalogue.load(workshop_id)
    rows = Outcome.of(workshop_id).filter(pk__in=list(ids)).order_by("id")
    changed = [outcome for outcome in rows if _read_anew(outcome, catalogue)]
    for outcome in changed:
        outcome_keys.keyed(outcome)
    bulk_save(changed, LEARNED)
    return {outcome.kind_id for outcome in changed}


def _read_anew(outcome: Outcome, catalogue: Catalogue) -> bool:
    was = dict(outcome.learned)
    for side in SIDES:
        known = was.get(side, {})
        make, number = getattr(outcome, f"{side}_make"), getattr(outcome, f"{side}_model_number")
        if known.get("sure", 0.0) < 1.0 and (make or number) and _is_known(catalogue, make):
            fresh = fittings.learned_from_plate(catalogue, make, number)
            appliance = known.get("appliance") or fresh.get("appliance", "")
            outcome.learned = {**outcome.learned, side: {**fresh, "appliance": appliance}}
    return outcome.learned != was


def _is_known(catalogue: Catalogue, make: str) -> bool:
    return not make or catalogue.find_make(make) is not None
