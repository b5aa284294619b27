"""Who gets what, under collision: what a racing process does."""

import os
import sys
from collections.abc import Callable
from datetime import timedelta
from functools import partial
from pathlib import Path

from django.db import transaction
from django.utils import timezone

from matching import fittings, holds, keeping, proposals, sharing, standing_proposals
from matching.models import Hold, Need, Outcome, Proposal
from parts.models import Part
from tests.factories import TODAY
from tests.integration.races.barrier import meet
from workshop.errors import Conflict
from workshop.models import Member, Workshop

Act = Callable[[], object]


def share(folder: Path, people: int, act: str, rounds: int) -> dict[str, int]:
    """Do one kind of thing to every proposal, part or hold there is, beside others who do."""
    workshop = Workshop.objects.get()
    member = Member.of(workshop).first()
    acts = {
        "allocate": lambda: _allocations(workshop, rounds),
        "hold": lambda: _holds(workshop, member),
        "accept": lambda: _accepts(workshop, member),
        "refuse": lambda: _refusals(workshop, member),
        "lapse": lambda: _lapses(rounds),
        "fit": lambda: _fittings(workshop),
        "swap": lambda: _swaps(workshop, member),
        "lapse-proposals": lambda: _proposal_lapses(rounds),
    }
    todo = list(acts[act]())
    done = {"done": 0, "refused": 0, "errors": 0}
    meet(folder, "start", people)
    for one in todo:
        try:
            one()
            done["done"] += 1
        except Conflict:
            done["refused"] += 1
        except Exception as error:
            done["errors"] += 1
            print(repr(error), file=sys.stderr)
    return done


def _allocations(workshop: Workshop, rounds: int) -> list[Act]:
    return [partial(in_one_transaction, workshop)] * rounds


def in_one_transaction(workshop: Workshop) -> None:
    """As the dispatcher runs it, which holds the workshop's lock."""
    with transaction.atomic():
        Workshop.objects.select_for_update(no_key=True).get(pk=workshop.pk)
        sharing.share_out(workshop.pk, now=timezone.now())


def _holds(workshop: Workshop, member: Member) -> list[Act]:
    """Hold every second part for a need that has waited least: nobody would propose it."""
    need = Need.of(workshop).order_by("-id").first()
    parts = Part.of(workshop).order_by("id")[::2]
    return [
        partial(
            holds.hold_part,
            workshop=workshop,
            part_ref=part.ref,
            need_id=need.pk,
            member=member,
            now=timezone.now(),
        )
        for part in parts
    ]


def _accepts(workshop: Workshop, member: Member) -> list[Act]:
    return [
        partial(
            proposals.accept,
            workshop=workshop,
            proposal_id=one.pk,
            member=member,
            now=timezone.now(),
        )
        for one in Proposal.of(workshop).filter(state="open").order_by("id")
    ]


def _refusals(workshop: Workshop, member: Member) -> list[Act]:
    rows = Proposal.of(workshop).filter(state="open").order_by("id").select_related("need__job")
    return [
        partial(
            keeping.refuse_repair,
            workshop=workshop,
            ref=one.need.job.ref,
            answer=keeping.Answer(),
            member=member,
            now=timezone.now(),
        )
        for one in rows
    ]


def _lapses(rounds: int) -> list[Act]:
    after = timezone.now() + timedelta(days=30)
    return [partial(holds.lapse_holds, now=after)] * rounds


def _proposal_lapses(rounds: int) -> list[Act]:
    after = timezone.now() + timedelta(days=30)
    return [partial(standing_proposals.lapse_proposals, now=after)] * rounds


def _swaps(workshop: Workshop, member: Member) -> list[Act]:
    """Hold each proposed part for the need its neighbour is proposed to, with a note."""
    rows = list(Proposal.of(workshop).filter(state="open").order_by("id").select_related("part"))
    racer = int(os.environ["RACER"])
    pairs = [(rows[n], rows[n ^ 1]) for n in range(len(rows)) if n % 2 == racer % 2]
    return [
        partial(
            holds.hold_part,
            workshop=workshop,
            part_ref=one.part.ref,
            need_id=other.need_id,
            member=member,
            now=timezone.now(),
            note="this one first",
        )
        for one, other in pairs
    ]


def _fittings(workshop: Workshop) -> list[Act]:
    report = fittings.Report(Outcome.Result.WORKED, TODAY)
    return [
        partial(
            fittings.report_fitting,
            workshop=workshop,
            hold_id=hold.pk,
            report=report,
            now=timezone.now(),
        )
        for hold in Hold.of(workshop).filter(released_at__isnull=True).order_by("id")
    ]


def share_late(folder: Path, people: int, side: str) -> dict[str, int]:
    """The known-bad way: read what is free, let somebody hold it, then propose it unseen."""
    workshop = Workshop.objects.get()
    if side == "hold":
        meet(folder, "read", people)
        held = [one() for one in _holds(workshop, Member.of(workshop).first())]
        meet(folder, "held", people)
        return {"held": len(held)}
    read = sharing._read

    def read_then_wait(workshop_id: int, now: object) -> object:
        board = read(workshop_id, now)
        meet(folder, "read", people)
        meet(folder, "held", people)
        return board

    sharing._read = read_then_wait
    sharing._still_free = lambda workshop_id, new, now: new
    sharing.share_out(workshop.pk, now=timezone.now())
    return {"held": 0}
