"""Score parts for needs. Reads only; matcher.py stores what is found."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from matching import gather
from matching.asking import keys_for
from matching.candidates import tiers_of_parts
from matching.domain.knowledge import Knowledge
from matching.domain.scoring import Score, score
from matching.domain.sides import Side
from matching.memory import WANT, Fixed, Memory
from parts.conditions import ConditionBook
from parts.domain.condition import Condition
from parts.models import Part
from parts.selectors import list_available, list_by_ids

KEPT_PER_NEED = 40
SCORED_AT_ONCE = 300  # pairs of one search; what is left over is scored later (matcher.py)


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

    @property
    def kept(self) -> bool:
        """Whether the pair is worth keeping: it may fit, and some evidence speaks for it."""
        spoken = any(row.bits > 0 for row in self.score.rows if row.evidence != "start")
        return spoken and self.score.verdict != "does-not-fit"


@dataclass(frozen=True, slots=True)
class Searched:
    """What a search found, best first, and the ids of parts its keys found but nobody scored."""

    offered: list[Offered]
    left: list[int]


class Searcher:
    """Scores parts for wants of one workshop; what it reads is kept while it lives."""

    def __init__(self, workshop_id: int, *, on: date) -> None:
        self.workshop_id, self.on = workshop_id, on
        self.book = ConditionBook.load(workshop_id, on=on)
        self.memory = Memory(workshop_id)

    def offer(self, part: Part, want: Side) -> Offered:
        """Return one part scored for one want of its kind."""
        self.memory.read_for([Fixed(part.kind_id, want, WANT)])
        return self.offers([(part, want)])[0]

    def offers(self, pairs: Sequence[tuple[Part, Side]]) -> list[Offered]:
        """Return these pairs scored, in order. One side of each was read for (memory.py)."""
        sides = [(part, gather.offer_of(part), want) for part, want in pairs]
        self.memory.read_families(
            (part.kind_id, (side.machine.make, side.machine.family))
            for part, offer, want in sides
            for side in (offer, want)
            if not side.number and side.machine.make and side.machine.family
        )
        self.memory.read_printed()
        self.book.prepare({part.kind_id for part, *_ in sides})
        return [
            Offered(
                part, score(offer, want, self.memory.known[part.kind_id]), self.book.condition(part)
            )
            for part, offer, want in sides
        ]

    def search(self, kind: str, want: Side) -> Searched:
        """Return the parts of a kind worth keeping for a want, best first.

        Candidates are read a tier at a time. The search ends when a tier has filled the list
        with parts that likely fit: what only weaker keys find is not looked at then.
        """
        [asked] = keys_for(self.memory, [Fixed(kind, want, WANT)])
        seen: set[int] = set()
        found: list[Offered] = []
        left: list[int] = []
        for tier in tiers_of_parts(self.workshop_id, asked, want.machine.appliance):
            new = [pk for pk in tier if pk not in seen]
            room = max(0, SCORED_AT_ONCE - len(seen))
            seen.update(new)
            parts = list_by_ids(self.workshop_id, new[:room])
            found += [one for one in self.offers([(part, want) for part in parts]) if one.kept]
            left += new[room:]
            if sum(one.score.verdict.counts_as_fit for one in found) >= KEPT_PER_NEED:
                break
        return Searched(sorted(found, key=preference), left)

    def knowledge(self, kind: str) -> Knowledge:
        """Return all that is known of a kind. Reads every row of it: for impact.py alone."""
        return gather.knowledge(self.workshop_id, [kind])[kind]

    def stock(self, kind: str, appliance: str) -> list[Part]:
        """Return every part of a kind that can be had: for impact.py alone."""
        return list(list_available(self.workshop_id, kinds=[kind], appliance=appliance))


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
