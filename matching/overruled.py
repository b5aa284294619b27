"""Where somebody held a part that was proposed to another job, and why: shown on both."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db.models import Exists, OuterRef, Q

from matching.models import Hold, Proposal
from workshop.models import Workshop


@dataclass(slots=True)
class Overruled:
    """Proposals a hold by hand crossed: by that hold, and by the need they had been made to.

    by_need has only those whose part was held for another need: where the need was given another
    part, nothing was taken from it.
    """

    by_hold: dict[int, list[Proposal]] = field(default_factory=dict)
    by_need: dict[int, list[Proposal]] = field(default_factory=dict)


def overruled(workshop: Workshop, holds: Sequence[Hold], need_ids: Iterable[int] = ()) -> Overruled:
    """Return what some holds crossed, and what was taken from some needs: one query."""
    needs, found = set(need_ids), Overruled()
    rows = Proposal.of(workshop).filter(
        Q(part__in=[hold.part_id for hold in holds]) | Q(need__in=needs),
        state=Proposal.State.WITHDRAWN,
        ended_by__isnull=False,
    )
    of_it = Hold.of(workshop).filter(part=OuterRef("part"), held_at=OuterRef("ended_at"))
    rows = rows.annotate(given_away=Exists(of_it.filter(~Q(need=OuterRef("need")))))
    for one in rows.select_related("need__job", "part", "ended_by__user").order_by("id"):
        if one.need_id in needs and one.given_away:
            found.by_need.setdefault(one.need_id, []).append(one)
        for hold in holds:
            crossed = (one.part_id, one.ended_at) == (hold.part_id, hold.held_at)
            if crossed and one.need_id != hold.need_id:
                found.by_hold.setdefault(hold.pk, []).append(one)
    return found
