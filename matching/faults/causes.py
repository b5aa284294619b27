"""From a job's fault to why its machine is scrapped, as a donor's cause is written down."""

import math
from collections import defaultdict
from collections.abc import Mapping
from functools import lru_cache

from workshop import reference

# A cause speaks of a part when it leaves it so much worse off than the machine's other parts, in
# points of the guide's percentages, beyond what it is worse off anyhow. Our own choice.
LEAST_POINTS = 20.0
# What befalls a whole machine: no fault of a part shows it.
BEFALL = frozenset({"unrelated", "surge", "frost", "flood", "fire-smoke", "lint-fire"})


@lru_cache(maxsize=256)
def suggested_cause(appliance: str, suspect: str) -> str:
    """Return the cause (slug) that most speaks of a part kind at fault; "" when none does.

    By the guide's table of what survives which cause (fixtures/reference/survival.json).
    """
    survival = _survival(appliance)
    usual = _points(survival.get("unrelated", {}), suspect)
    points = {
        cause: _points(rows, suspect) - usual
        for cause, rows in survival.items()
        if cause not in BEFALL
    }
    best = max(points, key=lambda cause: points[cause], default="")
    return best if best and points[best] >= LEAST_POINTS else ""


def _points(rows: Mapping[str, float], suspect: str) -> float:
    others = [percent for kind, percent in rows.items() if kind != suspect]
    if suspect not in rows or not others:
        return 0.0
    return math.fsum(others) / len(others) - rows[suspect]


@lru_cache(maxsize=16)
def _survival(appliance: str) -> Mapping[str, Mapping[str, float]]:
    """Return by cause how many of each kind are good, in percent."""
    found: dict[str, dict[str, float]] = defaultdict(dict)
    for row in reference.read("survival"):
        if row["appliance"] == appliance:
            found[row["cause"]][row["kind"]] = row["percent"]
    return found
