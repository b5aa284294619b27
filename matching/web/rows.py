"""What the job and find pages show of a part that is offered, worked out once a row."""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any

from django.db.models import Q

from matching import selectors
from matching.models import Hold, Job, Match, Need, Outcome, Proposal
from matching.overruled import overruled
from matching.predicting import Prediction, for_unread_needs
from matching.searching import Offered
from matching.share_views import standing_on, why_not_before
from parts.domain.spare_part_duties import Duty
from parts.models import AVAILABLE, Part, SisterWarning
from parts.reuse import lacking_test, why_never
from parts.sisters import warnings_of
from parts.stock import AnyPart
from workshop.models import Workshop


@dataclass(frozen=True, slots=True)
class OfferRow:
    """One offered part, with what may be done about it."""

    part: AnyPart
    verdict: str
    p_fit: float
    p_good: float
    worth: float
    reasons: list[dict[str, Any]]
    hold: Hold | None = None
    blocked: str = ""
    to_know: tuple[str, ...] = ()
    need_id: int | None = None
    proposal: Proposal | None = None

    @property
    def held_here(self) -> bool:
        """Whether the part is held for the very need the row stands under."""
        return self.hold is not None and self.hold.need_id == self.need_id

    @property
    def proposed_elsewhere(self) -> bool:
        """Whether the part is proposed to another need: holding it takes a note."""
        return self.proposal is not None and self.proposal.need_id != self.need_id


@dataclass(slots=True)
class NeedRows:
    """One need of a job with the best parts for it, the holds for it and what was fitted."""

    need: Need
    offers: list[OfferRow] = field(default_factory=list)
    holds: list[Hold] = field(default_factory=list)
    outcomes: list[Outcome] = field(default_factory=list)
    doubts: list[SisterWarning] = field(default_factory=list)
    likely: Prediction | None = None
    proposal: Proposal | None = None
    duty: Duty | None = None
    passed_over: list[Proposal] = field(default_factory=list)

    @property
    def searching(self) -> bool:
        return self.need.searched_at is None and self.need.state == Need.State.OPEN


def need_rows(workshop: Workshop, job: Job, *, now: datetime) -> list[NeedRows]:
    """Return the needs of a job with all the page shows of them; the same queries, however many."""
    likely = for_unread_needs(workshop.pk, job, job.needs.all())
    rows = {need.pk: NeedRows(need, likely=likely.get(need.pk)) for need in job.needs.all()}
    matches = selectors.list_best_matches(workshop, rows)
    ids = [match.part_id for match in matches]
    held: dict[int, Hold] = {}
    either = Q(need__in=list(rows)) | Q(part__in=ids)
    for hold in reversed(selectors.list_holds(workshop).filter(either)):
        held[hold.part_id] = hold
        if hold.need_id in rows:
            rows[hold.need_id].holds.append(hold)
    _note_overruled(workshop, rows)
    for outcome in selectors.list_outcomes(workshop).filter(need__in=list(rows)):
        if outcome.need_id is not None:
            rows[outcome.need_id].outcomes.append(outcome)
    doubts = warnings_of(workshop.pk, [*ids, *_parts_here(rows.values())])
    proposed: dict[int, Proposal] = {}
    for proposal in standing_on(workshop, ids, rows):
        proposed[proposal.part_id] = proposal
        if proposal.need_id in rows:
            rows[proposal.need_id].proposal = proposal
    before = why_not_before(workshop.pk, (match.part.number_folded or "" for match in matches))
    for match in matches:
        offer = replace(
            offer_of_match(match, held.get(match.part_id), doubts, now=now),
            proposal=proposed.get(match.part_id),
        )
        rows[match.need_id].offers.append(_with_past(offer, before))
    for row in rows.values():
        row.doubts = [one for pk in _parts_here([row]) for one in doubts.get(pk, [])]
    return list(rows.values())


def _note_overruled(workshop: Workshop, rows: Mapping[int, NeedRows]) -> None:
    """Say at each hold whom it went before, and at each need what went to another: one query."""
    holds = [hold for row in rows.values() for hold in row.holds]
    found = overruled(workshop, holds, rows)
    for hold in holds:
        hold.crossed = found.by_hold.get(hold.pk, [])  # type: ignore[attr-defined]
    for need_id, passed in found.by_need.items():
        rows[need_id].passed_over = passed


def _with_past(offer: OfferRow, before: Mapping[str, str]) -> OfferRow:
    why = before.get(getattr(offer.part, "number_folded", "") or "")
    if not why:
        return offer
    said = f"A part of this number did not fit before: {why}. Compare before you fit it."
    return replace(offer, to_know=(*offer.to_know, said))


def _parts_here(rows: Iterable[NeedRows]) -> list[int]:
    """Return the parts held for or fitted to some needs."""
    held = [hold.part_id for row in rows for hold in row.holds]
    fitted = [one.part_id for row in rows for one in row.outcomes if one.result == "worked"]
    return held + [pk for pk in fitted if pk is not None]


def offer_of_match(
    match: Match, hold: Hold | None, doubts: Mapping[int, list[SisterWarning]], *, now: datetime
) -> OfferRow:
    return OfferRow(
        part=match.part,
        verdict=match.verdict,
        p_fit=match.p_fit,
        p_good=match.p_good,
        worth=match.worth,
        reasons=match.reasons,
        hold=hold,
        blocked=why_not_held(match.part, match.need, hold, now=now),
        to_know=tuple(_to_know(match.part, doubts.get(match.part_id, []))),
        need_id=match.need_id,
    )


def _to_know(part: AnyPart, doubts: Iterable[SisterWarning]) -> Iterator[str]:
    """Yield what a technician should know before counting on a part."""
    if lacking_test(part):
        yield "Reused with caution: it needs its bench test before it is fitted."
    for warning in doubts:
        yield f"In doubt: {warning.failed.ref} of the same donor failed in use. Test it again."


def why_not_held(part: Part, need: Need, hold: Hold | None, *, now: datetime) -> str:
    """Return why the part cannot be held for the need; "" when it can be tried.

    Says early what matching.holds would refuse anyway; the service decides.
    """
    if need.state != Need.State.OPEN or need.job.state != Job.State.OPEN:
        return "The job no longer needs it."
    if part.state not in AVAILABLE:
        return f"The part is {part.get_state_display()}."
    if why_never(part):
        return why_never(part)
    if hold is not None and hold.expires_at > now and hold.need_id != need.pk:
        return f"Held for {hold.need.job.ref} by {hold.held_by}."
    return ""


def found_rows(
    workshop: Workshop, offered: Sequence[Offered], held: Mapping[int, Hold], reasons: Any
) -> list[OfferRow]:
    """Return the results of a search as rows."""
    doubts = warnings_of(workshop.pk, [one.part.pk for one in offered])
    return [
        OfferRow(
            part=one.part,
            verdict=one.score.verdict.value,
            p_fit=one.score.p_fit,
            p_good=one.condition.p_good,
            worth=one.worth,
            reasons=reasons(one),
            hold=held.get(one.part.pk),
            to_know=tuple(_to_know(one.part, doubts.get(one.part.pk, []))),
        )
        for one in offered
    ]
