"""Which parts are free for a need: neither promised to another nor kept back by a person."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Self

from django.db.models import Q

from matching.models import Hold, KeptBack, Proposal


@dataclass(frozen=True, slots=True)
class Promises:
    """What is said of some parts and needs. held, proposed: need by part. Three queries.

    kept_back: (need, part) as it stands in KeptBack; None stands for all of them.
    """

    held: Mapping[int, int]
    proposed: Mapping[int, int]
    kept_back: frozenset[tuple[int | None, int | None]]

    @classmethod
    def load(cls, workshop_id: int, *, part_ids: Iterable[int], need_ids: Iterable[int]) -> Self:
        parts, needs = set(part_ids), set(need_ids)
        held = Hold.of(workshop_id).filter(part__in=parts, released_at__isnull=True)
        proposed = Proposal.of(workshop_id).filter(part__in=parts, state=Proposal.State.OPEN)
        back = KeptBack.of(workshop_id).filter(
            Q(part__in=parts) | Q(need__in=needs), undone_at__isnull=True
        )
        return cls(
            dict(held.values_list("part_id", "need_id")),
            dict(proposed.values_list("part_id", "need_id")),
            frozenset(back.values_list("need_id", "part_id")),
        )

    def promised(self, part_id: int, need_id: int) -> bool:
        """Whether the part is promised to this very need: held for it, or else proposed to it."""
        return self.held.get(part_id, self.proposed.get(part_id)) == need_id

    def free(self, part_id: int, need_id: int) -> bool:
        """Whether the need may count on the part. What it is promised goes first."""
        if part_id in self.held or part_id in self.proposed:
            return self.promised(part_id, need_id)
        shut = {(need_id, part_id), (need_id, None), (None, part_id)}
        return not shut & self.kept_back
