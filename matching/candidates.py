"""Find the parts a need may be served by, and the needs a part may serve, by indexed keys alone.

Candidates come in tiers, strongest keys first. What is found is then scored; nothing here says
that a pair fits. The number of queries does not depend on how much is stored.
"""

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import chain
from typing import Any

from donors.models import Donor
from matching.asking import Asked, Place
from matching.domain.comparisons import speaks_for
from matching.models import Job
from parts.models import Grade, Part
from workshop import sql

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


_PARTS = """
SELECT part.id, part.kind_id, part.grade, part.state, {more} FROM {source}
WHERE {which}
  AND part.state IN ('in-machine', 'removed', 'shelved') AND part.grade <> 'scrap'
"""
_WITH_DONOR = "parts_part AS part LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id"


def _parts_by_number(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    for column, name in (("number_folded", "numbers"), ("number_stem", "stems")):
        by = _by_key(asked, name)
        if not by:
            continue
        text = _PARTS.format(
            more=f"donor.appliance_id, part.{column}",
            source=_WITH_DONOR,
            which=f"{_PART_OF} AND part.{column} IN %s",
        )
        values = {value for _, value in by}
        for pk, kind, grade, state, appliance, value in sql.rows(
            text, workshop_id, _kinds(asked), values
        ):
            yield NUMBER, pk, (kind, appliance or "", grade, state), by.get((kind, value), ())


def _kinds(asked: Mapping[int, Asked]) -> set[str]:
    return {one.kind for one in asked.values()}


def _parts_by_machine(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    _add_alike(Donor, workshop_id, asked)
    yield from _parts_in(workshop_id, asked, ((MODEL, "models"), (FAMILY, "near")))


def _parts_in(
    workshop_id: int, asked: Mapping[int, Asked], tiers: Sequence[tuple[int, str]]
) -> Iterator[_PartRow]:
    """Yield the parts of donors whose machine meets a key: the donors first, then their parts.

    The donors are named one by one: the plan then never depends on what is guessed of them.
    """
    found = _machines("donors_donor", workshop_id, asked, [name for _, name in tiers])
    if not found:
        return
    donors = {pk: machine for pk, *machine in found}
    by = {name: _by_key(asked, name) for _, name in tiers}
    text = _PARTS.format(
        more="part.donor_id",
        source="parts_part AS part",
        which="part.donor_id IN %s AND part.kind_id IN %s",
    )
    for pk, kind, grade, state, donor in sql.rows(text, set(donors), _kinds(asked)):
        appliance, make, family, number = donors[donor]
        seen = (kind, appliance, grade, state)
        for tier, name in tiers:
            for place in _PLACES[name](make, family, number):
                yield tier, pk, seen, by[name].get((kind, place), ())


def _machines(
    table: str, workshop_id: int, asked: Mapping[int, Asked], names: Sequence[str], only: str = ""
) -> list[tuple[Any, ...]]:
    """Return (id, appliance, make, family, model number) of donors or jobs that meet a key."""
    terms: set[tuple[str, Any]] = set()
    for one in asked.values():
        for name in names:
            terms |= _TERMS[name](getattr(one, name))
    if not terms:
        return []
    by_term: dict[str, list[Any]] = defaultdict(list)
    for term, value in sorted(terms, key=str):
        by_term[term].append(value)
    which = " OR ".join(f"({term} IN %s)" for term in by_term)
    return sql.rows(
        f"SELECT id, appliance_id, make_id, family, number_key FROM {table} "
        f"WHERE workshop_id = %s AND ({which}){only}",
        workshop_id,
        *by_term.values(),
    )


def _parts_by_rule(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    """Yield all of a kind for which a rule names neither numbers, make nor family."""
    open_ones = {asker: one for asker, one in asked.items() if (None, None) in one.wide}
    if not open_ones:
        return
    by = _by_key(open_ones, "wide")
    text = _PARTS.format(more="donor.appliance_id", source=_WITH_DONOR, which=_PART_OF)
    for pk, kind, grade, state, appliance in sql.rows(text, workshop_id, _kinds(open_ones)):
        yield WIDE, pk, (kind, appliance or "", grade, state), by.get((kind, (None, None)), ())


def _parts_by_attributes(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_PartRow]:
    by = _by_key(asked, "attributes")
    if not by:
        return
    text = _PARTS.format(
        more="donor.appliance_id, found.key",
        source="parts_partkey AS found JOIN parts_part AS part ON part.id = found.part_id "
        "LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id",
        which="found.workshop_id = %s AND found.key IN %s",
    )
    keys = {key for _, key in by}
    for pk, kind, grade, state, appliance, key in sql.rows(text, workshop_id, keys):
        yield ATTRIBUTE, pk, (kind, appliance or "", grade, state), by.get((kind, key), ())


def _family_terms(places: set[Place]) -> set[tuple[str, Any]]:
    return {(f"make_id = {make:d} AND family", family) for make, family in places}


def _wide_terms(wide: set[tuple[int | None, str | None]]) -> set[tuple[str, Any]]:
    found: set[tuple[str, Any]] = set()
    for make, family in wide:
        if make is not None and family is not None:
            found |= _family_terms({(make, family)})
        elif make is not None:
            found.add(("make_id", make))
        elif family is not None:
            found.add(("family", family))
    return found


# By which column a key is looked up in a table of machines: (column, value) pairs.
_TERMS: dict[str, Callable[[Any], set[tuple[str, Any]]]] = {
    "near": _family_terms,
    "far": _family_terms,
    "models": lambda models: {(f"make_id = {make:d} AND number_key", n) for make, n in models},
    "wide": _wide_terms,
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
    return {(make, one) for one in numbers if speaks_for(one, number)}


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


_NEEDS = """
SELECT need.id, need.kind_id, job.appliance_id, {more} FROM {source}
JOIN matching_job AS job ON job.id = need.job_id
WHERE {which}
  AND need.state = 'open' AND job.state = 'open'
"""
# Beside other keys this stays away: SQLite would read the whole kind by it instead. (A donor or
# job belongs to the workshop, an attribute's key to it and, by its making, to one kind.)
_PART_OF = "part.workshop_id = %s AND part.kind_id IN %s"
_NEED_OF = "need.workshop_id = %s AND need.kind_id IN %s"


def _needs_by_tier(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_NeedRow]:
    for column, name in (("number_folded", "numbers"), ("number_stem", "stems")):
        by = _by_key(asked, name)
        if not by:
            continue
        text = _NEEDS.format(
            more=f"need.{column}",
            source="matching_need AS need",
            which=f"{_NEED_OF} AND need.{column} IN %s",
        )
        values = {value for _, value in by}
        for pk, kind, appliance, value in sql.rows(text, workshop_id, _kinds(asked), values):
            yield NUMBER, (pk, appliance), by.get((kind, value), ())
    yield from _needs_by_machine(workshop_id, asked)
    yield from _needs_by_attributes(workshop_id, asked)


def _by_key(asked: Mapping[int, Asked], name: str) -> dict[tuple[str, Any], list[int]]:
    """Return the parts that ask for a key, by kind and key."""
    found: dict[tuple[str, Any], list[int]] = defaultdict(list)
    for part_id, one in asked.items():
        for value in getattr(one, name):
            found[one.kind, value].append(part_id)
    return found


_MACHINE_TIERS = ((MODEL, "models"), (FAMILY, "near"), (FAR, "far"), (WIDE, "wide"))


def _needs_by_machine(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_NeedRow]:
    """Yield the needs of jobs whose machine meets a key: the jobs first, then their needs."""
    _add_alike(Job, workshop_id, asked)
    names = [name for _, name in _MACHINE_TIERS]
    by = {name: _by_key(asked, name) for name in names}
    more = "job.make_id, job.family, job.number_key"
    if any((None, None) in one.wide for one in asked.values()):
        text = _NEEDS.format(more=more, source="matching_need AS need", which=_NEED_OF)
        found = sql.rows(text, workshop_id, _kinds(asked))
    else:
        only = " AND state = 'open'"
        jobs = {pk for pk, *_ in _machines("matching_job", workshop_id, asked, names, only)}
        text = _NEEDS.format(
            more=more,
            source="matching_need AS need",
            which="need.job_id IN %s AND need.kind_id IN %s",
        )
        found = sql.rows(text, jobs, _kinds(asked)) if jobs else []
    for pk, kind, appliance, make, family, number in found:
        for tier, name in _MACHINE_TIERS:
            for place in _PLACES[name](make, family, number):
                yield tier, (pk, appliance), by[name].get((kind, place), ())
        yield WIDE, (pk, appliance), by["wide"].get((kind, (None, None)), ())


def _needs_by_attributes(workshop_id: int, asked: Mapping[int, Asked]) -> Iterator[_NeedRow]:
    by = _by_key(asked, "attributes")
    if not by:
        return
    text = _NEEDS.format(
        more="found.key",
        source="matching_needkey AS found JOIN matching_need AS need ON need.id = found.need_id",
        which="found.workshop_id = %s AND found.key IN %s",
    )
    keys = {key for _, key in by}
    for pk, kind, appliance, key in sql.rows(text, workshop_id, keys):
        yield ATTRIBUTE, (pk, appliance), by.get((kind, key), ())
