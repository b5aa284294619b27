"""By which keys the other side of a pair can be found: one key for each piece of evidence.

A pair is only worth keeping when some row of its score speaks for it. Each kind of row that can
has its key here (the contract is in DEVELOPERS.md, "a piece of evidence"):

    part number     same, misread, interchangeable -> numbers; same stem -> stems, numbers
    model, build    same family or model -> near, models
    attributes      agreeing or within tolerance -> attributes
    sightings       the number seen in another family -> numbers, far
    past fittings   what went in beside such a side -> numbers, far
    rule            what an approved rule says fits -> numbers, wide

Rows that have none never keep a pair by themselves: scoring.NEVER_ALONE.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from donors.domain.model_numbers import FOLD, canonical
from matching.domain.rules import ApprovedRule, meets
from matching.memory import OFFER, WANT, Family, Fixed, Memory
from parts.domain.attribute_keys import asked_keys
from parts.domain.part_numbers import stem

Place = tuple[int, str]  # make's id, family


@dataclass(slots=True)
class Asked:
    """The keys of one side. Strongest first: numbers, stems, near, models; far, wide; attributes.

    numbers: folded. near, far: families; "" is a machine of the make whose family is unknown.
    models: (make, model number). alike: makes of which model numbers that read alike are asked
    too, in the family named, None for any. wide: (make or None, family or None) a rule names.
    """

    kind: str
    numbers: set[str] = field(default_factory=set)
    stems: set[str] = field(default_factory=set)
    near: set[Place] = field(default_factory=set)
    models: set[tuple[int, str]] = field(default_factory=set)
    alike: tuple[int, str | None, str] | None = None
    far: set[Place] = field(default_factory=set)
    wide: set[tuple[int | None, str | None]] = field(default_factory=set)
    attributes: set[int] = field(default_factory=set)


def keys_for(memory: Memory, fixed: Sequence[Fixed]) -> list[Asked]:
    """Return the keys of each side, in order. Four to eight queries, however many there are."""
    memory.read_for(fixed)
    found = [_own_keys(memory, one) for one in fixed]
    _add_families_with(memory, found)
    for one, asked in zip(fixed, found, strict=True):
        _add_outcomes(memory, one, asked)
        _add_rules(memory, one, asked)
        asked.far -= asked.near
    return found


def _own_keys(memory: Memory, one: Fixed) -> Asked:
    side, known = one.side, memory.known[one.kind]
    related = memory.linked(one.kind, memory.numbers_of(one))
    asked = Asked(one.kind, numbers={number.translate(FOLD) for number in related})
    if side.number:
        own = stem(side.number.raw)
        asked.stems = {own, side.number.canonical} - {""}
        asked.numbers |= {own.translate(FOLD)} - {""}
    asked.attributes = asked_keys(known.kind, side.attributes, side.position)
    _add_machine(memory, one, asked)
    return asked


def _add_machine(memory: Memory, one: Fixed, asked: Asked) -> None:
    """Add the keys of machines this one's model says something about; see compare_models."""
    machine = one.side.machine
    make = memory.makes.get(machine.make)
    if make is None or machine.sure <= 0:
        return
    if machine.number:
        asked.models.add((make, machine.number))
    if machine.family:
        asked.near.add((make, machine.family))
    if machine.fields and machine.family:
        asked.near.add((make, ""))
    elif machine.fields:
        asked.wide.add((make, None))
    elif machine.number:
        # Nothing but the number itself is known of one of the two: those that read alike.
        asked.alike = (make, "" if machine.family else None, machine.number)


def _add_families_with(memory: Memory, found: Sequence[Asked]) -> None:
    """Add the families in which one of the numbers was seen."""
    wanted: dict[str, set[str]] = {}
    for asked in found:
        wanted.setdefault(asked.kind, set()).update(asked.numbers)
    seen = memory.families_with(wanted)
    for asked in found:
        for number in asked.numbers:
            asked.far |= _places(memory, seen[asked.kind].get(number, set()))


def _places(memory: Memory, families: set[Family]) -> set[Place]:
    return {(memory.makes[make], family) for make, family in families if make in memory.makes}


def _add_outcomes(memory: Memory, one: Fixed, asked: Asked) -> None:
    for past in memory.pasts_beside(one):
        other = past.want if one.role == OFFER else past.offer
        if other.number:
            asked.numbers.add(other.number.canonical.translate(FOLD))
        if other.machine.make and other.machine.family:
            asked.far |= _places(memory, {(other.machine.make, other.machine.family)})


def _add_rules(memory: Memory, one: Fixed, asked: Asked) -> None:
    for rule in memory.known[one.kind].rules:
        if rule.says != "does-not-fit":
            for other in _other_sides(rule, one):
                _add_conditions(memory, other, asked)


def _other_sides(rule: ApprovedRule, one: Fixed) -> list[Mapping[str, Any]]:
    """Return what the rule asks of the other side, where it is met by this one."""
    sides = [(rule.donor_side, rule.job_side)]
    if rule.both_ways:
        sides.append((rule.job_side, rule.donor_side))
    if one.role == WANT:
        sides = [(job, donor) for donor, job in sides]
    return [theirs for ours, theirs in sides if meets(ours, one.side)]


def _add_conditions(memory: Memory, conditions: Mapping[str, Any], asked: Asked) -> None:
    """Add the narrowest key the conditions have; without any, the whole kind may meet them."""
    numbers = [canonical(number) for number in conditions.get("part_numbers") or []]
    if numbers:
        asked.numbers |= {number.translate(FOLD) for number in numbers} - {""}
        return
    make = conditions.get("make")
    if make and make not in memory.makes:
        return
    asked.wide.add((memory.makes[make] if make else None, conditions.get("family") or None))
