"""The steps and parts of a donor as a drawing: layers of what comes before what."""

from collections.abc import Iterable
from dataclasses import dataclass
from textwrap import wrap

import networkx as nx

from matching.strip_planning import DonorPlan

WIDE, HIGH, GAP_X, GAP_Y, EDGE = 168, 58, 44, 14, 8
LETTERS = 25  # of a line of a box
DONE, PLANNED, LEFT = "done", "planned", "left"


@dataclass(frozen=True, slots=True)
class Box:
    """A step (square corners) or a part (round ends); state in words and by its line."""

    label: str
    lines: tuple[str, ...]
    state: str
    is_part: bool
    after: str
    x: int
    y: int

    @property
    def middle(self) -> float:
        return self.x + WIDE / 2

    @property
    def right(self) -> float:
        return self.x + WIDE

    @property
    def centre(self) -> float:
        return self.y + HIGH / 2

    @property
    def round(self) -> float:
        return HIGH / 2 if self.is_part else 2

    @property
    def inner_round(self) -> float:
        return HIGH / 2 - 4 if self.is_part else 1

    @property
    def texts(self) -> list[tuple[float, str]]:
        """Return each line of the label with its height, and the state below."""
        lines = [*self.lines, self.state]
        return [(self.y + 17 + 15 * number, text) for number, text in enumerate(lines)]


@dataclass(frozen=True, slots=True)
class Arrow:
    """From what comes before to what comes after; either: one of several ways."""

    x1: float
    y1: float
    x2: float
    y2: float
    either: bool

    @property
    def line(self) -> str:
        """Return the arrow as SVG path data."""
        return f"M{self.x1:g} {self.y1:g} L{self.x2:g} {self.y2:g}"


@dataclass(frozen=True, slots=True)
class Drawing:
    """Sizes in units of the drawing; boxes in reading order."""

    boxes: tuple[Box, ...]
    arrows: tuple[Arrow, ...]
    width: float
    height: float
    box_width: int = WIDE
    box_height: int = HIGH


def draw(found: DonorPlan) -> Drawing:
    """Return a donor's steps and the parts in it, in layers from left to right."""
    graph, words, parts = _graph(found)
    layers = [_in_order(graph, layer) for layer in nx.topological_generations(graph)]
    deepest = max((len(layer) for layer in layers), default=0)
    states = _states(found)
    boxes: dict[str, Box] = {}
    for column, layer in enumerate(_untangled(graph, layers)):
        for row, name in enumerate(layer):
            boxes[name] = Box(
                label=words[name],
                lines=_lines(words[name]),
                state=states.get(name, LEFT),
                is_part=name in parts,
                after=_after(graph, words, name),
                x=EDGE + column * (WIDE + GAP_X),
                y=EDGE + row * (HIGH + GAP_Y),
            )
    arrows = [
        Arrow(boxes[a].right, boxes[a].centre, boxes[b].x, boxes[b].centre, edge["either"])
        for a, b, edge in graph.edges(data=True)
    ]
    return Drawing(
        boxes=tuple(boxes.values()),
        arrows=tuple(arrows),
        width=2 * EDGE + max(len(layers), 1) * (WIDE + GAP_X) - GAP_X,
        height=2 * EDGE + max(deepest, 1) * (HIGH + GAP_Y) - GAP_Y,
    )


def _graph(found: DonorPlan) -> "tuple[nx.DiGraph[str], dict[str, str], set[str]]":
    """Return what leads to what, the words of each, and which are parts."""
    absent = {past.step.name for past in found.absent}
    names = {step.slug: step.name for step in found.steps}
    graph: nx.DiGraph[str] = nx.DiGraph()
    for step in found.steps:
        if step.name not in absent:
            graph.add_node(step.name)
            for group in step.needs:
                here = [names[one] for one in group if names[one] not in absent]
                graph.add_edges_from(((one, step.name) for one in here), either=len(here) > 1)
    words = {name: name for name in graph}
    parts: set[str] = set()
    for line in (*found.lines, *found.others):
        for one in line.parts:
            ref = one.value.part.ref
            words[ref] = one.value.label
            parts.add(ref)
            graph.add_edge(line.step.name, ref, either=False)
    for ref in parts:
        ways = list(graph.predecessors(ref))
        for way in ways:
            graph.edges[way, ref]["either"] = len(ways) > 1
    return graph, words, parts


def _states(found: DonorPlan) -> dict[str, str]:
    states = {past.step.name: DONE for past in found.past}
    states |= {line.step.name: PLANNED for line in found.lines}
    for line in found.lines:
        states |= {one.value.part.ref: PLANNED for one in line.parts if one.planned}
    return states


def _in_order(graph: "nx.DiGraph[str]", layer: Iterable[str]) -> list[str]:
    place = {name: number for number, name in enumerate(graph)}
    return sorted(layer, key=lambda name: place[name])


def _untangled(graph: "nx.DiGraph[str]", layers: list[list[str]]) -> list[list[str]]:
    """Order each layer by the middle of what leads to it, so that fewer lines cross."""
    height: dict[str, float] = {}
    found = []
    for layer in layers:
        middle = {name: _middle(graph, height, name) for name in layer}
        ordered = sorted(layer, key=lambda name: middle[name])
        height |= {name: number for number, name in enumerate(ordered)}
        found.append(ordered)
    return found


def _middle(graph: "nx.DiGraph[str]", height: dict[str, float], name: str) -> float:
    before = [height[one] for one in graph.predecessors(name)]
    return sum(before) / len(before) if before else 0.0


def _after(graph: "nx.DiGraph[str]", words: dict[str, str], name: str) -> str:
    """Return in words what a box comes after."""
    either = [words[a] for a, _, edge in graph.in_edges(name, data=True) if edge["either"]]
    always = [words[a] for a, _, edge in graph.in_edges(name, data=True) if not edge["either"]]
    return "; ".join([*always, *([" or ".join(either)] if either else [])])


def _lines(label: str) -> tuple[str, ...]:
    """Return a label on at most two lines."""
    lines = wrap(label, LETTERS) or [""]
    if len(lines) > 2:
        return lines[0], lines[1][: LETTERS - 1] + "…"
    return tuple(lines)
