"""The rules as they lie in the repository, and sequences built for tests."""

from parts.domain.electrical_safety.rules import Machine, ProtectionClass, Rules
from parts.domain.electrical_safety.sequence import Sequence
from tests.unit.reference import read

RULES = Rules.of(read("electrical_safety"))
GOOD = {
    "visual": True,
    "protective-conductor": 0.2,
    "insulation": 50.0,
    "insulation-unearthed": 50.0,
    "protective-conductor-current": 0.4,
    "touch-current": 0.1,
    "selv": 12.0,
    "function": True,
    "record": "A. Tester",
}


def sequence(protection_class="I", **facts):
    return Sequence(Machine(ProtectionClass(protection_class), **facts), RULES)


def entered(start, **changed):
    """Enter good values, or those changed (`_` for `-`), until one blocks."""
    values = GOOD | {name.replace("_", "-"): value for name, value in changed.items()}
    for step in start.steps:
        start = start.enter(step.slug, values[step.slug])
    return start
