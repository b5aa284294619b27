"""What pages and the API read of the allocation: its proposals, and why others go empty."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.db.models import Count, Q

from matching.models import KeptBack, LastAllocation, Need, Outcome, Proposal
from matching.sharing import LIMITS as LIMITS
from parts.models import Part
from workshop.errors import NotFound
from workshop.models import Workshop

if TYPE_CHECKING:
    from django.db.models import QuerySet

MOST_SHOWN = 200


@dataclass(frozen=True, slots=True)
class PassedRow:
    """A job that goes empty: the need that lacks a part, and why, in a sentence."""

    need: Need
    sentence: str
    part: Part | None = None
    to: Need | None = None


def last_of(workshop: Workshop) -> LastAllocation | None:
    """Return the last allocation, None when none was made yet."""
    found: LastAllocation | None = LastAllocation.of(workshop).filter(made_at__isnull=False).first()
    return found


def list_proposals(workshop: Workshop) -> "QuerySet[Proposal]":
    """Return all proposals there were, latest first."""
    rows = Proposal.of(workshop).select_related(
        "part__kind", "part__donor", "need__job__technician__user", "need__kind", "ended_by__user"
    )
    return rows.order_by("-proposed_at", "-id")


def list_standing(workshop: Workshop) -> "QuerySet[Proposal]":
    """Return the proposals that wait for an answer: urgent jobs first, then by what ends first."""
    rows = list_proposals(workshop).filter(state=Proposal.State.OPEN)
    return rows.order_by("-need__job__urgency", "expires_at", "id")


def list_let_go(workshop: Workshop) -> "QuerySet[Proposal]":
    """Return the pairs not proposed again until they are reopened, of needs still open."""
    rows = list_proposals(workshop).filter(
        state__in=[Proposal.State.DECLINED, Proposal.State.LAPSED],
        reopened_at__isnull=True,
        need__state=Need.State.OPEN,
    )
    return rows


def list_kept(workshop: Workshop) -> "QuerySet[KeptBack]":
    """Return what is kept out of the allocation now, latest first."""
    rows = KeptBack.of(workshop).filter(undone_at__isnull=True)
    return rows.select_related("part", "need__job", "need__kind", "by__user").order_by("-at", "-id")


def get_proposal(workshop: Workshop, proposal_id: int) -> Proposal:
    """Return a proposal, standing or ended, or raise NotFound."""
    found: Proposal | None = list_proposals(workshop).filter(pk=proposal_id).first()
    if found is None:
        raise NotFound("There is no such proposal in this workshop.")
    return found


def get_outcome(workshop: Workshop, outcome_id: int) -> Outcome:
    """Return a past fitting, or raise NotFound."""
    rows = Outcome.of(workshop).select_related("part", "need__job", "kind")
    found: Outcome | None = rows.filter(pk=outcome_id).first()
    if found is None:
        raise NotFound("There is no such fitting in this workshop.")
    return found


def standing_by_part(workshop: Workshop, part_ids: Iterable[int]) -> dict[int, Proposal]:
    """Return by part the proposals that stand on some parts, with their jobs."""
    rows = Proposal.of(workshop).filter(part__in=list(part_ids), state=Proposal.State.OPEN)
    return {one.part_id: one for one in rows.select_related("need__job")}


def standing_on(
    workshop: Workshop, part_ids: Iterable[int], need_ids: Iterable[int]
) -> "QuerySet[Proposal]":
    """Return the proposals that stand on some parts or for some needs, with both."""
    either = Q(part__in=list(part_ids)) | Q(need__in=list(need_ids))
    return list_proposals(workshop).filter(either, state=Proposal.State.OPEN)


def standing_for_needs(workshop: Workshop, need_ids: Iterable[int]) -> "QuerySet[Proposal]":
    """Return the proposals that stand for some needs, with their parts."""
    return list_proposals(workshop).filter(need__in=list(need_ids), state=Proposal.State.OPEN)


def passed_rows(workshop: Workshop, passed: Sequence[Mapping[str, Any]]) -> list[PassedRow]:
    """Return some of the jobs of LastAllocation.passed as they are shown; three queries."""
    needs_shown = {one["need"] for one in passed} | {one["to"] for one in passed if one["to"]}
    needs = {
        need.pk: need
        for need in Need.of(workshop).filter(pk__in=needs_shown).select_related("job", "kind")
    }
    parts = {
        part.pk: part
        for part in Part.of(workshop).filter(pk__in=[one["part"] for one in passed if one["part"]])
    }
    return [
        _passed_row(one, needs[one["need"]], needs.get(one["to"]), parts.get(one["part"]))
        for one in passed
        if one["need"] in needs
    ]


def _passed_row(
    one: Mapping[str, Any], need: Need, to: Need | None, part: Part | None
) -> PassedRow:
    if part is None or to is None:
        return PassedRow(need, _nothing(one["because"]))
    goes = f"{part.ref} goes to {to.job.ref}, "
    said = {
        "urgent": f"which is {to.job.get_urgency_display()}.",
        "waited": f"which has waited {_days(one['days'])} longer.",
    }
    more = "because more jobs are completed that way."
    return PassedRow(need, goes + said.get(one["because"], more), part, to)


def _nothing(because: str) -> str:
    if because == "nothing":
        return "No part of its own is free that is likely enough to fit and to be good."
    return "More jobs are completed without it."


def _days(count: int) -> str:
    return "one day" if count == 1 else f"{count} days"


def why_not_before(workshop_id: int, numbers: Iterable[str]) -> dict[str, str]:
    """Return by folded part number why it did not fit before, in words; one query.

    Only of fittings for which a reason is on record.
    """
    rows = Outcome.of(workshop_id).filter(
        part_key__in={number for number in numbers if number},
        result=Outcome.Result.DID_NOT_FIT,
    )
    counts = rows.exclude(why="").order_by().values_list("part_key", "why").annotate(Count("id"))
    found: dict[str, list[tuple[int, str]]] = {}
    for number, why, count in counts:
        found.setdefault(number, []).append((-count, str(Outcome.Why(why).label)))
    return {
        number: ", ".join(f"{label} ({-count})" for count, label in sorted(some))
        for number, some in found.items()
    }
