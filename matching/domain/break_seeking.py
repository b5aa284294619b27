"""Where build breaks are looked for among sightings."""

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from donors.domain.model_numbers import folded
from matching.domain.breaks import Break, Dated, Search, find_breaks
from matching.domain.known_breaks import KnownBreak, Scope
from matching.domain.sightings import Seen
from parts.domain.interchange import InterchangeGraph
from parts.domain.kinds import Kind

LEAST_SURE = 0.5  # a machine recognised with less certainty teaches no break


@dataclass(frozen=True, slots=True)
class FoundBreak:
    """A break and where it holds."""

    scope: Scope
    found: Break

    def known(self) -> KnownBreak:
        one = self.found
        return KnownBreak(self.scope, one.changed, one.numbers_before, one.numbers_after)


def seek(
    seen: Iterable[Seen], kind: Kind, graph: InterchangeGraph, search: Search
) -> list[FoundBreak]:
    """Return the breaks the sightings of one kind tell of, by scope and date."""
    return [
        FoundBreak(scope, found)
        for scope, rows in sorted(_by_scope(seen, kind).items())
        for found in find_breaks(_dated(rows, graph), search)
    ]


def _by_scope(seen: Iterable[Seen], kind: Kind) -> dict[Scope, list[Seen]]:
    """Return the sightings that can teach a break.

    Where the revision matters for the kind each revision is looked at by itself; elsewhere it
    is one of the plate fields that may explain a difference better than a date.
    """
    found: dict[Scope, list[Seen]] = defaultdict(list)
    for one in seen:
        at = one.machine
        if at.make and at.family and at.built is not None and at.sure >= LEAST_SURE:
            revision = at.revision if "revision" in kind.matters else ""
            found[Scope(at.make, at.family, revision)].append(one)
    return found


def _dated(rows: Sequence[Seen], graph: InterchangeGraph) -> list[Dated]:
    """Return sightings as the search reads them.

    Numbers that differ by look-alike characters are taken for the most seen of them, and
    numbers that interchange both ways for one: neither is a change of the part.
    """
    name = _names(Counter(one.number for one in rows), graph)
    return [
        Dated(name[one.number], one.machine.built, _fields(one))
        for one in rows
        if one.machine.built is not None
    ]


def _names(counts: Counter[str], graph: InterchangeGraph) -> dict[str, str]:
    by_look: dict[str, str] = {}
    leaders: list[str] = []
    names: dict[str, str] = {}
    for number in sorted(counts, key=lambda n: (-counts[n], n)):
        one = by_look.setdefault(folded(number), number)
        same = (n for n in leaders if graph.serves(n, one) and graph.serves(one, n))
        names[number] = leader = next(same, one)
        if leader == number:
            leaders.append(number)
    return names


def _fields(one: Seen) -> dict[str, str]:
    fields = {name: value for name, value in one.machine.fields.items() if name != "family"}
    return {**fields, "position": one.position} if one.position else fields
