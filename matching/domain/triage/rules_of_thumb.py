"""What the trade would say of a machine: rules of thumb, each with its source, editable.

They stand beside the reckoning (`deciding`) and never enter it. A rule whose facts are unknown
says so and advises nothing.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Self

from workshop.domain.refusals import Checks

REPAIR, BREAK, WAIT = "repair", "break", "wait"
ADVICE = [REPAIR, BREAK, WAIT]


@dataclass(frozen=True, slots=True)
class Facts:
    """What the rules ask of a machine; None is unknown. Money in one unit."""

    age_years: float | None = None
    mean_life_years: float | None = None
    repair_total: float | None = None
    new_machine_price: float | None = None
    high_end: bool = False
    major_part: bool | None = None
    independent_major_faults: int | None = None
    safety_corrosion: bool | None = None
    part_available_new: bool | None = None


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule: its test, a figure where it has one, what it advises, and where it comes from."""

    slug: str
    test: str
    figure: float | None
    advises: str
    words: str
    source: str
    age_from: float | None = None
    age_to: float | None = None
    high_end: bool = False

    @classmethod
    def of(cls, row: Mapping[str, Any]) -> Self:
        """Build from a row of fixtures/reference/rules_of_thumb.json. Raises ValueRefused."""
        with Checks() as bad:
            if row["test"] not in _TESTS:
                bad.refuse(row["slug"], f"{row['test']!r} is no test; known: {', '.join(_TESTS)}")
            else:
                check_figure(bad, row["test"], row["figure"], field=row["slug"])
                check_advice(bad, row["test"], row["advises"], field=row["slug"])
        return cls(**row)


@dataclass(frozen=True, slots=True)
class Advice:
    """What one rule says: applies is None where a fact is unknown, and `because` names it."""

    rule: Rule
    applies: bool | None
    because: str


def advice(facts: Facts, rules: Sequence[Rule]) -> tuple[Advice, ...]:
    """Return what every rule says of a machine, in the table's order. Raises ValueRefused."""
    with Checks() as bad:
        for name in ("age_years", "mean_life_years", "repair_total", "new_machine_price"):
            bad.number(name, getattr(facts, name), least=0, needed=False)
        if facts.new_machine_price == 0:
            bad.refuse("new_machine_price", "a new machine for nothing; give its price")
        bad.number("major_faults", facts.independent_major_faults, least=0, needed=False)
    return tuple(_advice(facts, rule) for rule in rules)


def _advice(facts: Facts, rule: Rule) -> Advice:
    found = _TESTS[rule.test](facts, rule)
    return Advice(rule, *found)


_Found = tuple[bool | None, str]


def _share(facts: Facts, rule: Rule) -> _Found:
    """Repair below a share of a new machine; at the share itself it counts as replace."""
    belongs = _belongs(facts, rule)
    if belongs is not True:
        return belongs, "age unknown" if belongs is None else "another age or class of machine"
    if facts.repair_total is None or facts.new_machine_price is None:
        return None, "the repair's total or a new machine's price is unknown"
    share = facts.repair_total / facts.new_machine_price
    said = (
        f"the repair is {100 * share:.0f} % of a new machine, the line is {100 * _line(rule):.0f} %"
    )
    return share < _line(rule), said


def _belongs(facts: Facts, rule: Rule) -> bool | None:
    """Return whether a rule is for such a machine: by class, or by age; a high-end one by class."""
    if rule.high_end or facts.high_end:
        return rule.high_end and facts.high_end
    if facts.age_years is None:
        return None
    above = rule.age_from is None or facts.age_years > rule.age_from
    return above and (rule.age_to is None or facts.age_years <= rule.age_to)


def _line(rule: Rule) -> float:
    return rule.figure or 0.0


def _old_and_major(facts: Facts, rule: Rule) -> _Found:
    if facts.age_years is None or facts.mean_life_years is None or facts.major_part is None:
        return None, "age, mean life or the part is unknown"
    said = f"{facts.age_years:g} years, mean life {facts.mean_life_years:g}"
    return facts.age_years > facts.mean_life_years and facts.major_part, said


def _major_faults(facts: Facts, rule: Rule) -> _Found:
    if facts.independent_major_faults is None:
        return None, "the number of independent major faults is unknown"
    count = facts.independent_major_faults
    return count >= _line(rule), f"{count} independent major faults"


def _corrosion(facts: Facts, rule: Rule) -> _Found:
    if facts.safety_corrosion is None:
        return None, "nobody has looked for corrosion that bears on safety"
    return facts.safety_corrosion, "corrosion that bears on safety" if facts.safety_corrosion else (
        "no corrosion that bears on safety"
    )


def _nothing_new(facts: Facts, rule: Rule) -> _Found:
    if facts.part_available_new is None or facts.age_years is None:
        return None, "whether the part can be had new, or the age, is unknown"
    said = (
        f"{facts.age_years:g} years, part {'' if facts.part_available_new else 'not '}to be had new"
    )
    return not facts.part_available_new and facts.age_years < _line(rule), said


_TESTS: dict[str, Callable[[Facts, Rule], _Found]] = {
    "repair-share-below": _share,
    "over-mean-life-and-major-part": _old_and_major,
    "major-faults-from": _major_faults,
    "safety-corrosion": _corrosion,
    "no-new-part-and-younger-than": _nothing_new,
}
# The most a figure can mean: a repair dearer than a new machine is never the cheaper one; no
# machine of the house has so many parts that each is a major fault; none is kept so long. The
# last two are our own choice.
_MOST = {"repair-share-below": 1.0, "major-faults-from": 20.0, "no-new-part-and-younger-than": 40.0}
_NEVER = {
    "repair-share-below": (BREAK, "a repair that costs little of a new machine speaks for repair"),
    "over-mean-life-and-major-part": (REPAIR, "an old machine with a major part gone"),
    "major-faults-from": (REPAIR, "several major faults at once"),
    "no-new-part-and-younger-than": (REPAIR, "there is no new part to repair it with"),
}


def check_figure(bad: Checks, test: str, figure: float | None, *, field: str = "figure") -> None:
    """Note what is wrong with a rule's figure: a share of 1 is the whole price of a new machine."""
    most = _MOST.get(test)
    if most is None:
        if figure is not None:
            bad.refuse(field, "this rule has no figure; leave it blank")
    elif test == "repair-share-below" and figure is not None and figure > most:
        bad.refuse(field, "is more than a new machine costs; give a share such as 0.5 for half")
    elif (
        bad.number(field, figure, above=0, most=most)
        and test == "major-faults-from"
        and not float(figure or 0).is_integer()
    ):
        bad.refuse(field, "is a number of faults; give a whole one")


def check_advice(bad: Checks, test: str, advises: str, *, field: str = "advises") -> None:
    """Note what is wrong with a rule's advice: what turns it into its opposite is refused."""
    if advises not in ADVICE:
        bad.refuse(field, f"choose one of: {', '.join(ADVICE)}")
    elif test == "safety-corrosion" and advises != BREAK:
        bad.refuse(field, "a machine that is not safe is not repaired or kept waiting; hide it")
    elif test in _NEVER and advises == _NEVER[test][0]:
        bad.refuse(field, f"would turn the rule into its opposite: {_NEVER[test][1]}")
