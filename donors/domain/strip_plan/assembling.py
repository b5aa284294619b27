"""The graph of one donor: the steps of its kind of machine, and the pieces still in it.

A step that takes out just one piece is that piece's own task; one that takes out several is a
step, and each of its pieces a task of no minutes behind it. Names are unique among steps and
pieces together; the caller sees to it.
"""

from collections.abc import Collection, Iterable, Mapping, Sequence, Set
from dataclasses import dataclass, field, replace

from donors.domain.strip_plan.graph import Needs, Part, Step, StripGraph, Task


@dataclass(frozen=True, slots=True)
class Work:
    """A step by name. rare: only some builds have it; used where no usual way is left.

    on_record: only somebody's word says that it was done, never what was done after it.
    """

    name: str
    minutes: float
    needs: Needs = ()
    rare: bool = False
    on_record: bool = False


@dataclass(frozen=True, slots=True)
class Piece:
    """A part of the donor. ways: steps any of which takes it out; out: it is out already."""

    name: str
    ways: frozenset[str]
    price: float = 0.0
    p_good: float = 1.0
    wanted: bool = False
    out: bool = False


@dataclass(frozen=True)
class Assembly:
    """What is left of a donor.

    done: steps said to be done, or that must have been, since what they lead to is done or out;
    of those that count on record alone, and what lies behind them, only what is said.
    pieces: by task, the pieces it takes out. stuck: pieces in the machine no known way leads to.
    loose: pieces whose way is done though they are still there.
    """

    graph: StripGraph
    done: frozenset[str]
    inferred: frozenset[str]
    pieces: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    stuck: tuple[str, ...] = ()
    loose: tuple[str, ...] = ()


def assemble(
    works: Sequence[Work],
    pieces: Sequence[Piece],
    *,
    done: Set[str] = frozenset(),
    absent: Set[str] = frozenset(),
    rate_per_min: float,
) -> Assembly:
    """Return the graph of what is left. absent: steps this machine, built otherwise, has not.

    Raises ValueRefused for a circle, an unknown need, or minutes that cannot be.
    """
    live = _reachable(works, absent)
    ways = {piece.name: _ways(piece, live) for piece in pieces}
    inferred = _must_be_done(live, pieces, ways, done) - done
    all_done = done | inferred
    open_ = [work for name, work in live.items() if name not in all_done]
    here = [piece for piece in pieces if not piece.out]
    tasks, taken = _tasks(open_, [p for p in here if ways[p.name]], ways, all_done)
    return Assembly(
        graph=StripGraph.of(tasks, rate_per_min=rate_per_min),
        done=frozenset(all_done),
        inferred=frozenset(inferred),
        pieces=taken,
        stuck=tuple(piece.name for piece in here if not ways[piece.name]),
        loose=tuple(piece.name for piece in here if ways[piece.name] & all_done),
    )


def _reachable(works: Sequence[Work], absent: Set[str]) -> dict[str, Work]:
    """Return the steps there are, less those that only absent ones lead to."""
    live = {work.name: work for work in works if work.name not in absent}
    gone = set(absent)
    while True:
        shut = {
            name for name, work in live.items() if any(group <= gone for group in work.needs)
        } - gone
        if not shut:
            break
        gone |= shut
        live = {name: work for name, work in live.items() if name not in shut}
    return {
        name: replace(work, needs=tuple(group - gone for group in work.needs))
        for name, work in live.items()
    }


def _ways(piece: Piece, live: Mapping[str, Work]) -> frozenset[str]:
    """Return the usual ways to a piece; where there is none the rare ones."""
    here = frozenset(way for way in piece.ways if way in live)
    usual = frozenset(way for way in here if not live[way].rare)
    return usual or here


def _must_be_done(
    live: Mapping[str, Work],
    pieces: Iterable[Piece],
    ways: Mapping[str, frozenset[str]],
    done: Set[str],
) -> set[str]:
    """Return the steps on every route to something that is done or out.

    Less those that count on record alone, and those that can only be got at over them: what was
    taken out unsafely does not make what is left safe.
    """
    out = [piece for piece in pieces if piece.out and ways[piece.name]]
    tasks: list[Task] = [Step(work.name, work.minutes, work.needs) for work in live.values()]
    tasks += [Part(piece.name, 0.0, (ways[piece.name],)) for piece in out]
    whole = StripGraph.of(tasks, rate_per_min=0.0)
    found: set[str] = set()
    for name in [*(one for one in done if one in live), *(piece.name for piece in out)]:
        found |= frozenset.intersection(*whole.routes(name))
    unproved = {name for name, work in live.items() if work.on_record} - done
    return {
        name
        for name in found - unproved
        if not unproved & frozenset.intersection(*whole.routes(name))
    }


def _tasks(
    open_: Collection[Work],
    here: Collection[Piece],
    ways: Mapping[str, frozenset[str]],
    done: Set[str],
) -> tuple[list[Task], dict[str, tuple[str, ...]]]:
    taking: dict[str, list[Piece]] = {work.name: [] for work in open_}
    for piece in here:
        if not ways[piece.name] & done:
            for way in ways[piece.name]:
                taking[way].append(piece)
    tasks: list[Task] = []
    taken: dict[str, tuple[str, ...]] = {}
    own: set[str] = set()
    for work in open_:
        needs = _still_needed(work.needs, done)
        only = taking[work.name][0] if len(taking[work.name]) == 1 else None
        if only is not None and len(ways[only.name]) == 1:
            own.add(only.name)
            taken[work.name] = (only.name,)
            tasks.append(Part(work.name, work.minutes, needs, only.price, only.p_good, only.wanted))
        else:
            tasks.append(Step(work.name, work.minutes, needs))
    for piece in here:
        if piece.name not in own:
            taken[piece.name] = (piece.name,)
            needs = _still_needed((ways[piece.name],), done)
            tasks.append(Part(piece.name, 0.0, needs, piece.price, piece.p_good, piece.wanted))
    return tasks, taken


def _still_needed(needs: Needs, done: Set[str]) -> Needs:
    return tuple(group for group in needs if not group & done)
