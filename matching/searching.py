"""Score parts for needs. Reads only; matcher.py stores what is found."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date

from matching import gather
from matching.domain.knowledge import Knowledge
from matching.domain.scoring import Score, score
from matching.domain.sides import Side
from parts.conditions import ConditionBook
from parts.domain.condition import Condition
from parts.models import Part
from parts.selectors import list_available


@dataclass(frozen=True, slots=True)
class Offered:
    """One part for one want: the score, its condition, and what it is worth trying."""

    part: Part
    score: Score
    condition: Condition

    @property
    def worth(self) -> float:
        """P(fit) times P(good): what matches are ranked by."""
        return self.score.p_fit * self.condition.p_good


class Searcher:
    """Scores parts for wants of one workshop; knowledge is read once a kind."""

    def __init__(self, workshop_id: int, *, on: date) -> None:
        self.workshop_id, self.on = workshop_id, on
        self.book = ConditionBook.load(workshop_id, on=on)
        self._known: dict[str, Knowledge] = {}
        self._stock: dict[tuple[str, str], list[Part]] = {}

    def prepare(self, kinds: Iterable[str]) -> None:
        """Read what is known about these kinds at once, instead of one by one when needed."""
        missing = [kind for kind in dict.fromkeys(kinds) if kind not in self._known]
        if missing:
            self._known |= gather.knowledge(self.workshop_id, missing)

    def knowledge(self, kind: str) -> Knowledge:
        self.prepare([kind])
        return self._known[kind]

    def offer(self, part: Part, want: Side) -> Offered:
        """Return one part scored for one want of its kind."""
        found = score(gather.offer_of(part), want, self.knowledge(part.kind_id))
        return Offered(part, found, self.book.condition(part))

    def search(self, kind: str, want: Side, parts: Iterable[Part] | None = None) -> list[Offered]:
        """Return every available part of the kind for a want, best first.

        Parts that do not fit are left out. Ranked by worth, then the dearer evidence, then
        what is already on the shelf, then the cheaper one.
        """
        stock = self.stock(kind, want.machine.appliance) if parts is None else parts
        found = [self.offer(part, want) for part in stock]
        return sorted((one for one in found if one.score.verdict != "does-not-fit"), key=preference)

    def prepare_stock(self, kinds: Iterable[str], appliance: str) -> None:
        """Read the parts of these kinds that can be had for an appliance, at once."""
        missing = [k for k in dict.fromkeys(kinds) if (k, appliance) not in self._stock]
        if not missing:
            return
        self._stock |= {(kind, appliance): [] for kind in missing}
        for part in list_available(self.workshop_id, kinds=missing, appliance=appliance):
            self._stock[part.kind_id, appliance].append(part)

    def stock(self, kind: str, appliance: str) -> list[Part]:
        """Return the parts of a kind that can be had for an appliance (read once)."""
        self.prepare_stock([kind], appliance)
        return self._stock[kind, appliance]


def preference(one: Offered) -> tuple[float, float, bool, float, int]:
    """Sort key, best first."""
    price = one.part.price_cents if one.part.price_cents is not None else 10**9
    return (
        -round(one.worth, 6),
        -one.score.bits,
        one.part.state == Part.State.IN_MACHINE,
        price,
        one.part.pk,
    )
