"""Find the parts a need may be served by, and the needs a part may serve, by indexed keys alone.

Candidates come in tiers, strongest keys first. What is found is then scored; nothing here says
that a pair fits. The number of queries does not depend on how much is stored.
"""

from collections import defaultdict
from collections.abc import Container, Iterable, Iterator, Mapping, Sequence
from typing import Any

from django.db.models import Count, F, Q, QuerySet

from donors.domain.recognising import similarity
from donors.models import Donor
from matching.asking import Asked, Place
from matching.domain.comparisons import ALIKE
from matching.models import Job, Need, NeedKey
from parts.models import AVAILABLE, Grade, Part, PartKey
from parts.selectors import available_rows

# Tested parts before others, then what is on the shelf: among equals the surer comes first.
_GRADES = {Grade.TESTED_GOOD: 0, Grade.TESTED_WORN: 1}
NUMBER, MACHINE, FAR, WIDE, ATTRIBUTE = range(5)


def tiers_of_parts(workshop_id: int, asked: Asked, appliance: str) -> Iterator[list[int]]:
    """Yield ids of parts that can be had, a tier at a time, best by their keys first.

    A part may stand in several tiers. appliance "": any. Tiers are read as they are asked for:
    by number, by machine, by what was seen or fitted elsewhere, by rule, by attributes.
    """
    stock = _Stock(workshop_id, asked.kind, appliance)
    yield _in_order(stock.by_number(asked))
    yield _in_order(stock.by_machine(asked))
    if asked.far:
        yield _in_order(stock.in_places(_families(asked.far)))
    if asked.wide:
        yield _in_order(stock.by_rule(asked))
    if asked.attributes:
        yield stock.by_attributes(asked)


_Found = tuple[int, str, str, int | None]  # id, grade, state, donor
_FACTS = ("id", "grade", "state", "donor_id")


def _in_order(rows: Iterable[_Found], first: Container[int | None] = ()) -> list[int]:
    """Return ids: parts of the donors named, then tested ones, then those out of a machine."""
    ranked = {
        (donor not in first, _GRADES.get(grade, 2), state == Part.State.IN_MACHINE, pk)
        for pk, grade, state, donor in rows
    }
    return [pk for *_, pk in sorted(ranked)]


class _Stock:
    """The parts of one kind that can be had for one appliance."""

    def __init__(self, workshop_id: int, kind: str, appliance: str) -> None:
        self.workshop_id, self.kind, self.appliance = workshop_id, kind, appliance
        self.rows = available_rows(workshop_id, kinds=[kind], appliance=appliance)

    def by_number(self, asked: Asked) -> Iterator[_Found]:
        for column, values in (("number_folded", asked.numbers), ("number_stem", asked.stems)):
            if values:
                yield from self.rows.filter(**{f"{column}__in": values}).values_list(*_FACTS)

    def by_machine(self, asked: Asked) -> list[_Found]:
        models = asked.models | _alike(Donor, self.workshop_id, asked)
        return self.in_places(_families(asked.near) | _models(models))

    def in_places(self, where: Q) -> list[_Found]:
        """Return the parts of donors whose machine meets a condition: two queries.

        The donors are named one by one: the plan then never depends on what is guessed of them.
        """
        if not where:
            return []
        donors = Donor.of(self.workshop_id).filter(where)
        if self.appliance:
            donors = donors.filter(appliance=self.appliance)
        ids = list(donors.order_by().values_list("id", flat=True))
        rows = available_rows(self.workshop_id, kinds=[self.kind])
        return list(rows.filter(donor_id__in=ids).values_list(*_FACTS)) if ids else []

    def by_rule(self, asked: Asked) -> list[_Found]:
        if (None, None) in asked.wide:
            return list(self.rows.values_list(*_FACTS))
        return self.in_places(_named(asked.wide))

    def by_attributes(self, asked: Asked) -> list[int]:
        """Return the parts that share a key, those that share more first."""
        rows = PartKey.of(self.workshop_id).filter(
            key__in=asked.attributes, part__state__in=AVAILABLE
        )
        rows = rows.exclude(part__grade=Grade.SCRAP)
        if self.appliance:
            of_any = Q(part__donor__isnull=True)
            rows = rows.filter(Q(part__donor__appliance=self.appliance) | of_any)
        counted = rows.order_by().values("part_id").annotate(shared=Count("id"))
        ordered = counted.order_by("-shared", "part_id")
        return [pk for pk, _ in ordered.values_list("part_id", "shared")]


def _families(places: set[Place]) -> Q:
    """Return the condition of machines in these families, a term for each make."""
    by_make: dict[int, set[str]] = defaultdict(set)
    for make, family in places:
        by_make[make].add(family)
    which = Q()
    for make in sorted(by_make):
        which |= Q(make=make, family__in=sorted(by_make[make]))
    return which


def _models(models: set[tuple[int, str]]) -> Q:
    by_make: dict[int, set[str]] = defaultdict(set)
    for make, number in models:
        by_make[make].add(number)
    which = Q()
    for make in sorted(by_make):
        which |= Q(make=make, number_key__in=sorted(by_make[make]))
    return which


def _named(wide: set[tuple[int | None, str | None]]) -> Q:
    which = Q()
    for make, family in sorted(wide, key=str):
        told = {"make": make, "family": family}
        which |= Q(**{name: value for name, value in told.items() if value is not None})
    return which


def _alike(table: Any, workshop_id: int, asked: Asked) -> set[tuple[int, str]]:
    """Return the model numbers of a make that read like the one asked for."""
    if asked.alike is None:
        return set()
    make, family, number = asked.alike
    rows = table.of(workshop_id).filter(make=make)
    if family is not None:
        rows = rows.filter(family=family)
    numbers = rows.order_by().values_list("number_key", flat=True).distinct()
    return {(make, one) for one in numbers if similarity(one, number) >= ALIKE}


def needs_for(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> dict[int, dict[int, int]]:
    """Return, for each open need found, the parts it was found for and by which tier.

    asked and appliances are by part id; a part without a machine is of any appliance ("").
    Six queries at most, however many parts and needs.
    """
    found: dict[int, dict[int, int]] = defaultdict(dict)
    for tier, (need_id, appliance), parts in _needs_by_tier(workshop_id, asked):
        for part_id in parts:
            if appliances[part_id] in ("", appliance):
                found[need_id].setdefault(part_id, tier)
    return found


_NeedRow = tuple[int, tuple[int, str], Sequence[int]]


def _needs_by_tier(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_NeedRow]:
    kinds = sorted({one.kind for one in asked.values()})
    waiting = Need.of(workshop_id).filter(
        kind__in=kinds, state=Need.State.OPEN, job__state=Job.State.OPEN
    )
    for column, name in (("number_folded", "numbers"), ("number_stem", "stems")):
        by = _by_key(asked, name)
        values = sorted({value for _, value in by})
        rows = waiting.filter(**{f"{column}__in": values}) if values else waiting.none()
        for pk, appliance, kind, value in rows.values_list(
            "id", "job__appliance_id", "kind_id", column
        ):
            yield NUMBER, (pk, appliance), by.get((kind, value), ())
    yield from _needs_by_machine(workshop_id, waiting, asked)
    yield from _needs_by_attributes(workshop_id, asked)


def _by_key(asked: Mapping[int, Asked], name: str) -> dict[tuple[str, Any], list[int]]:
    """Return the parts that ask for a key, by kind and key."""
    found: dict[tuple[str, Any], list[int]] = defaultdict(list)
    for part_id, one in asked.items():
        for value in getattr(one, name):
            found[one.kind, value].append(part_id)
    return found


def _needs_by_machine(
    workshop_id: int, waiting: QuerySet[Need], asked: Mapping[int, Asked]
) -> Iterator[_NeedRow]:
    """Yield the needs of jobs whose machine meets a key: the jobs first, then their needs."""
    alike = {}
    for one in asked.values():
        if one.alike is not None and one.alike not in alike:
            alike[one.alike] = _alike(Job, workshop_id, one)
    for one in asked.values():
        if one.alike is not None:
            one.models |= alike[one.alike]
    everything = any((None, None) in one.wide for one in asked.values())
    where = Q()
    for one in asked.values():
        where |= _families(one.near | one.far) | _models(one.models)
        where |= _named(one.wide - {(None, None)})
    rows = waiting
    if not everything:
        if not where:
            return
        jobs = Job.of(workshop_id).filter(where, state=Job.State.OPEN)
        rows = rows.filter(job_id__in=list(jobs.order_by().values_list("id", flat=True)))
    by = {name: _by_key(asked, name) for name in ("near", "far", "models", "wide")}
    columns = ("id", "kind_id", "job__appliance_id", "job__make_id", "job__family")
    for pk, kind, appliance, make, family, number in rows.values_list(*columns, "job__number_key"):
        there = (pk, appliance)
        yield MACHINE, there, by["near"].get((kind, (make, family)), ())
        yield MACHINE, there, by["models"].get((kind, (make, number)), ())
        yield FAR, there, by["far"].get((kind, (make, family)), ())
        for place in ((make, family), (make, None), (None, family), (None, None)):
            yield WIDE, there, by["wide"].get((kind, place), ())


def _needs_by_attributes(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_NeedRow]:
    keys = {key for one in asked.values() for key in one.attributes}
    if not keys:
        return
    by = _by_key(asked, "attributes")
    rows = NeedKey.of(workshop_id).filter(
        key__in=keys, need__state=Need.State.OPEN, need__job__state=Job.State.OPEN
    )
    columns = (F("need_id"), F("need__kind_id"), F("need__job__appliance_id"), F("key"))
    for pk, kind, appliance, key in rows.order_by().values_list(*columns):
        yield ATTRIBUTE, (pk, appliance), by.get((kind, key), ())
