"""What the parts of a family's machines that can be had here say of open needs.

Every part of the same family that was matched was found by the keys of every need of its kind and
scored; a pair without a stored match does not fit (matcher.py).
"""

from collections import Counter, defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass, field

from django.db.models import Count, Q

from donors.events import DONOR_RECEIVED
from matching.domain.comparisons import FAMILY_SURE
from matching.domain.seen_alike import Seen
from matching.events import FAR_LEFT
from matching.models import Match, Need
from matching.searching import KEPT_PER_NEED
from parts.events import PARTS_ARRIVED
from parts.models import AVAILABLE, Grade, Part
from workshop.models import OutboxEvent

Slot = tuple[str, str]  # kind, position


@dataclass(frozen=True, slots=True)
class FamilyHere:
    """parts: how many there are, by kind and position. serve: the sum of P(fit) of those stored.

    told: the needs of which all matches are on record.
    """

    parts: dict[Slot, int] = field(default_factory=dict)
    serve: dict[tuple[int, Slot], float] = field(default_factory=dict)
    told: frozenset[int] = frozenset()

    def seen(self, need: int, slot: Slot, predicted: float) -> Seen:
        """Return what the machines here say of a need that a part of this slot may serve."""
        if need not in self.told:
            return Seen(predicted, 0.0, 0.0)
        return Seen(predicted, self.parts.get(slot, 0), self.serve.get((need, slot), 0.0))


def read(workshop_id: int, which: dict[str, str], need_ids: Collection[int]) -> FamilyHere:
    """Return what is here of machines that meet `which` (fields of a donor): at most five queries.

    A machine whose plate is read less surely than the engine asks to know a family, and one that
    is still to be matched, is no witness. A need that was not searched for yet, or of which more
    matches were found than are kept, is not told of.
    """
    ours = Q(state__in=AVAILABLE) & ~Q(grade=Grade.SCRAP)
    machine = {f"donor__{name}": value for name, value in which.items()}
    rows = Part.of(workshop_id).filter(ours, donor__certainty__gte=FAMILY_SURE, **machine)
    here = list(rows.order_by().values_list("pk", "donor", "kind", "position"))
    if not here or not need_ids:
        return FamilyHere()
    slots = _matched(workshop_id, here)  # before the matches: an event ends with those it stores
    needs = list(need_ids)
    searched = Need.of(workshop_id).filter(pk__in=needs, searched_at__isnull=False)
    matches = Match.of(workshop_id).filter(need__in=needs).order_by()
    full = matches.values("need").annotate(n=Count("id")).filter(n__gte=KEPT_PER_NEED)
    told = set(searched.values_list("pk", flat=True)) - set(full.values_list("need", flat=True))
    alike = matches.filter(**{f"part__{name}": value for name, value in machine.items()})
    found = alike.values_list("need", "part", "p_fit")
    serve: dict[tuple[int, Slot], float] = defaultdict(float)
    for need, part, p_fit in found:
        if part in slots:
            serve[need, slots[part]] += p_fit
    return FamilyHere(dict(Counter(slots.values())), dict(serve), frozenset(told))


def _matched(workshop_id: int, here: Iterable[tuple[int, int, str, str]]) -> dict[int, Slot]:
    """Return the slot of each part that no open event, nor one given up on, will match."""
    arrivals = (DONOR_RECEIVED, PARTS_ARRIVED, FAR_LEFT)
    news = OutboxEvent.of(workshop_id).filter(kind__in=arrivals).order_by()
    # Two halves, for each has an index and both together have none.
    waiting = news.filter(done_at__isnull=True, dead_at__isnull=True).values_list("payload")
    failed = news.filter(dead_at__isnull=False).values_list("payload")
    donors: set[int] = set()
    parts: set[int] = set()
    for (payload,) in waiting.union(failed, all=True):
        donors.add(payload.get("donor_id", 0))
        parts.update(payload.get("part_ids", ()))
    return {
        part: (kind, position)
        for part, donor, kind, position in here
        if donor not in donors and part not in parts
    }
