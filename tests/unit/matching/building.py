"""Sides, kinds and knowledge for the tests of the engine. Made-up makes and numbers only."""

from collections.abc import Iterable, Sequence
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

from donors.domain.machines import Machine
from matching.domain.knowledge import Knowledge
from matching.domain.outcomes import Past
from matching.domain.rules import ApprovedRule
from matching.domain.sides import Side
from matching.domain.sightings import Seen
from matching.domain.weights import Weights
from parts.domain.interchange import Edge, InterchangeGraph
from parts.domain.kinds import Attribute, Kind
from parts.domain.part_numbers import Printed
from tests.unit.reference import read
from workshop.domain.intervals import Interval

TABLE: dict[str, Any] = read("evidence")
WEIGHTS = Weights(TABLE)
CLASSES: list[str] = TABLE["classes"]

ATTRIBUTES = {
    one.name: one
    for one in (
        Attribute("voltage_v", number=True, tolerance_rel=0.1, hard=True),
        Attribute("power_w", number=True, tolerance_rel=0.1),
        Attribute("spigot_mm", number=True, tolerance_abs=0.5),
        Attribute("mount"),
        Attribute("connector"),
        Attribute("colour"),
        Attribute("output"),
    )
}


def kind(fit_class: str = "exact-only", **changes: Any) -> Kind:
    """Return a kind for which family, series and revision decide."""
    made = Kind(
        slug="control-board",
        name="Control board",
        fit_class=fit_class,
        matters=frozenset({"family", "series", "revision"}),
        attributes=ATTRIBUTES,
    )
    return replace(made, **changes)


def machine(text: str = "M2W 90 246 S 4", **changes: Any) -> Machine:
    """Return a washing machine of Velthane from "family size series colour revision".

    A field written as ? was not read.
    """
    names = ("family", "size", "series", "colour", "revision")
    fields = {n: v for n, v in zip(names, text.split(), strict=True) if v != "?"}
    made = Machine(
        appliance="washing-machine",
        make="Velthane",
        number="".join(fields.values()),
        fields=fields,
        family=fields.get("family", ""),
    )
    return replace(made, **changes)


def built(year: float, days: int = 30) -> Interval:
    """Return a build interval of so many days from a year and its fraction."""
    start = date(int(year), 1, 1) + timedelta(days=round((year % 1) * 365))
    return Interval(start, start + timedelta(days=days))


def side(
    number: str = "", of: Machine | None = None, position: str = "", **attributes: str
) -> Side:
    """Return one side of a match."""
    return Side(Printed.of(number), position, attributes, of if of is not None else Machine())


def knowledge(
    of: Kind | None = None,
    *,
    edges: Iterable[Edge] = (),
    rules: Sequence[ApprovedRule] = (),
    seen: Iterable[Seen] = (),
    pasts: Iterable[Past] = (),
) -> Knowledge:
    found = Knowledge(of or kind(), WEIGHTS, InterchangeGraph.of(edges), rules)
    found.sightings.add_all(seen)
    found.outcomes.add_all(pasts)
    return found


def seen(number: str, of: Machine, times: int = 1, position: str = "") -> list[Seen]:
    return [Seen(number, of, position)] * times


def pasts(offer: Side, want: Side, fits: int, misses: int = 0) -> list[Past]:
    return [Past(offer, want, True)] * fits + [Past(offer, want, False)] * misses
