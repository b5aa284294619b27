"""Compare two sides, one kind of evidence at a time. Unknown comes first and is its own level."""

from collections.abc import Mapping
from dataclasses import dataclass

from rapidfuzz.distance import Prefix

from donors.domain.machines import Machine
from donors.domain.recognising import similarity
from matching.domain.sides import Side
from parts.domain.interchange import InterchangeGraph
from parts.domain.kinds import Attribute, Kind
from parts.domain.part_numbers import NumberLevel, compare
from parts.domain.quantities import as_number, as_quantity
from workshop.domain.intervals import Interval

ALIKE, UNLIKE = 0.85, 0.2
LEAST_READ = 4  # characters, below which a number says little by what it lacks
LEAST_BEGINNING, BEGINS_ALIKE = 3, 0.3  # characters, and share of the longer number
LEAST_SURE = 0.3
# From here a machine's family is believed: more than one read by a guessed pattern, which may be
# drawn too fine or too coarse (donors/plates.py).
FAMILY_SURE = 0.8


@dataclass(frozen=True, slots=True)
class NumberFinding:
    """How the two part numbers relate, and the way from one to the other if there is one."""

    level: str
    path: tuple[str, ...] = ()

    @property
    def agrees(self) -> bool:
        return self.level in {"same", "interchange", "one-confusable-apart"}

    @property
    def group(self) -> str:
        """agrees | differs | unknown: how much the model still has to say."""
        if self.agrees:
            return "agrees"
        return "unknown" if self.level in {"unknown", "other-make-number"} else "differs"


def compare_numbers(offer: Side, want: Side, graph: InterchangeGraph) -> NumberFinding:
    """Return how the offered part's number relates to the wanted one."""
    level = compare(offer.number, want.number)
    if level in {NumberLevel.UNKNOWN, NumberLevel.SAME}:
        return NumberFinding(level.value)
    path = graph.path(want.number.canonical, offer.number.canonical)
    if path:
        return NumberFinding("interchange", tuple(path))
    makes = {offer.machine.make, want.machine.make}
    if level is NumberLevel.DIFFERENT and len(makes - {""}) == 2:
        return NumberFinding("other-make-number")
    return NumberFinding(level.value)


def compare_models(a: Machine, b: Machine, kind: Kind) -> str:
    """Return the level of model evidence between two machines. Symmetric."""
    if a.appliance and b.appliance and a.appliance != b.appliance:
        return "other-appliance"
    if not a.make or not b.make:
        return _compare_loose(a, b)
    if a.make != b.make:
        return "other-make"
    if a.sure < LEAST_SURE or b.sure < LEAST_SURE:
        return _compare_loose(a, b)
    if a.number and a.number == b.number:
        return "same"
    level = _compare_known(a, b, kind)
    if level == "other-family" and min(a.sure, b.sure) < FAMILY_SURE:
        return "unsure-other-family"
    return level


def _compare_known(a: Machine, b: Machine, kind: Kind) -> str:
    if a.fields and b.fields:
        return _compare_fields(a, b, kind)
    if a.family and b.family:
        return "same-family" if a.family == b.family else "other-family"
    return _compare_loose(a, b)


def _compare_loose(a: Machine, b: Machine) -> str:
    """Compare two numbers whose fields are not known."""
    if not a.number or not b.number:
        return "unknown"
    if a.number == b.number:
        return "same"
    return _likeness(a.number, b.number)


def _likeness(a: str, b: str) -> str:
    """Return what two canonical numbers say when no pattern tells their fields. Symmetric.

    What machines of a family have in common stands at the beginning of the number more often
    than anywhere else; numbers with next to nothing in common are seldom of one family.
    """
    alike = similarity(a, b)
    if alike >= ALIKE:
        return "alike"
    begins = Prefix.similarity(a, b)
    if begins >= LEAST_BEGINNING and begins >= BEGINS_ALIKE * max(len(a), len(b)):
        return "same-beginning"
    read = min(len(a), len(b)) >= LEAST_READ
    return "unlike" if alike < UNLIKE and read else "unknown"


def speaks_for(a: str, b: str) -> bool:
    """Whether two canonical numbers alone speak for a fit: what candidates are looked for by."""
    return _likeness(a, b) in {"alike", "same-beginning"}


def _compare_fields(a: Machine, b: Machine, kind: Kind) -> str:
    differing = {
        name
        for name, ours in a.fields.items()
        if ours and (theirs := b.fields.get(name)) and ours != theirs
    }
    if a.family and b.family and a.family != b.family:
        return "other-family"
    if not (a.family and b.family) and "family" in differing:
        return "other-family"
    revisions_read = bool(a.revision and b.revision)
    if not differing & kind.matters:
        missing = {n for n in kind.matters if bool(a.fields.get(n)) != bool(b.fields.get(n))}
        if "revision" in kind.matters and not revisions_read:
            missing.add("revision")
        return "same-family" if missing else "immaterial"
    if "revision" in differing:
        return "other-revision"
    return "same-revision" if revisions_read else "same-family"


def compare_builds(a: Interval | None, b: Interval | None, years: Mapping[str, float]) -> str:
    """Return near, apart or far-apart by the years between two build intervals. Symmetric."""
    if a is None or b is None:
        return "unknown"
    gap = a.gap_years(b)
    if gap <= years["near"]:
        return "near"
    return "apart" if gap <= years["apart"] else "far-apart"


@dataclass(frozen=True, slots=True)
class AttributeFinding:
    """How one attribute compares: agrees, within-tolerance or conflict."""

    name: str
    level: str
    offered: str
    wanted: str
    hard: bool = False


def compare_attributes(offer: Side, want: Side, kind: Kind) -> list[AttributeFinding]:
    """Return a finding for each attribute both sides state, in alphabetical order.

    A number that cannot be read, or whose unit is another, is unknown and left out.
    """
    found = []
    for name in sorted(offer.attributes.keys() & want.attributes.keys()):
        attribute = kind.attributes.get(name, Attribute(name))
        a, b = offer.attributes[name], want.attributes[name]
        if not a.strip() or not b.strip():
            continue
        level = compare_values(a, b, attribute)
        if level != "unknown":
            found.append(AttributeFinding(name, level, a, b, attribute.hard))
    if offer.position and want.position:
        same = offer.position.casefold() == want.position.casefold()
        level = "agrees" if same else "conflict"
        found.append(AttributeFinding("position", level, offer.position, want.position))
    return found


def compare_values(offered: str, wanted: str, attribute: Attribute) -> str:
    if offered.strip().casefold() == wanted.strip().casefold():
        return "agrees"
    if attribute.number:
        return _compare_quantities(offered, wanted, attribute)
    return _compare_numbers(as_number(offered), as_number(wanted), attribute)


def _compare_quantities(offered: str, wanted: str, attribute: Attribute) -> str:
    ours, theirs = as_quantity(offered, attribute), as_quantity(wanted, attribute)
    if ours is None and theirs is None:
        return "conflict"
    if ours is None or theirs is None or ours[1] != theirs[1]:
        return "unknown"
    return _compare_numbers(ours[0], theirs[0], attribute)


def _compare_numbers(a: float | None, b: float | None, attribute: Attribute) -> str:
    if a is None or b is None:
        return "conflict"
    if a == b:
        return "agrees"
    allowed = max(attribute.tolerance_abs or 0.0, abs(b) * (attribute.tolerance_rel or 0.0))
    return "within-tolerance" if abs(a - b) <= allowed * (1 + 1e-9) else "conflict"
