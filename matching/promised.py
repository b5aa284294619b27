"""Which parts are free for a need: not another's, not kept back, not turned down for it."""

from collections.abc import Iterable
from typing import TYPE_CHECKING

from django.db.models import Case, Exists, F, IntegerField, OuterRef, Q, Value, When, Window
from django.db.models.functions import RowNumber

from matching.models import Hold, KeptBack, Match, Proposal
from parts.models import AVAILABLE, Grade, PartKind

if TYPE_CHECKING:
    from django.db.models import QuerySet

LET_GO = (Proposal.State.DECLINED, Proposal.State.LAPSED)


def to_be_had(rows: "QuerySet[Match]") -> "QuerySet[Match]":
    """Keep the matches whose part is here, not scrap and of a kind that may be reused."""
    rows = rows.filter(part__state__in=AVAILABLE).exclude(part__grade=Grade.SCRAP)
    return rows.exclude(part__kind__reuse=PartKind.Reuse.NEVER)


def free_matches(workshop_id: int, need_ids: Iterable[int]) -> "QuerySet[Match]":
    """Return the matches of some needs that each may count on, `promised` 1 for what it is given.

    A part held counts for the need it is held for, one proposed for the need it is proposed to,
    and for no other. Any other part counts unless a person kept it, the need, or one from the
    other back, or the pair was declined or let lapse and not reopened: it is not proposed again.
    """
    part, need = {"part": OuterRef("part")}, {"need": OuterRef("need")}
    held = Hold.of(workshop_id).filter(**part, released_at__isnull=True)
    proposed = Proposal.of(workshop_id).filter(**part, state=Proposal.State.OPEN)
    let_go = Proposal.of(workshop_id).filter(
        **part, **need, state__in=LET_GO, reopened_at__isnull=True
    )
    back = KeptBack.of(workshop_id).filter(undone_at__isnull=True)
    shut = (
        Exists(back.filter(**part, need__isnull=True))
        | Exists(back.filter(**need, part__isnull=True))
        | Exists(back.filter(**part, **need))
        | Exists(let_go)
    )
    ours = Exists(held.filter(**need)) | (~Exists(held) & Exists(proposed.filter(**need)))
    rows = to_be_had(Match.of(workshop_id).filter(need__in=list(need_ids), worth__gt=0))
    rows = rows.annotate(
        promised=Case(When(ours, then=Value(1)), default=Value(0), output_field=IntegerField())
    )
    nobodys = ~Exists(held) & ~Exists(proposed) & ~shut
    return rows.filter(Q(promised=1) | nobodys)


def best_free(workshop_id: int, need_ids: Iterable[int], *, most: int) -> dict[int, list[Match]]:
    """Return the `most` best parts each need may count on, what it is promised first: one query.

    However many of its matches are others', the rest is read: the database leaves those out.
    """
    ids = list(need_ids)
    rank = Window(
        RowNumber(),
        partition_by=F("need_id"),
        order_by=[F("promised").desc(), F("worth").desc(), F("part_id")],
    )
    rows = free_matches(workshop_id, ids).annotate(rank=rank).filter(rank__lte=most)
    found: dict[int, list[Match]] = {pk: [] for pk in ids}
    for one in rows.select_related("part__donor", "part__kind").order_by("need_id", "rank"):
        found[one.need_id].append(one)
    return found
