"""Score parts for needs. Reads only; matcher.py stores what is found."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date

from matching import gather
from matching.asking import Asked, keys_for
from matching.candidates import parts_ever, parts_far, parts_near
from matching.domain.knowledge import Knowledge
from matching.domain.scoring import Score, score
from matching.domain.sides import Side
from matching.memory import OFFER, WANT, Fixed, Memory
from parts.conditions import ConditionBook
from parts.domain.condition import Condition
from parts.models import Part
from parts.selectors import list_available
from parts.stock import AnyPart, StockPart, read_stock

KEPT_PER_NEED = 40
COUNTED_AT_ONCE = 300  # parts that ever came in, scored for one want's odds of waiting
SCORED_AT_ONCE = 100  # pairs of one search; what is left over is scored later (matcher.py)


@dataclass(frozen=True, slots=True)
class Offered:
    """One part for one want: the score, its condition, and what it is worth trying."""

    part: AnyPart
    score: Score
    condition: Condition

    @property
    def worth(self) -> float:
        """P(fit) times P(good): what matches are ranked by."""
        return self.score.p_fit * self.condition.p_good

    @property
    def kept(self) -> bool:
        """Whether the pair is worth keeping: it may fit, and evidence that has a key says so."""
        return self.score.spoken_for and self.score.verdict != "does-not-fit"


@dataclass(frozen=True, slots=True)
class Searched:
    """What a search found, best first, and the ids of parts its keys found but nobody scored.

    far_left: the strong keys left no room, so that the weak ones were not looked up.
    """

    offered: list[Offered]
    left: list[int]
    scored: frozenset[int] = frozenset()
    far_left: bool = False


@dataclass(slots=True)
class _Round:
    """What was found for one want so far."""

    want: Side
    most: int
    seen: set[int] = field(default_factory=set)
    found: list[Offered] = field(default_factory=list)
    left: list[int] = field(default_factory=list)
    looks: int = 0

    def searched(self) -> Searched:
        far_left = self.looks < 2 and not self.filled
        scored = frozenset(self.seen - set(self.left))
        return Searched(sorted(self.found, key=preference), self.left, scored, far_left)

    @property
    def full(self) -> bool:
        return len(self.seen) >= self.most

    @property
    def filled(self) -> bool:
        return sum(one.score.verdict.counts_as_fit for one in self.found) >= KEPT_PER_NEED

    def take(self, candidates: Sequence[int]) -> list[int]:
        """Return the new ones to be scored now; the others are left for later."""
        new = [pk for pk in candidates if pk not in self.seen]
        room = max(0, self.most - len(self.seen))
        self.seen.update(new)
        self.left += new[room:]
        return new[:room]


class Searcher:
    """Scores parts for wants of one workshop; what it reads is kept while it lives."""

    def __init__(self, workshop_id: int, *, on: date) -> None:
        self.workshop_id, self.on = workshop_id, on
        self.book = ConditionBook.load(workshop_id, on=on)
        self.memory = Memory(workshop_id)
        self._keys: dict[int, Asked] = {}

    def offer(self, part: AnyPart, want: Side) -> Offered:
        """Return one part scored for one want of its kind."""
        self.memory.read_for([Fixed(part.kind_id, want, WANT)])
        return self.offers([(part, want)])[0]

    def offers(self, pairs: Sequence[tuple[AnyPart, Side]]) -> list[Offered]:
        """Return these pairs scored, in order. One side of each was read for (memory.py)."""
        sides = [(part, gather.offer_of(part), want) for part, want in pairs]
        self.memory.read_families(
            (part.kind_id, (side.machine.make, side.machine.family))
            for part, offer, want in sides
            for side in (offer, want)
            if not side.number and side.machine.make and side.machine.family
        )
        both = [(part.kind_id, side) for part, offer, want in sides for side in (offer, want)]
        self.memory.read_noted(both)
        self.memory.read_printed(both)
        self.book.prepare({part.kind_id for part, *_ in sides})
        return [
            Offered(
                part, score(offer, want, self.memory.known[part.kind_id]), self.book.condition(part)
            )
            for part, offer, want in sides
        ]

    def keys_of(self, parts: Sequence[StockPart]) -> list[Asked]:
        """Return the keys of parts on offer, in order."""
        new = [part for part in parts if part.pk not in self._keys]
        fixed = [Fixed(part.kind_id, gather.offer_of(part), OFFER) for part in new]
        self._keys |= zip((part.pk for part in new), keys_for(self.memory, fixed), strict=True)
        return [self._keys[part.pk] for part in parts]

    def search(
        self, wanted: Sequence[tuple[str, Side]], *, most: int | None = None
    ) -> list[Searched]:
        """Return, for each (kind, want), the parts worth keeping, best first.

        Parts of the same number, model or family come first. A want whose list they fill with
        parts that likely fit ends there: what only weaker keys find is not looked at then.
        The number of queries depends neither on the stock nor on how many are wanted.
        most: pairs scored for each want; the others its keys found are told as left, and weak
        keys are not looked up where the strong ones fill it.
        """
        fixed = [Fixed(kind, want, WANT) for kind, want in wanted]
        asked = dict(enumerate(keys_for(self.memory, fixed)))
        room = SCORED_AT_ONCE if most is None else most
        rounds = [_Round(want, room) for _, want in wanted]
        for look in (parts_near, parts_far):
            unfilled = {i: asked[i] for i in asked if not rounds[i].filled and not rounds[i].full}
            if unfilled:
                places = {i: rounds[i].want.machine.appliance for i in unfilled}
                self._score(rounds, look(self.workshop_id, unfilled, places))
                for i in unfilled:
                    rounds[i].looks += 1
        return [one.searched() for one in rounds]

    def ever(
        self, wanted: Sequence[tuple[str, Side]], *, since: date, most: int = COUNTED_AT_ONCE
    ) -> list[list[Offered]]:
        """Return, for each (kind, want), parts that came in since a day and could have served.

        Whether they can be had still does not matter. Found by the same keys and scored as in
        `search`; of more than `most` the latest.
        """
        fixed = [Fixed(kind, want, WANT) for kind, want in wanted]
        asked = dict(enumerate(keys_for(self.memory, fixed)))
        places = {i: want.machine.appliance for i, (_, want) in enumerate(wanted)}
        found = parts_ever(self.workshop_id, asked, places, since=since)
        taken = [(i, pk) for i in sorted(found) for pk in sorted(found[i])[-most:]]
        parts = read_stock(self.workshop_id, {pk for _, pk in taken})
        offers = self.offers([(parts[pk], wanted[i][1]) for i, pk in taken])
        rows: list[list[Offered]] = [[] for _ in wanted]
        for (i, _), one in zip(taken, offers, strict=True):
            if one.kept:
                rows[i].append(one)
        return rows

    def _score(self, rounds: "Sequence[_Round]", candidates: Mapping[int, list[int]]) -> None:
        """Score what was found for each round and was not scored yet, as far as there is room."""
        taken = [(i, pk) for i in sorted(candidates) for pk in rounds[i].take(candidates[i])]
        parts = read_stock(self.workshop_id, {pk for _, pk in taken})
        offers = self.offers([(parts[pk], rounds[i].want) for i, pk in taken])
        for (i, _), one in zip(taken, offers, strict=True):
            if one.kept:
                rounds[i].found.append(one)

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
