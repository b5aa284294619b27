"""Types drawn from past fittings: planted ones found again, counted as a slow judge does.

Outside judges: the adjusted Rand index (Hubert and Arabie 1985) as scikit-learn counts it, and
the chances of one part written out plainly, a part at a time.
"""

import json
import math
import random
from collections import Counter

import numpy as np
import pytest
from sklearn.metrics import adjusted_rand_score

from matching.domain import part_types, type_learning
from matching.domain.correcting import Scored, fit
from matching.domain.odds import to_p
from matching.domain.outcomes import Past
from matching.domain.part_types import BLUR, LEAN, NEW, TypeIndex
from matching.domain.scoring import score
from matching.domain.sides import Side
from tests.unit.matching.building import WEIGHTS, kind, knowledge, machine, side

pytestmark = pytest.mark.any_engine
PUMP = kind("spec-match", slug="drain-pump", matters=frozenset({"family"}))
TYPES = [("bayonet", "22"), ("bayonet", "28"), ("snap", "22"), ("flange", "25")]
MAKES = ("Velthane", "Borsund", "Quillmar")


def pump(rng: random.Random, of_type: int, make: str) -> Side:
    """Return a pump of a type; each make has a number and two families for each."""
    mount, spigot = TYPES[of_type]
    family = f"{make[0]}{of_type}{rng.randrange(2)}"
    noted = {"mount": mount, "spigot_mm": spigot}
    kept = {name: value for name, value in noted.items() if rng.random() < 0.5}
    number = f"{make[0]}-100{of_type}" if rng.random() < 0.6 else ""
    of = machine(f"{family} 90 246 S 4", make=make)
    return side(number, of, **kept)


def planted(count: int = 160, seed: int = 3) -> list[Past]:
    rng, found = random.Random(seed), []
    for _ in range(count):
        ours = rng.randrange(len(TYPES))
        theirs = ours if rng.random() < 0.45 else rng.randrange(len(TYPES))
        a, b = (pump(rng, one, rng.choice(MAKES)) for one in (ours, theirs))
        found.append(Past(a, b, ours == theirs))
    return found


def test_planted_types_are_found_again() -> None:
    for reading in type_learning.learn(PUMP, planted()):
        numbers = sorted(reading["numbers"])
        assert len(numbers) == len(TYPES) * len(MAKES)
        found = [reading["numbers"][number] for number in numbers]
        assert adjusted_rand_score([number[-1] for number in numbers], found) > 0.9


def test_numbers_of_two_makes_never_tried_together_are_told_by_their_types() -> None:
    pasts = [
        past
        for past in planted(240)
        if {past.offer.machine.make, past.want.machine.make} != {"Velthane", "Quillmar"}
    ]
    index = TypeIndex(PUMP, type_learning.learn(PUMP, pasts))
    plain = machine("? 90 246 S 4", make="Quillmar", family="")
    same = index.one_type(side("V-1002"), side("Q-1002", plain))
    other = index.one_type(side("V-1002"), side("Q-1001", plain))
    assert same is not None
    assert other is not None
    assert to_p(same) > 0.85
    assert to_p(other) < 0.15


def test_chances_of_a_part_as_a_slow_judge_counts_them() -> None:
    pasts = planted(25)
    drawing = type_learning._Drawing(type_learning._Parts.of(PUMP, pasts))
    drawing.sweep(np.random.default_rng(5), first=True)
    sides = [one for past in pasts for one in (past.offer, past.want)]
    parts = drawing.parts
    names = [one.number.canonical for one in sides]
    for at, node in enumerate(parts.nodes[:12]):
        drawing._count(node, int(drawing.type_of[at]), -1)
        drawing._make_room()
        types, chances = drawing._chances(node)
        of = [names[n] or f"part {n}" for n in range(len(sides))]
        order = list(dict.fromkeys(of))
        assert chances == pytest.approx(slow(sides, pasts, of, order, at, types, drawing.type_of))
        drawing._count(node, int(drawing.type_of[at]), 1)


def slow(sides, pasts, of, order, at, types, type_of):  # type: ignore[no-untyped-def]
    """Return the same chances from the sides themselves, one after another."""
    mine = [n for n, name in enumerate(of) if name == order[at]]
    others = [n for n in range(len(sides)) if n not in mine]
    type_at = {name: int(type_of[row]) for row, name in enumerate(order)}
    size = Counter(type_at[name] for name in order if name != order[at])
    base = {t: size[t] or NEW for t in types.tolist()}
    whole = sum(base.values())
    nats = []
    for t in types.tolist():
        total = math.log(base[t] / whole)
        for n in mine:
            chance = base[t] / whole
            for tier in range(3):
                where = part_types.places_of(sides[n], PUMP)[: tier + 1][-1]
                near = [
                    type_at[of[m]] for m in others if where in part_types.places_of(sides[m], PUMP)
                ]
                chance = (near.count(t) + LEAN * chance) / (len(near) + LEAN)
            total += math.log(chance * whole / base[t])
        total += slow_notes(sides, mine, [m for m in others if type_at[of[m]] == t])
        for n, past in enumerate(pasts):
            ends = {of[2 * n], of[2 * n + 1]}
            if order[at] in ends and len(ends) == 2 and type_at[(ends - {order[at]}).pop()] == t:
                ours, none = (0.97, 0.02) if past.fitted else (0.03, 0.98)
                total += math.log(ours / none)
        nats.append(total)
    shares = np.exp(np.array(nats) - max(nats))
    return shares / shares.sum()


def slow_notes(sides, mine, alike):  # type: ignore[no-untyped-def]
    total, seen = 0.0, [pair for m in alike for pair in sides[m].attributes.items()]
    before: Counter[tuple[str, str]] = Counter()
    for n in mine:
        for name, value in sides[n].attributes.items():
            different = len({s.attributes[name] for s in sides if name in s.attributes})
            nth = before[name, value]
            agree = seen.count((name, value)) + nth
            every = sum(one == name for one, _ in seen) + nth
            total += math.log((agree + BLUR) / (every + BLUR * different))
            before[name, value] += 1
    return total


def test_what_is_kept_is_plain_json_and_the_same_each_time() -> None:
    first = type_learning.learn(PUMP, planted())
    assert json.loads(json.dumps(first)) == first == type_learning.learn(PUMP, planted())


def test_boards_and_handfuls_are_left_alone() -> None:
    assert type_learning.learn(kind("exact-only"), planted()) == []
    assert type_learning.learn(PUMP, planted()[:5]) == []
    assert TypeIndex(PUMP).one_type(side("A1"), side("A1")) is None


def test_one_type_is_a_row_and_the_rows_still_sum_to_the_score() -> None:
    rng, known = random.Random(9), knowledge(PUMP)
    types = {PUMP.slug: type_learning.learn(PUMP, planted())}
    known.weights = WEIGHTS.taught({"types": types})
    known.types = TypeIndex(PUMP, types[PUMP.slug])
    found = [(score(past.offer, past.want, known), past.fitted) for past in planted(200, seed=8)]
    scored = [Scored(PUMP.slug, one.rows, fitted, one.beside) for one, fitted in found]
    known.weights = WEIGHTS.taught({"types": types, "correction": fit(scored)})
    told = {True: 0.0, False: 0.0}
    for _ in range(50):
        ours, theirs = rng.randrange(len(TYPES)), rng.randrange(len(TYPES))
        found_now = score(pump(rng, ours, "Velthane"), pump(rng, theirs, "Borsund"), known)
        total = 0.0
        for row in found_now.rows:
            total += row.bits
        assert found_now.bits == total
        told[ours == theirs] += sum(r.bits for r in found_now.rows if r.evidence == "one type")
    assert told[True] > 0.0 > told[False]
