"""What the racing processes do. Run as `python -m tests.integration.races.workers TASK ...`.

Each prints one JSON object. They meet at a barrier made of files, so that they truly collide.
"""

import json
import os
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")

import django

django.setup()

from django.db import IntegrityError, transaction
from django.utils import timezone

from donors.listings import services as listing_services
from donors.models import Listing
from donors.plates import Plate
from matching import holds, matcher, services, sharing
from matching.listings import buying
from matching.models import Hold, Need
from parts import numbers
from parts import services as part_services
from parts.models import Part
from tests.integration.races import (
    echoes,
    locks,
    requests,
    restating,
    shares,
    signing_in,
    sweeps,
)
from tests.integration.races.barrier import meet
from workshop import dispatcher
from workshop.errors import Conflict, InputRefused
from workshop.models import Member, RefCounter, Workshop


def hold_all(folder: Path, people: int, naive: bool) -> dict[str, int]:
    """Try to hold every part for a need of one's own."""
    workshop = Workshop.objects.get()
    member = Member.of(workshop).first()
    need = list(Need.of(workshop).order_by("id"))[int(os.environ["RACER"])]
    refs = list(Part.of(workshop).filter(kind="control-board").order_by("id"))
    meet(folder, "start", people)
    done = {"held": 0, "refused": 0, "errors": 0}
    for part in refs:
        try:
            if naive:
                both_look = partial(meet, folder, f"looked{part.pk}", people)
                naive_hold(workshop, part, need, member, both_look)
            else:
                proper_hold(workshop, part, need, member)
            done["held"] += 1
        except Conflict:
            done["refused"] += 1
        except Exception as error:
            done["errors"] += 1
            print(repr(error), file=sys.stderr)
    return done


def proper_hold(workshop: Workshop, part: Part, need: Need, member: Member) -> None:
    holds.hold_part(
        workshop=workshop, part_ref=part.ref, need_id=need.pk, member=member, now=timezone.now()
    )


def naive_hold(
    workshop: Workshop, part: Part, need: Need, member: Member, both_look: Callable[[], None]
) -> None:
    """The known-bad way: look first, then write, with nothing that makes the two one."""
    held = Hold.of(workshop).filter(part=part, released_at__isnull=True).exists()
    both_look()  # nobody writes before all have looked: the worst case, every time
    if held:
        raise Conflict("held")
    now = timezone.now()
    Hold.objects.create(
        workshop=workshop,
        part=part,
        need=need,
        held_by=member,
        held_at=now,
        expires_at=now + timezone.timedelta(days=1),
    )


def arrive(folder: Path, people: int, inline: bool, rounds: int, side: str) -> dict[str, int]:
    """Write a donor or a job at the same instant as the other process does the opposite.

    Both meet inside their transactions (on PostgreSQL), so neither can see the other's row.
    inline: the known-bad way, matching inside the transaction that writes.
    """
    workshop = Workshop.objects.get()
    overlap = os.environ["RACE_VENDOR"] == "postgresql"
    if inline:
        # The row it touches would have one writer wait for the other, who waits at the barrier.
        sharing.note_touched = lambda workshop_id: None
    for number in range(rounds):
        meet(folder, f"round{number}", people)
        with transaction.atomic():
            write = _donor if side == "donor" else _job
            found = write(workshop, number)
            if overlap:
                meet(folder, f"written{number}", people)
            if inline:
                found()
                meet(folder, f"looked{number}", people)
    return {"rounds": rounds}


def plate(number: int) -> Plate:
    return Plate("washing-machine", "Velthane", f"W7-60 R1 {chr(65 + number % 26)}")


def _donor(workshop: Workshop, number: int) -> Any:
    donor = part_services.take_in_donor(
        workshop=workshop,
        plate=plate(number),
        received_on=timezone.localdate(),
        ref=f"D-{number}",
    )
    ids = list(donor.parts.values_list("id", flat=True))
    return lambda: matcher.match_parts(workshop.pk, ids, now=timezone.now(), arrived=True)


def _job(workshop: Workshop, number: int) -> Any:
    job = services.open_job(
        workshop=workshop,
        plate=plate(number),
        needs=[services.NeedFacts(kind="control-board")],
        opened_on=timezone.localdate(),
        ref=f"J-{number}",
    )
    ids = list(job.needs.values_list("id", flat=True))
    return lambda: matcher.match_needs(workshop.pk, ids, now=timezone.now())


def dispatch(folder: Path, people: int) -> dict[str, int]:
    """Work the outbox off beside other dispatchers."""
    meet(folder, "start", people)
    done = dispatcher.drain()
    return {"handled": done.handled, "failed": done.failed}


def halves(folder: Path, people: int, rounds: int, naive: bool) -> dict[str, int]:
    """Add one half of a circle while another process adds the other.

    naive: the known-bad way, without the lock; both then look before either has written.
    """
    workshop = Workshop.objects.get()
    mine = int(os.environ["RACER"])
    if naive:
        numbers.lock_interchanges = lambda workshop_id: None
        read = numbers.interchange_graph

        def read_and_wait(workshop_id: int, kind: str) -> Any:
            graph = read(workshop_id, kind)
            meet(folder, f"read{done['rounds']}", people)
            return graph

        numbers.interchange_graph = read_and_wait
    done = {"rounds": 0, "added": 0, "refused": 0, "errors": 0}
    for number in range(rounds):
        ends = [f"A{number}X", f"B{number}X"]
        from_number, to_number = ends if mine == 0 else ends[::-1]
        meet(folder, f"round{number}", people)
        try:
            numbers.add_interchange(
                workshop=workshop, kind="heater", from_number=from_number, to_number=to_number
            )
            done["added"] += 1
        except InputRefused:
            done["refused"] += 1
        except Exception as error:
            done["errors"] += 1
            print(repr(error), file=sys.stderr)
        done["rounds"] += 1
    return done


def take_codes(folder: Path, people: int, rounds: int, naive: bool) -> dict[str, int]:
    """Take a donor in at the same instant as others do.

    naive: the known-bad way, reading the last number without the counter's lock; all then look
    before any has written.
    """
    workshop = Workshop.objects.get()
    done = {"taken": 0, "clashed": 0}
    if naive:
        from parts import codes

        def look_only(workshop_id: int, prefix: str) -> Any:
            counter, _ = RefCounter.of(workshop_id).get_or_create(
                prefix=prefix, defaults={"workshop_id": workshop_id}
            )
            meet(folder, f"looked{done['taken'] + done['clashed']}", people)
            return counter

        codes.refs = SimpleNamespace(lock_counter=look_only)  # type: ignore[assignment]
    for number in range(rounds):
        meet(folder, f"round{number}", people)
        try:
            part_services.take_in_donor(
                workshop=workshop,
                plate=plate(number),
                received_on=timezone.localdate(),
                ref=f"D-{os.environ['RACER']}-{number}",
            )
            done["taken"] += 1
        except IntegrityError:
            done["clashed"] += 1
    return done


def buy(folder: Path, people: int, refs: list[str], naive: bool) -> dict[str, int]:
    """Buy each listing at the same instant as others do.

    naive: the known-bad way, looking whether it is for sale without its lock; all then look
    before any has written, and nothing says that a listing is one donor.
    """
    workshop = Workshop.objects.get()
    done = {"bought": 0, "refused": 0}
    for ref in refs:
        meet(folder, f"round{ref}", people)
        try:
            if naive:
                row = Listing.of(workshop).select_related("make").get(ref=ref)
                listing_services.refuse_if_closed(row)
                meet(folder, f"looked{ref}", people)
                donor = part_services.take_in_donor(
                    workshop=workshop, plate=buying.plate_of(row), received_on=timezone.localdate()
                )
                Listing.of(workshop).filter(pk=row.pk).update(
                    state="bought", donor=donor, paid_cents=0, closed_on=timezone.localdate()
                )
            else:
                buying.buy_listing(
                    workshop=workshop, ref=ref, paid_cents=0, received_on=timezone.localdate()
                )
            done["bought"] += 1
        except Conflict:
            done["refused"] += 1
    return done


def advertise(folder: Path, people: int, rounds: int) -> dict[str, int]:
    """Store the same listing at the same instant as others do."""
    workshop = Workshop.objects.get()
    done = {"new": 0, "again": 0}
    for number in range(rounds):
        text = (
            f"Velthane washer W7-60 R1 W, serial {number * 7919 + 100000}, does not drain, 20 EUR"
        )
        meet(folder, f"round{number}", people)
        stored = listing_services.add_listing(
            workshop=workshop,
            offered=listing_services.Offered(text),
            member=None,
            on=timezone.localdate(),
        )
        done["new" if stored.is_new else "again"] += 1
    return done


TASKS = {
    "guess": signing_in.guess,
    "send_code": signing_in.send_code,
    "send_app_code": signing_in.send_app_code,
    "step_down": signing_in.step_down,
    "use_link": signing_in.use_link,
    "buy": buy,
    "advertise": advertise,
    "take_codes": take_codes,
    "hold_all": hold_all,
    "arrive": arrive,
    "dispatch": dispatch,
    "halves": halves,
    "repeat": requests.repeat,
    "reply_lost": requests.reply_lost,
    "decide": requests.decide,
    "fall": sweeps.fall,
    "echo": echoes.echo,
    "settle_naively": echoes.settle_naively,
    "send_naively": echoes.send_naively,
    "strip": requests.strip,
    "share": shares.share,
    "share_late": shares.share_late,
    "remind": sweeps.remind,
    "sweep_and_drain": sweeps.sweep_and_drain,
    "keep": requests.keep,
    "restate": restating.restate,
    "mixed": locks.mixed,
    "lock_sets": locks.lock_sets,
}


def run(order: dict[str, Any]) -> None:
    """Do one order in a process of its own and print what it came to."""
    task = TASKS[order.pop("task")]
    print(json.dumps(task(Path(order.pop("folder")), **order)), flush=True)
