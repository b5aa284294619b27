"""The slow, obvious judge: score every open need with every part of its kind, knowing it all.

What matching did before it had keys. Kept for tests and as a peer in tests/speed.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from matching import gather
from matching.domain.scoring import Score, score
from matching.matcher import open_needs
from matching.models import Need
from parts.models import Part
from parts.selectors import list_available


@dataclass(frozen=True, slots=True)
class Judged:
    """One pair of a need and a part, scored with all that is known."""

    need: Need
    part: Part
    score: Score

    @property
    def spoken_for(self) -> bool:
        return self.score.spoken_for


def judge(workshop_id: int, needs: Iterable[Need] | None = None) -> list[Judged]:
    """Return every pair a scan keeps: all that may fit, whatever speaks for it."""
    asked = open_needs(workshop_id) if needs is None else list(needs)
    kinds = sorted({need.kind_id for need in asked})
    known = gather.knowledge(workshop_id, kinds)
    stock: dict[str, list[Part]] = {kind: [] for kind in kinds}
    for part in list_available(workshop_id, kinds=kinds):
        stock[part.kind_id].append(part)
    found = []
    for need in asked:
        want = gather.want_of(need)
        for part in stock[need.kind_id]:
            if part.donor is None or part.donor.appliance_id == need.job.appliance_id:
                one = score(gather.offer_of(part), want, known[need.kind_id])
                if one.verdict != "does-not-fit":
                    found.append(Judged(need, part, one))
    return found
