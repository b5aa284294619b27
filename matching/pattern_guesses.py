"""Patterns guessed for makes that have none, and past fittings read by a new pattern.

A make is guessed from every number seen of it: known models, donors, jobs, past fittings. The
guess is made anew when it has grown by a quarter; a stored pattern is never touched. Runs in the
dispatcher only.
"""

from collections.abc import Iterable, Iterator

from django.db.models import Q, QuerySet

from donors import services as donor_services
from donors.catalogue import Catalogue
from donors.domain import model_numbers
from donors.domain.lookup import guessing
from donors.models import Donor, Make, ModelNumber
from donors.selectors import MOST_PROPOSED_FROM
from matching import fittings, outcome_keys
from matching.models import Job, Outcome
from workshop.bulk import bulk_save

READ_AT_ONCE = 500
SIDES = ("donor", "job")
LEARNED = ["learned", "part_key", "job_key", "donor_group", "job_group"]


def guess_anew(workshop_id: int) -> list[Make]:
    """Guess the patterns that are due, of all makes without one. Returns those that changed."""
    makes = Make.of(workshop_id).filter(pattern="").order_by("id")
    return [make for make in makes if _guess(make, _here(make) + _past(make))]


def guess_after_arrival(workshop_id: int, make_id: int) -> bool:
    """Guess one make's pattern when enough machines of it came in; return whether it changed.

    Past fittings are not counted here: there may be very many, and no index finds a make's.
    """
    make = Make.of(workshop_id).filter(pk=make_id, pattern="").first()
    return make is not None and _guess(make, _here(make))


def _guess(make: Make, counted: list["QuerySet"]) -> bool:
    count = sum(one.count() for one in counted)
    if not guessing.is_due(min(count, MOST_PROPOSED_FROM), make.guessed_from):
        return False
    rows = _here(make) + _past(make)
    pattern = guessing.guess(_numbers(rows))
    seen = sum(one.count() for one in rows)
    return donor_services.set_guess(make=make, pattern=pattern, seen=seen)


def _here(make: Make) -> list["QuerySet"]:
    """Return the model numbers of a make that are known, and that stand on machines here."""
    known = ModelNumber.of(make.workshop_id).filter(make=make)
    machines = [model.of(make.workshop_id).filter(make=make) for model in (Donor, Job)]
    plates = [rows.values_list("model_canonical", flat=True) for rows in machines]
    return [known.values_list("canonical", flat=True), *plates]


def _past(make: Make) -> list["QuerySet"]:
    """Return the model numbers of a make that past fittings name."""
    names = [make.name, *make.aliases]
    past = Outcome.of(make.workshop_id)
    return [
        past.filter(**{f"{side}_make__in": names}).values_list(f"{side}_model_number", flat=True)
        for side in SIDES
    ]


def _numbers(rows: Iterable["QuerySet"]) -> Iterator[str]:
    for one in rows:
        for number in one.order_by("id")[:MOST_PROPOSED_FROM]:
            yield model_numbers.canonical(number)


def outcomes_of(workshop_id: int, make: Make) -> list[int]:
    """Return the past fittings with a machine of a make, oldest first."""
    names = [make.name, *make.aliases]
    rows = Outcome.of(workshop_id).filter(Q(donor_make__in=names) | Q(job_make__in=names))
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
