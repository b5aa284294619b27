"""What stands beside a check whatever its writer chose: of every opened machine, of its suspects.

Read from fixtures/reference/cautions.json, so that a row added there is shown here too.
"""

from collections.abc import Iterable, Mapping
from functools import lru_cache

from workshop import reference

# What every opened machine of a kind shows beside "pull the plug" and "discharge".
OPENED = {
    "microwave": ("mw-hv", "mw-never-open-run"),
    "fridge-freezer": ("fridge-circuit", "fridge-flammable"),
}
# What can kill at a measuring point, though the machine is not opened for the check.
LIVE = frozenset({"mains", "capacitor"})


def opened(appliance: str) -> tuple[str, ...]:
    """Return the cautions that an opened machine of a kind always shows."""
    return ("all-unplug", "all-capacitor", *OPENED.get(appliance, ()))


def always(appliance: str, suspects: Iterable[str], *, opens: bool) -> tuple[str, ...]:
    """Return the cautions that stand beside a check, in order, each once.

    Where the machine is opened: what holds for every opened one, then for each part kind it
    points to. Where not: of those kinds what concerns mains voltage and charged capacitors.
    """
    of_kinds = [slug for kind in suspects for slug in of_kind(appliance, kind, opens=opens)]
    return tuple(dict.fromkeys([*(opened(appliance) if opens else ()), *of_kinds]))


def of_kind(appliance: str, kind: str, *, opens: bool = True) -> tuple[str, ...]:
    """Return the cautions of a part kind in an appliance; not opened, of live parts only."""
    return tuple(
        slug
        for slug, of, hazard in _by_kind().get(kind, ())
        if of in (None, appliance) and (opens or hazard in LIVE)
    )


@lru_cache(maxsize=1)
def _by_kind() -> Mapping[str, tuple[tuple[str, str | None, str], ...]]:
    """Return slug, appliance (None: all) and hazard of the cautions of each part kind."""
    found: dict[str, tuple[tuple[str, str | None, str], ...]] = {}
    for row in reference.read("cautions"):
        if row["kind"]:
            one = (row["slug"], row["appliance"], row["hazard"])
            found[row["kind"]] = (*found.get(row["kind"], ()), one)
    return found
