"""A report taken back while its fitting is stated anew: what the racing processes do."""

import time
from pathlib import Path

from django.db import transaction
from django.db.models import QuerySet
from django.utils import timezone

from matching import fittings, outcome_keys, reopening
from matching.models import Outcome
from tests.integration.races.barrier import meet
from workshop.models import Member, Workshop

LEFT_TO_THE_OTHER = 0.5  # seconds; the other waits for the lock all the while


def restate(folder: Path, people: int, side: str, naive: bool = False) -> dict[str, int]:
    """State every past fitting anew, or take one back after it was read for that.

    naive: the known-bad way, whole rows without a lock; it is stored after it was taken back.
    """
    workshop = Workshop.objects.get()
    if side == "take back":
        outcome, member = Outcome.of(workshop).get(), Member.of(workshop).first()
        meet(folder, "read", people)
        stated = {"workshop": workshop, "outcome_id": outcome.pk, "member": member}
        reopening.take_back(**stated, now=timezone.now())
        if naive:
            meet(folder, "taken back", people)
        return {"done": 1}
    keyed = outcome_keys.keyed

    def keyed_and_waited(outcome: Outcome) -> Outcome:
        meet(folder, "read", people)
        if naive:
            meet(folder, "taken back", people)
        else:
            time.sleep(LEFT_TO_THE_OTHER)
        return keyed(outcome)

    outcome_keys.keyed = keyed_and_waited
    if naive:
        QuerySet.select_for_update = lambda rows, **_: rows
        fittings._store = lambda one, _: one.save() is None
    with transaction.atomic():
        return {"done": len(fittings.state_anew(workshop.pk, Outcome.of(workshop)))}
