"""Learned weights of a workshop: teach them, put them in force, go back, say who did so."""

import hashlib
import json
from collections.abc import Iterable
from datetime import datetime

from django.db import transaction

from matching import events, gather, learning
from matching.domain.knowledge import Knowledge
from matching.domain.reliability import reliability
from matching.domain.weights import Weights
from matching.models import FitReport, LearnedWeights, Outcome
from parts.numbers import interchange_graphs
from parts.reference import kinds
from parts.selectors import list_sightings
from workshop import outbox
from workshop.errors import Conflict, NotAllowed
from workshop.members import covers
from workshop.models import Member, Role, Workshop


def history_of(workshop_id: int) -> learning.History:
    """Return a workshop's past fittings, and what it knows beside them: three queries.

    Approved rules are left out: they speak for themselves, and often because of the same
    fittings.
    """
    outcomes = list(Outcome.of(workshop_id).order_by("fitted_on", "id"))
    slugs = sorted({one.kind_id for one in outcomes})
    graphs = interchange_graphs(workshop_id, slugs)
    seen = [(row.kind_id, gather.as_seen(row)) for row in list_sightings(workshop_id, kinds=slugs)]

    def fresh(weights: Weights) -> dict[str, Knowledge]:
        found = {slug: Knowledge(kinds()[slug], weights, graphs[slug]) for slug in slugs}
        for slug, one in seen:
            found[slug].sightings.add_all([one])
        return found

    return learning.History(outcomes, fresh)


def teach(workshop_id: int) -> learning.Taught:
    """Return what the workshop's past fittings teach. Nothing is stored."""
    return learning.teach(history_of(workshop_id), gather.weights())


def store_report(*, workshop: Workshop, taught: learning.Taught, now: datetime) -> FitReport:
    """Keep how good the odds in force are on held-out fittings, for the page that shows it."""
    learned = LearnedWeights.of(workshop).filter(ended_at=None).exists()
    held = taught.final if learned else taught.plain
    found = reliability(
        [learning.fitted(outcome) for outcome, _ in held],
        [score.p_fit for _, score in held],
        [score.verdict for _, score in held],
    )
    values = {
        "found": found.as_dict(),
        "outcomes": found.count,
        "learned": learned,
        "measured_at": now,
    }
    row, _ = FitReport.of(workshop).update_or_create(workshop=workshop, defaults=values)
    return row


def find_report(workshop: Workshop) -> FitReport | None:
    """Return the last measuring, None before the first."""
    found: FitReport | None = FitReport.of(workshop).first()
    return found


@transaction.atomic
def accept_weights(
    *,
    workshop: Workshop,
    taught: learning.Taught,
    member: Member,
    now: datetime,
    though_worse: bool = False,
) -> LearnedWeights:
    """Put learned weights in force and have open needs matched anew.

    Raises Conflict when there was nothing to learn from, or the held-out loss got no better
    and `though_worse` is not set; NotAllowed without the role reviewer.
    """
    _refuse_unless_reviewer(member)
    if taught.before is None or taught.after is None:
        raise Conflict("There is no past fitting to learn from. Report or import some first.")
    if not (taught.better or though_worse):
        raise Conflict(
            f"The held-out log loss would go from {taught.before:.4f} to {taught.after:.4f}, "
            "which is no better. Keep the weights that are in force, or force it."
        )
    return _put_in_force(
        LearnedWeights(
            workshop=workshop,
            learned=dict(taught.weights.learned),
            outcomes=taught.outcomes,
            loss_before=taught.before,
            loss_after=taught.after,
            loss_error=taught.error if taught.outcomes > 1 else 0.0,
            accepted_by=member,
            accepted_at=now,
        ),
        instead_of=_end_current(workshop, member, now),
    )


@transaction.atomic
def revert_weights(*, workshop: Workshop, member: Member, now: datetime) -> LearnedWeights | None:
    """Go back to what was in force before; None is the table set by hand.

    Raises Conflict when nothing learned is in force; NotAllowed without the role reviewer.
    """
    _refuse_unless_reviewer(member)
    current = _end_current(workshop, member, now)
    if current is None:
        raise Conflict("No learned weights are in force; there is nothing to go back from.")
    before = current.instead_of
    if before is None:
        _announce(workshop.pk, [current])
        return None
    again = LearnedWeights(
        workshop=workshop,
        learned=before.learned,
        outcomes=before.outcomes,
        loss_before=before.loss_before,
        loss_after=before.loss_after,
        loss_error=before.loss_error,
        accepted_by=member,
        accepted_at=now,
    )
    return _put_in_force(again, instead_of=before.instead_of, ended=current)


def list_weights(workshop_id: int) -> list[LearnedWeights]:
    """Return all that was ever in force, newest first, without the weights themselves."""
    rows = LearnedWeights.of(workshop_id).defer("learned").order_by("-id")
    return list(rows.select_related("accepted_by__user", "ended_by__user"))


def _refuse_unless_reviewer(member: Member) -> None:
    if not covers(member, Role.REVIEWER):
        raise NotAllowed(
            f"Weights are decided on by a reviewer; {member} is {member.get_role_display()}."
        )


def _end_current(workshop: Workshop, member: Member, now: datetime) -> LearnedWeights | None:
    Workshop.objects.select_for_update().get(pk=workshop.pk)
    rows = LearnedWeights.of(workshop).filter(ended_at=None)
    current: LearnedWeights | None = rows.select_related("instead_of").first()
    if current is not None:
        current.ended_by, current.ended_at = member, now
        current.save(update_fields=["ended_by", "ended_at"])
    return current


def _put_in_force(
    row: LearnedWeights, *, instead_of: LearnedWeights | None, ended: LearnedWeights | None = None
) -> LearnedWeights:
    text = json.dumps(row.learned, sort_keys=True)
    row.digest = hashlib.sha256(text.encode()).hexdigest()
    row.instead_of = instead_of
    row.save()
    _announce(row.workshop_id, filter(None, (row, instead_of, ended)))
    return row


def _announce(workshop_id: int, rows: Iterable[LearnedWeights]) -> None:
    touched = sorted({slug for row in rows for slug in row.learned.get("bits", {})})
    payload = {"kinds": touched}
    outbox.record(events.WEIGHTS_CHANGED, workshop_id=workshop_id, payload=payload)
