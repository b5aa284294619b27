"""Find the parts a need may be served by, and the needs a part may serve, by indexed keys alone.

Candidates come in tiers, strongest keys first. What is found is then scored; nothing here says
that a pair fits. One query looks up all keys of all who ask, and ranks what it finds: only ids
leave the database. Both ways are one text, for a part and its donor stand to each other as a
need and its job do.
"""

from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from donors.models import Donor
from matching.asking import Asked
from matching.domain.comparisons import speaks_for
from matching.models import Job
from workshop import sql

# Strongest keys first.
NUMBER, MODEL, FAMILY, FAR, WIDE, ATTRIBUTE = range(6)

_Keys = list[tuple[Any, ...]]  # (asker, kind, appliance, then the key's columns)


@dataclass(frozen=True, slots=True)
class _Table:
    """Rows that are looked for, and the machines they belong to.

    There, a row is called `it` and its machine `machine`. live: whether it can still be had.
    rank: among equals, what comes first.
    """

    rows: str
    machines: str
    join: str
    link: str
    keys: str
    key_link: str
    live: str
    rank: str


_PARTS = _Table(
    rows="parts_part",
    machines="donors_donor",
    join="LEFT JOIN",
    link="donor_id",
    keys="parts_partkey",
    key_link="part_id",
    live="it.state IN ('in-machine', 'removed', 'shelved') AND it.grade <> 'scrap'",
    # Tested parts before others, then those out of their machine: the surer come first.
    rank="CASE it.grade WHEN 'tested-good' THEN 0 WHEN 'tested-worn' THEN 2 ELSE 4 END"
    " + CASE it.state WHEN 'in-machine' THEN 1 ELSE 0 END",
)
_NEEDS = _Table(
    rows="matching_need",
    machines="matching_job",
    join="JOIN",
    link="job_id",
    keys="matching_needkey",
    key_link="need_id",
    live="it.state = 'open' AND machine.state = 'open'",
    rank="0",
)

# CROSS JOIN holds SQLite to this order: the keys, then what they find. Without statistics it
# would rather read a whole kind, or all machines of a make, through an index meant for others.
_BY_COLUMN = """
FROM {name} AS asked CROSS JOIN {rows} AS it
{join} {machines} AS machine ON machine.id = it.{link}
WHERE it.workshop_id = {workshop} AND it.kind_id = asked.kind{which}
"""
_BY_MACHINE = """
FROM {name} AS asked CROSS JOIN {machines} AS machine CROSS JOIN {rows} AS it
WHERE machine.workshop_id = {workshop} AND {which}
  AND it.{link} = machine.id AND it.kind_id = asked.kind
"""
_BY_ATTRIBUTE = """
FROM {name} AS asked CROSS JOIN {keys} AS keyed CROSS JOIN {rows} AS it
{join} {machines} AS machine ON machine.id = it.{link}
WHERE keyed.workshop_id = {workshop} AND keyed.key = asked.key
  AND it.id = keyed.{key_link} AND it.kind_id = asked.kind
"""
_IN_FAMILY = "machine.make_id = asked.make AND machine.family = asked.key"


@dataclass(frozen=True, slots=True)
class _Arm:
    """One way of looking up: which keys (columns named), by which text, in which tier."""

    name: str
    tier: int
    columns: tuple[str, ...]
    text: str
    which: str = ""


_NEAR = (
    _Arm("numbers", NUMBER, ("key",), _BY_COLUMN, " AND it.number_folded = asked.key"),
    _Arm("stems", NUMBER, ("key",), _BY_COLUMN, " AND it.number_stem = asked.key"),
    _Arm(
        "models",
        MODEL,
        ("make", "key"),
        _BY_MACHINE,
        "machine.make_id = asked.make AND machine.number_key = asked.key",
    ),
    _Arm("near", FAMILY, ("make", "key"), _BY_MACHINE, _IN_FAMILY),
)
_FAR = (
    _Arm("far", FAR, ("make", "key"), _BY_MACHINE, _IN_FAMILY),
    _Arm("wide_places", WIDE, ("make", "key"), _BY_MACHINE, _IN_FAMILY),
    _Arm("wide_makes", WIDE, ("make",), _BY_MACHINE, "machine.make_id = asked.make"),
    _Arm("wide_families", WIDE, ("key",), _BY_MACHINE, "machine.family = asked.key"),
    # A rule that names neither numbers, make nor family: all of a kind.
    _Arm("wide_kinds", WIDE, (), _BY_COLUMN),
    _Arm("attributes", ATTRIBUTE, ("key",), _BY_ATTRIBUTE),
)


def parts_near(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> dict[int, list[int]]:
    """Return, for each asked, parts that can be had of its number, model or family.

    Best by their keys first: strongest tier, most keys, tested, out of its machine, by id.
    asked and appliances go by any id; appliance "" is any, and a part without a machine is of
    any. One query (up to two more for makes of which only numbers are known), however many are
    asked and however much is stored.
    """
    add_alike(Donor, workshop_id, asked)
    return _ids(_found(_PARTS, _NEAR, workshop_id, asked, appliances))


def parts_far(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> dict[int, list[int]]:
    """Return parts that only weaker keys find: seen or fitted elsewhere, rules, attributes."""
    return _ids(_found(_PARTS, _FAR, workshop_id, asked, appliances))


def parts_ever(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str], *, since: date
) -> dict[int, list[int]]:
    """Return all parts whose machine came in since a day, gone or not, that any key finds."""
    add_alike(Donor, workshop_id, asked)
    table = replace(_PARTS, live=f"machine.received_on >= '{since.isoformat()}'")
    return _ids(_found(table, (*_NEAR, *_FAR), workshop_id, asked, appliances))


def _ids(found: Sequence[tuple[int, int, int]]) -> dict[int, list[int]]:
    ids: dict[int, list[int]] = defaultdict(list)
    for asker, pk, _ in found:
        ids[asker].append(pk)
    return ids


Tiers = dict[int, dict[int, int]]  # by need, by part: the tier that found the pair


def needs_near(
    workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> Tiers:
    """Return the open needs of the same number, model or family: by which part, in which tier.

    asked and appliances are by part id; a part without a machine is of any appliance ("").
    One query (up to three where little is known of a machine), however many parts and needs.
    """
    add_alike(Job, workshop_id, asked)
    return _tiers(_found(_NEEDS, _NEAR, workshop_id, asked, appliances))


def needs_far(workshop_id: int, asked: Mapping[int, Asked], appliances: Mapping[int, str]) -> Tiers:
    """Return the open needs that only weaker keys find."""
    return _tiers(_found(_NEEDS, _FAR, workshop_id, asked, appliances))


def _tiers(found: Sequence[tuple[int, int, int]]) -> Tiers:
    tiers: Tiers = defaultdict(dict)
    for part_id, need_id, tier in found:
        tiers[need_id][part_id] = tier
    return tiers


def _found(
    table: _Table,
    arms: Sequence[_Arm],
    workshop_id: int,
    asked: Mapping[int, Asked],
    appliances: Mapping[int, str],
) -> list[tuple[int, int, int]]:
    """Return (asker, id, strongest tier) of all that is found, best first for each asker."""
    used = [(arm, keys) for arm in arms if (keys := list(_keys(arm.name, asked, appliances)))]
    if not used:
        return []
    named = (
        f"{arm.name}({', '.join(('asker', 'kind', 'appliance', *arm.columns))}) AS (VALUES %s)"
        for arm, _ in used
    )
    selects = (_select(table, arm, workshop_id) for arm, _ in used)
    text = (
        f"WITH {', '.join(named)}, found AS ({' UNION ALL '.join(selects)}) "
        "SELECT asker, id, MIN(tier) FROM found GROUP BY asker, id, rank "
        "ORDER BY asker, MIN(tier), COUNT(*) DESC, rank, id"
    )
    return sql.rows(text, *(keys for _, keys in used))


def _select(table: _Table, arm: _Arm, workshop_id: int) -> str:
    """Return the query of one arm. A row found by several keys is told once for each."""
    places = {name: getattr(table, name) for name in _Table.__slots__}
    return (
        f"SELECT asked.asker, it.id, {arm.tier} AS tier, {table.rank} AS rank"
        + arm.text.format(name=arm.name, which=arm.which, workshop=workshop_id, **places)
        + f" AND {table.live} AND (asked.appliance = '' OR machine.id IS NULL"
        " OR machine.appliance_id = asked.appliance)"
    )


def _keys(
    name: str, asked: Mapping[int, Asked], appliances: Mapping[int, str]
) -> Iterator[tuple[Any, ...]]:
    """Yield who asks for a key, of which kind and appliance, and the key."""
    for asker, one in asked.items():
        for key in sorted(_values(name, one)):
            yield (asker, one.kind, appliances[asker], *key)


def _values(name: str, one: Asked) -> set[tuple[Any, ...]]:
    if name in ("models", "near", "far"):
        return getattr(one, name)  # type: ignore[no-any-return]
    if name in ("numbers", "stems", "attributes"):
        return {(key,) for key in getattr(one, name)}
    named = {"wide_places": (True, True), "wide_makes": (True, False)}
    named |= {"wide_families": (False, True), "wide_kinds": (False, False)}
    return {
        tuple(part for part in wide if part is not None)
        for wide in one.wide
        if tuple(part is not None for part in wide) == named[name]
    }


def add_alike(table: Any, workshop_id: int, asked: Mapping[int, Asked]) -> None:
    """Add the model numbers of a make that read like the one asked for, where little is known.

    At most two queries, however many ask.
    """
    wanted = {one.alike for one in asked.values() if one.alike is not None}
    if not wanted:
        return
    numbers = _numbers_of_makes(table, workshop_id, {(make, family) for make, family, _ in wanted})
    found = {
        (make, family, number): {
            (make, one) for one in numbers[make, family] if speaks_for(one, number)
        }
        for make, family, number in wanted
    }
    for one in asked.values():
        if one.alike is not None:
            one.models |= found[one.alike]


def _numbers_of_makes(
    table: Any, workshop_id: int, places: Collection[tuple[int, str | None]]
) -> dict[tuple[int, str | None], set[str]]:
    """Return the model numbers of machines of each make and family; None is any family."""
    found: dict[tuple[int, str | None], set[str]] = defaultdict(set)
    for any_family in (True, False):
        some = {place for place in places if (place[1] is None) == any_family}
        if not some:
            continue
        rows = table.of(workshop_id).filter(make__in={make for make, _ in some})
        if not any_family:
            rows = rows.filter(family__in={family for _, family in some})
        columns = rows.order_by().values_list("make_id", "family", "number_key").distinct()
        for make, family, number in columns:
            place = (make, None if any_family else family)
            if place in some:
                found[place].add(number)
    return found
