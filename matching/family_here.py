"""What the parts of a family's machines that can be had here say of open needs.

Every part of the same family was found by the keys of every need of its kind and scored; a pair
without a stored match does not fit (matcher.py).
"""

from collections.abc import Collection
from dataclasses import dataclass, field

from django.db.models import Count, Q, Sum

from matching.domain.seen_alike import Seen
from matching.models import Match, Need
from matching.searching import KEPT_PER_NEED
from parts.models import AVAILABLE, Grade, Part

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
    """Return what is here of machines that meet `which` (fields of a donor): at most four queries.

    A need that was not searched for yet, or of which more matches were found than are kept, is
    not told of.
    """
    ours = Q(state__in=AVAILABLE) & ~Q(grade=Grade.SCRAP)
    machine = {f"donor__{name}": value for name, value in which.items()}
    rows = Part.of(workshop_id).filter(ours, **machine).order_by().values_list("kind", "position")
    parts = {(kind, position): n for kind, position, n in rows.annotate(n=Count("id"))}
    if not parts or not need_ids:
        return FamilyHere()
    needs = list(need_ids)
    searched = Need.of(workshop_id).filter(pk__in=needs, searched_at__isnull=False)
    matches = Match.of(workshop_id).filter(need__in=needs).order_by()
    full = matches.values("need").annotate(n=Count("id")).filter(n__gte=KEPT_PER_NEED)
    told = set(searched.values_list("pk", flat=True)) - set(full.values_list("need", flat=True))
    alike = matches.filter(
        Q(part__state__in=AVAILABLE) & ~Q(part__grade=Grade.SCRAP),
        **{f"part__{name}": value for name, value in machine.items()},
    )
    found = alike.values_list("need", "part__kind", "part__position").annotate(fits=Sum("p_fit"))
    serve = {(need, (kind, position)): fits for need, kind, position, fits in found}
    return FamilyHere(parts, serve, frozenset(told))
