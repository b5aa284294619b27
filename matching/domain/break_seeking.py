"""Where build breaks are looked for among sightings.

First among all machines of a family (or of one revision), then among those of each model. What a
single model tells of is told of that model: where the others were seen often enough on either
side and do not tell of it, or where among all of them it does not show at all.
"""

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

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
        one
        for scope, rows in sorted(_by_scope(seen, kind).items())
        for one in seek_within(scope, rows, graph, search)
    ]


def seek_within(
    scope: Scope, rows: Sequence[Seen], graph: InterchangeGraph, search: Search
) -> list[FoundBreak]:
    """Return the breaks of one family or revision, then those of single models of it."""
    dated = _dated(rows, graph)
    models = _by_model(rows, dated)
    of_all = find_breaks(dated, search)
    if len(models) < 2:
        return [FoundBreak(scope, one) for one in of_all]
    # One chance of a break before looking, shared by all the places it is looked for in.
    each = replace(search, prior=search.prior / len(models))
    of_one = [
        FoundBreak(replace(scope, model=model), one)
        for model, its in sorted(models.items())
        if model
        for one in find_breaks(its, each)
    ]
    shared = [one for one in of_all if not _is_of_one_model(one, of_one, models, search)]
    own = [one for one in of_one if not _told_of(one.found, shared)]
    return [*(FoundBreak(scope, one) for one in shared), *own]


def _by_model(rows: Sequence[Seen], dated: Sequence[Dated]) -> dict[str, list[Dated]]:
    """Return the sightings by model number; those of an unknown model stand under ""."""
    found: dict[str, list[Dated]] = defaultdict(list)
    for row, one in zip(rows, dated, strict=True):
        found[row.machine.number].append(one)
    return found


def _is_of_one_model(
    one: Break, of_one: Sequence[FoundBreak], models: Mapping[str, list[Dated]], search: Search
) -> bool:
    """Return whether one model tells of a break and the others, seen often enough, do not."""
    tellers = {own.scope.model for own in of_one if own.found.changed.overlaps(one.changed)}
    if len(tellers) != 1:
        return False
    others = [row for model, its in models.items() if model not in tellers for row in its]
    before = sum(row.built.end < one.changed.start for row in others)
    after = sum(row.built.start > one.changed.end for row in others)
    enough = min(before, after) >= search.least_each_side
    return enough and not _told_of(one, find_breaks(others, search))


def _told_of(one: Break, among: Iterable[Break]) -> bool:
    return any(other.changed.overlaps(one.changed) for other in among)


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
        if one.machine.built is not None  # all have one: _by_scope saw to it
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
