"""The strip plan as people read it: what in which order, what each part bears, why others stay."""

from collections.abc import Iterator, Set
from dataclasses import dataclass

from donors.domain.strip_plan import choosing
from donors.domain.strip_plan.graph import Part, StripGraph

_NOTHING = 1e-6


@dataclass(frozen=True, slots=True)
class Line:
    """One task in its place.

    starts_min: minutes into the work. worth: price x P(good), 0 for a step. share_min: the
    minutes of access this part bears, each step split evenly among the parts behind it. net:
    worth less own minutes and share. frees: the parts of the plan a step gives access to.
    """

    name: str
    starts_min: float
    minutes: float
    is_part: bool
    wanted: bool = False
    worth: float = 0.0
    share_min: float = 0.0
    net: float = 0.0
    frees: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Left:
    """A part that stays on. gain: what it would bring beyond the plan; minutes: with access."""

    name: str
    gain: float
    minutes: float
    why: str


@dataclass(frozen=True, slots=True)
class Plan:
    """value: worth of the parts less every minute; worth is before P(good) is known for sure."""

    lines: tuple[Line, ...]
    left: tuple[Left, ...]
    value: float
    minutes: float
    within_min: float | None


def plan(graph: StripGraph, *, within_min: float | None = None) -> Plan:
    """Return the best plan, without a time limit or within minutes. Raises ValueRefused."""
    chosen = choosing.best(graph, within_min=within_min)
    access = access_within(graph, chosen)
    minutes = graph.minutes(chosen)
    return Plan(
        lines=tuple(_lines(graph, in_order(graph, access), access)),
        left=tuple(_left(graph, chosen, within_min)),
        value=graph.value(chosen),
        minutes=minutes,
        within_min=within_min,
    )


def access_within(graph: StripGraph, chosen: Set[str]) -> dict[str, Set[str]]:
    """Return for each chosen part the tasks of the plan that give access to it."""
    return {
        part.name: graph.shortest_route(part.name, done=frozenset(), within=chosen)
        for part in graph.parts
        if part.name in chosen
    }


def in_order(graph: StripGraph, access: dict[str, Set[str]]) -> list[str]:
    """Return the tasks so that access comes before what it frees.

    Parts a job waits for first, with only the access they need; then what brings most a minute.
    """
    done: list[str] = []
    open_ = set(access)
    while open_:
        name = min(open_, key=lambda one: _turn(graph, one, access[one] - set(done)))
        done += _with_access(graph, name, access[name] - set(done))
        open_ -= set(done)
    return done


def _turn(graph: StripGraph, name: str, missing: Set[str]) -> tuple[bool, float, str]:
    part = graph.tasks[name]
    minutes = part.minutes + graph.minutes(missing)
    wanted = isinstance(part, Part) and part.wanted
    return (not wanted, -part.worth / max(minutes, _NOTHING), name)


def _with_access(graph: StripGraph, name: str, missing: Set[str]) -> list[str]:
    """Return what is missing and the part itself, each after what it needs."""
    todo = set(missing)
    placed: list[str] = []
    while todo:
        ready = [one for one in sorted(todo) if not _waits(graph, one, todo)]
        placed += ready
        todo -= set(ready)
    return [*placed, name]


def _waits(graph: StripGraph, name: str, todo: Set[str]) -> bool:
    """Return True while what a task needs is still to be done, by whichever way."""
    return any(group & todo for group in graph.tasks[name].needs)


def _lines(graph: StripGraph, order: list[str], access: dict[str, Set[str]]) -> Iterator[Line]:
    behind = {name: tuple(part for part in order if name in access.get(part, ())) for name in order}
    clock = 0.0
    for name in order:
        task = graph.tasks[name]
        if isinstance(task, Part):
            steps = [one for one in access[name] if not isinstance(graph.tasks[one], Part)]
            share = sum(graph.tasks[one].minutes / len(behind[one]) for one in steps)
            net = task.worth - graph.rate_per_min * (task.minutes + share)
            yield Line(
                name, clock, task.minutes, True, task.wanted, task.worth, share, net, behind[name]
            )
        else:
            yield Line(name, clock, task.minutes, False, frees=behind[name])
        clock += task.minutes


def _left(graph: StripGraph, chosen: Set[str], within_min: float | None) -> Iterator[Left]:
    spare = None if within_min is None else within_min - graph.minutes(chosen)
    for part in graph.parts:
        if part.name not in chosen:
            ways = [route - chosen for route in graph.routes(part.name)]
            missing = max(ways, key=graph.value)
            minutes = part.minutes + graph.minutes(missing)
            gain = graph.value(missing) + graph.weight(part.name)
            behind = f" with {', '.join(sorted(missing))}" if missing else ""
            why = _why(f"{minutes:g} min{behind}", gain, graph.rate_per_min * minutes, spare)
            yield Left(part.name, gain, minutes, why)


def _why(work: str, gain: float, cost: float, spare: float | None) -> str:
    """Return why a part stays. gain: what it brings less cost; spare: the minutes left over."""
    if gain + cost <= _NOTHING:
        return f"worth nothing: {work} would bring no money"
    if gain <= _NOTHING or spare is None:
        return f"does not pay: {work} cost {cost:.2f}, it brings {gain + cost:.2f}"
    return f"no time: {work} would bring {gain:.2f} more, but {spare:g} min are left"
