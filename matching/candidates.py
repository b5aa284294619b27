"""Find the parts a need may be served by, and the needs a part may serve, by indexed keys alone.

Candidates come in tiers, strongest keys first. What is found is then scored; nothing here says
that a pair fits. The number of queries does not depend on how much is stored.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

from django.db.models import F, Q, QuerySet

from donors.domain.recognising import similarity
from donors.models import Donor
from matching.asking import Asked, Place
from matching.domain.comparisons import ALIKE
from matching.models import Job, Need, NeedKey
from parts.models import AVAILABLE, Grade, Part, PartKey
from parts.selectors import available_rows

# Strongest keys first.
NUMBER, MODEL, FAMILY, FAR, WIDE, ATTRIBUTE = range(6)
# Tested parts before others: among equals the surer comes first.
_GRADES: dict[str, int] = {Grade.TESTED_GOOD: 0, Grade.TESTED_WORN: 1}

Seen = tuple[str, str, str, str]  # kind, appliance ("" without a machine), grade, state
_PartRow = tuple[int, int, Seen, Sequence[int]]  # tier, id, what it is, for which asked


def parts_near(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> dict[int, list[int]]:
    """Return, for each asked, parts that can be had of its number, model or family.

    Best by their keys first. asked and appliances go by any id; appliance "" is any.
    Four queries at most (one more for a make of which only numbers are known), however many
    are asked and however much is stored.
    """
    rows = chain(_parts_by_number(workshop_id, asked), _parts_by_machine(workshop_id, asked))
    return _in_order(rows, appliances)


def parts_far(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> dict[int, list[int]]:
    """Return parts that only weaker keys find: seen or fitted elsewhere, rules, attributes."""
    rows = chain(
        _parts_in(workshop_id, asked, ((FAR, "far"), (WIDE, "wide"))),
        _parts_by_rule(workshop_id, asked),
        _parts_by_attributes(workshop_id, asked),
    )
    return _in_order(rows, appliances)


def _in_order(rows: Iterable[_PartRow], appliances: Mapping[int, str]) -> dict[int, list[int]]:
    """Return ids by who asked: strongest tier, most keys, tested, out of its machine, by id."""
    tiers: dict[tuple[int, int], int] = {}
    hits: dict[tuple[int, int], int] = defaultdict(int)
    kept: dict[int, Seen] = {}
    for tier, pk, seen, askers in rows:
        for asker in askers:
            if not appliances[asker] or seen[1] in ("", appliances[asker]):
                kept[pk] = seen
                tiers[asker, pk] = min(tier, tiers.get((asker, pk), tier))
                hits[asker, pk] += 1
    ranked: dict[int, list[tuple[Any, ...]]] = defaultdict(list)
    for (asker, pk), tier in tiers.items():
        *_, grade, state = kept[pk]
        in_machine = state == Part.State.IN_MACHINE
        order = (tier, -hits[asker, pk], _GRADES.get(grade, 2), in_machine, pk)
        ranked[asker].append(order)
    return {asker: [pk for *_, pk in sorted(found)] for asker, found in ranked.items()}


def _stock(workshop_id: int, asked: Mapping[int, Asked]) -> QuerySet[Part]:
    return available_rows(workshop_id, kinds={one.kind for one in asked.values()})


_SEEN = ("id", "kind_id", "grade", "state")


def _parts_by_number(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    for column, name in (("number_folded", "numbers"), ("number_stem", "stems")):
        by = _by_key(asked, name)
        if not by:
            continue
        rows = _stock(workshop_id, asked).filter(**{f"{column}__in": {value for _, value in by}})
        for pk, kind, grade, state, appliance, value in rows.values_list(
            *_SEEN, "donor__appliance_id", column
        ):
            yield NUMBER, pk, (kind, appliance or "", grade, state), by.get((kind, value), ())


def _parts_by_machine(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    _add_alike(Donor, workshop_id, asked)
    yield from _parts_in(workshop_id, asked, ((MODEL, "models"), (FAMILY, "near")))


def _parts_in(
    workshop_id: int, asked: Mapping[int, Asked], tiers: Sequence[tuple[int, str]]
) -> Iterator[_PartRow]:
    """Yield the parts of donors whose machine meets a key: the donors first, then their parts.

    The donors are named one by one: the plan then never depends on what is guessed of them.
    """
    where = Q()
    for one in asked.values():
        for _, name in tiers:
            where |= _WHERE[name](getattr(one, name))
    if not where:
        return
    rows = Donor.of(workshop_id).filter(where).order_by()
    columns = ("id", "appliance_id", "make_id", "family", "number_key")
    donors = {pk: machine for pk, *machine in rows.values_list(*columns)}
    by = {name: _by_key(asked, name) for _, name in tiers}
    parts = _stock(workshop_id, asked).filter(donor_id__in=list(donors))
    for pk, kind, grade, state, donor in parts.values_list(*_SEEN, "donor_id"):
        appliance, make, family, number = donors[donor]
        seen = (kind, appliance, grade, state)
        for tier, name in tiers:
            for place in _PLACES[name](make, family, number):
                yield tier, pk, seen, by[name].get((kind, place), ())


def _parts_by_rule(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    """Yield all of a kind for which a rule names neither numbers, make nor family."""
    open_ones = {asker: one for asker, one in asked.items() if (None, None) in one.wide}
    if not open_ones:
        return
    by = _by_key(open_ones, "wide")
    rows = _stock(workshop_id, open_ones).values_list(*_SEEN, "donor__appliance_id")
    for pk, kind, grade, state, appliance in rows:
        yield WIDE, pk, (kind, appliance or "", grade, state), by.get((kind, (None, None)), ())


def _parts_by_attributes(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    by = _by_key(asked, "attributes")
    if not by:
        return
    rows = PartKey.of(workshop_id).filter(
        key__in={key for _, key in by}, part__state__in=AVAILABLE
    )
    columns = ("part_id", "part__kind_id", "part__grade", "part__state")
    rows = rows.exclude(part__grade=Grade.SCRAP).order_by()
    for pk, kind, grade, state, appliance, key in rows.values_list(
        *columns, "part__donor__appliance_id", "key"
    ):
        yield ATTRIBUTE, pk, (kind, appliance or "", grade, state), by.get((kind, key), ())


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


_WHERE: dict[str, Callable[[Any], Q]] = {
    "near": _families,
    "far": _families,
    "models": _models,
    "wide": lambda wide: _named(wide - {(None, None)}),
}
_PLACES: dict[str, Callable[..., Sequence[Any]]] = {
    "near": lambda make, family, number: ((make, family),),
    "far": lambda make, family, number: ((make, family),),
    "models": lambda make, family, number: ((make, number),),
    "wide": lambda make, family, number: ((make, family), (make, None), (None, family)),
}


def _add_alike(table: Any, workshop_id: int, asked: Mapping[int, Asked]) -> None:
    """Add the model numbers of a make that read like the one asked for, where little is known."""
    found: dict[Any, set[tuple[int, str]]] = {}
    for one in asked.values():
        if one.alike is not None:
            if one.alike not in found:
                found[one.alike] = _alike(table, workshop_id, *one.alike)
            one.models |= found[one.alike]


def _alike(
    table: Any, workshop_id: int, make: int, family: str | None, number: str
) -> set[tuple[int, str]]:
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


_NeedRow = tuple[int, tuple[int, str], Sequence[int]]  # tier, (need, appliance), for which


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


_MACHINE_TIERS = ((MODEL, "models"), (FAMILY, "near"), (FAR, "far"), (WIDE, "wide"))


def _needs_by_machine(
    workshop_id: int, waiting: QuerySet[Need], asked: Mapping[int, Asked]
) -> Iterator[_NeedRow]:
    """Yield the needs of jobs whose machine meets a key: the jobs first, then their needs."""
    _add_alike(Job, workshop_id, asked)
    where = Q()
    for one in asked.values():
        for _, name in _MACHINE_TIERS:
            where |= _WHERE[name](getattr(one, name))
    by = {name: _by_key(asked, name) for _, name in _MACHINE_TIERS}
    rows = waiting
    if not any((None, None) in one.wide for one in asked.values()):
        if not where:
            return
        jobs = Job.of(workshop_id).filter(where, state=Job.State.OPEN).order_by()
        rows = rows.filter(job_id__in=list(jobs.values_list("id", flat=True)))
    columns = ("id", "kind_id", "job__appliance_id", "job__make_id", "job__family")
    for pk, kind, appliance, make, family, number in rows.values_list(*columns, "job__number_key"):
        for tier, name in _MACHINE_TIERS:
            for place in _PLACES[name](make, family, number):
                yield tier, (pk, appliance), by[name].get((kind, place), ())
        yield WIDE, (pk, appliance), by["wide"].get((kind, (None, None)), ())


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
