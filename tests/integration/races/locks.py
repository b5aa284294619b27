"""Many writers on one SQLite file, many parts locked at once: what a racing process does."""

import os
import random
import sys
import time
from functools import partial
from pathlib import Path

from django.db import OperationalError, connection, transaction

from matching import matcher, selectors
from matching.models import Need
from parts.models import Part
from tests.integration.races.barrier import meet
from workshop.models import RefCounter, Workshop


def mixed(
    folder: Path, people: int, rounds: int = 0, seconds: float = 0.0, deferred: bool = False
) -> dict[str, object]:
    """Read four times, write once, again and again: so many rounds, or so many seconds.

    deferred: the known-bad way to begin, without the write lock; all have then read before any
    writes, and SQLite refuses whoever comes second at once, however long it was told to wait.
    """
    if deferred:
        connection.settings_dict["OPTIONS"]["transaction_mode"] = "DEFERRED"
    workshop = Workshop.objects.get()
    writes: list[float] = []
    reads: list[float] = []
    refused = 0
    meet(folder, "start", people)
    end = time.monotonic() + seconds
    number = 0
    while number < rounds or time.monotonic() < end:
        for _ in range(4):
            begun = time.monotonic()
            selectors.workshop_figures(workshop)
            reads.append(time.monotonic() - begun)
        begun = time.monotonic()
        both_read = partial(meet, folder, f"read{number}", people) if deferred else None
        try:
            _write(workshop, f"{os.environ['RACER']}-{number}", both_read)
        except OperationalError as error:
            refused += 1
            print(repr(error), file=sys.stderr)
        writes.append(time.monotonic() - begun)
        number += 1
        if deferred:
            meet(folder, f"written{number}", people)
    return {"written": len(writes) - refused, "refused": refused, "reads": reads, "writes": writes}


def _write(workshop: Workshop, prefix: str, both_have_read: object) -> None:
    with transaction.atomic():
        Need.of(workshop).count()
        if callable(both_have_read):
            both_have_read()
        RefCounter.objects.create(workshop=workshop, prefix=prefix, last=1)


def lock_sets(folder: Path, people: int, rounds: int, naive: bool = False) -> dict[str, object]:
    """Lock three to six parts at once, again and again.

    naive: the known-bad way, one after another in an order of one's own; each has its first
    before any asks for its second.
    """
    workshop = Workshop.objects.get()
    racer = int(os.environ["RACER"])
    ids = sorted(Part.of(workshop).values_list("pk", flat=True))
    rng = random.Random(racer)
    deadlocks, slowest = 0, 0.0
    meet(folder, "start", people)
    for number in range(rounds):
        begun = time.monotonic()
        try:
            with transaction.atomic():
                if naive:
                    first, second = ids[:2] if racer else ids[1::-1]
                    Part.of(workshop).select_for_update().get(pk=first)
                    meet(folder, f"first{number}", people)
                    Part.of(workshop).select_for_update().get(pk=second)
                else:
                    wanted = rng.sample(ids, rng.randint(3, 6))
                    assert matcher._locked(Part.of(workshop).filter(pk__in=wanted)) == set(wanted)
                    Part.of(workshop).filter(pk__in=wanted).update(note=f"{racer} {number}")
        except OperationalError as error:
            deadlocks += 1
            print(repr(error), file=sys.stderr)
        slowest = max(slowest, time.monotonic() - begun)
        if naive:
            meet(folder, f"ended{number}", people)
    return {"deadlocks": deadlocks, "slowest": slowest}
