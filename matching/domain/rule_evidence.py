"""Which rules past fittings and sightings speak for, and which they speak against.

Two shapes are looked for: a part number in the machines of a make, family and revision, and a
part number in place of another. What speaks is counted; a proposal needs a least count and a
lower end of the Wilson interval, both from fixtures/reference/rule_proposals.json.

Two numbers seen in machines of one family are not taken to interchange: that is just what a
build break looks like. Only fittings speak for a pair.
"""

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from donors.domain.machines import Machine
from matching.domain.outcomes import Past
from matching.domain.proportions import wilson95
from matching.domain.rule_words import side_words
from matching.domain.rules import REFUSES, ApprovedRule, number_keys
from matching.domain.sightings import Seen
from parts.domain.interchange import InterchangeGraph

Group = tuple[str, str, str]  # make, family, revision ("" where numbers of the make have none)
Show = Callable[[str], str]
# Returns the fields a make's pattern names, None when the make is not known.
PatternFields = Callable[[str], frozenset[str] | None]


@dataclass(slots=True)
class Tally:
    """How many of how many went one way, and between which build dates."""

    agree: int = 0
    of: int = 0
    first: date | None = None
    last: date | None = None
    undated: int = 0

    def count(self, agrees: bool, machine: Machine) -> None:
        self.agree, self.of = self.agree + agrees, self.of + 1
        if machine.built is None:
            self.undated += 1
        else:
            self.first = min(self.first or machine.built.start, machine.built.start)
            self.last = max(self.last or machine.built.end, machine.built.end)

    @property
    def disagree(self) -> int:
        return self.of - self.agree

    def other_way(self) -> "Tally":
        return Tally(self.disagree, self.of, self.first, self.last, self.undated)

    def passes(self, limits: Mapping[str, float] | None) -> bool:
        """Return True when there is enough, and enough of it agrees."""
        if limits is None or self.of < limits["least"]:
            return False
        return wilson95(self.agree, self.of)[0] >= limits["lower_bound"]

    def percent(self) -> str:
        low, high = wilson95(self.agree, self.of)
        return f"95 % interval {100 * low:.0f} to {100 * high:.0f} %"


@dataclass(frozen=True, slots=True)
class Proposal:
    """A rule the evidence speaks for. basis: what it is about, the same however much is known.

    weight: how many fittings and sightings it rests on.
    """

    basis: str
    says: str
    donor_side: Mapping[str, Any]
    job_side: Mapping[str, Any]
    both_ways: bool
    because: str
    weight: int

    def stated(self) -> ApprovedRule:
        return ApprovedRule(0, self.says, self.donor_side, self.job_side, self.both_ways)


@dataclass
class Evidence:
    """What is on record for one kind, counted by number and machines, and by pairs of numbers."""

    limits: Mapping[str, Any]
    pattern_fields: PatternFields = lambda make: None
    show: Show = str
    fitted: dict[tuple[str, Group], Tally] = field(default_factory=lambda: defaultdict(Tally))
    pairs: dict[tuple[str, str], Tally] = field(default_factory=lambda: defaultdict(Tally))
    _carried: dict[Group, dict[str, list[Seen]]] = field(
        default_factory=lambda: defaultdict(lambda: defaultdict(list))
    )

    def add_pasts(self, pasts: Iterable[Past]) -> None:
        for past in pasts:
            offered, wanted = past.offer.number.canonical, past.want.number.canonical
            group = self._group(past.want.machine)
            if offered and group:
                self.fitted[offered, group].count(past.fitted, past.want.machine)
            if offered and wanted and offered != wanted:
                self.pairs[offered, wanted].count(past.fitted, past.want.machine)

    def add_seen(self, seen: Iterable[Seen]) -> None:
        for number, one in enumerate(seen):
            group = self._group(one.machine)
            if group:
                ref = one.machine.ref or f"#{number}"
                self._carried[group][ref].append(one)

    def _group(self, machine: Machine) -> Group | None:
        """Return what a rule could name of a machine; None when it is not known well enough."""
        if not machine.make or not machine.family or machine.sure < self.limits["least_sure"]:
            return None
        fields = self.pattern_fields(machine.make)
        if fields is None or ("revision" in fields and not machine.revision):
            return None
        return machine.make, machine.family, machine.revision if "revision" in fields else ""

    def seen(self) -> dict[tuple[str, Group], Tally]:
        """Return for each number and group how many of its machines carried it."""
        found: dict[tuple[str, Group], Tally] = {}
        for group, machines in self._carried.items():
            everyone = Tally()
            carriers: Counter[str] = Counter()
            for many in machines.values():
                everyone.count(False, many[0].machine)
                carriers.update({one.number for one in many})
            for number, times in carriers.items():
                found[number, group] = replace(everyone, agree=times)
        return found

    def proposals(self, graph: InterchangeGraph) -> list[Proposal]:
        """Return what the evidence speaks for, in the order of what it is about."""
        seen = self.seen()
        found = [
            self._about_machines(number, group, self.fitted.get((number, group), Tally()), carried)
            for number, group in sorted({*self.fitted, *seen})
            for carried in [seen.get((number, group), Tally())]
        ]
        found += [self._about_pair(a, b, graph) for a, b in sorted(self.pairs)]
        return [one for one in found if one is not None]

    def _about_machines(
        self, number: str, group: Group, fitted: Tally, seen: Tally
    ) -> Proposal | None:
        says = self._says(fitted, seen)
        if says is None:
            return None
        job_side = _machines(group, fitted, seen)
        machines = side_words(_machines(group))
        told = [self._fitted_words(fitted, f"{self.show(number)} in {machines}", says)]
        if seen.agree and says != REFUSES:
            told.append(
                f"Seen in {seen.agree} of {seen.of} such machines on record ({seen.percent()})."
            )
        weight = fitted.of + (seen.of if says != REFUSES else 0)
        return Proposal(
            basis="|".join(("machines", says, number, *group)),
            says=says,
            donor_side={"part_numbers": [self.show(number)]},
            job_side=job_side,
            both_ways=False,
            because=" ".join(text for text in told if text),
            weight=weight,
        )

    def _says(self, fitted: Tally, seen: Tally) -> str | None:
        yes, no = self.limits["fits"], self.limits[REFUSES]
        if self._speaks(fitted.other_way(), no.get("fitted")):
            return REFUSES
        if self._speaks(fitted, yes.get("fitted")):
            return "fits"
        # Sightings do not outweigh a fitting that failed to go in.
        return "fits" if self._speaks(seen, yes.get("seen")) and not fitted.disagree else None

    def _speaks(self, tally: Tally, limits: Mapping[str, float] | None) -> bool:
        """Return True when there is enough for a rule that its own evidence would not flag."""
        return tally.passes(limits) and not contradiction(tally, self.limits["contradicted"])

    def _about_pair(self, a: str, b: str, graph: InterchangeGraph) -> Proposal | None:
        there, back = self.pairs[a, b], self.pairs.get((b, a), Tally())
        says = self._says(there, Tally())
        if says is None or (says == "fits" and graph.serves(a, b)):
            return None
        both = self._says(back, Tally()) == says
        if both and b < a:
            return None  # told once, from the other end
        told = [self._fitted_words(there, f"{self.show(a)} in place of {self.show(b)}", says)]
        if both:
            words = f"{self.show(b)} in place of {self.show(a)}"
            told.append(self._fitted_words(back, words, says))
        return Proposal(
            basis="|".join(("pair", says, a, b, "both" if both else "one")),
            says=says,
            donor_side={"part_numbers": [self.show(a)]},
            job_side={"part_numbers": [self.show(b)]},
            both_ways=both,
            because=" ".join(told),
            weight=there.of + (back.of if both else 0),
        )

    def _fitted_words(self, tally: Tally, what: str, says: str) -> str:
        if not tally.of:
            return ""
        if says == REFUSES:
            shown = tally.other_way()
            return f"{what}: {shown.agree} of {shown.of} did not fit ({shown.percent()})."
        return f"{what}: {tally.agree} of {tally.of} fitted ({tally.percent()})."


def _machines(group: Group, *tallies: Tally) -> dict[str, Any]:
    """Return the job's side: the machines, and the build dates the evidence lies between.

    Outside of those nothing was tried or seen. Where most machines among the evidence have no
    date, no span is stated.
    """
    make, family, revision = group
    side: dict[str, Any] = {"make": make, "family": family}
    if revision:
        side["fields"] = {"revision": revision}
    if 2 * sum(tally.undated for tally in tallies) < sum(tally.of for tally in tallies):
        side["built_from"] = str(min(tally.first for tally in tallies if tally.first))
        side["built_to"] = str(max(tally.last for tally in tallies if tally.last))
    return side


class PastsByNumber:
    """Past fittings of one kind, found by the number that was offered."""

    def __init__(self, pasts: Iterable[Past]) -> None:
        self.all = list(pasts)
        self._by_number: dict[str, list[Past]] = defaultdict(list)
        for past in self.all:
            self._by_number[past.offer.number.canonical].append(past)

    def near(self, rule: ApprovedRule) -> Iterable[Past]:
        """Return the past fittings a rule may speak of, and few others."""
        numbers = rule.donor_side.get("part_numbers")
        if not numbers or rule.both_ways:
            return self.all
        return [
            past for key in number_keys(tuple(numbers)) for past in self._by_number.get(key, ())
        ]


def tally_of(rule: ApprovedRule, pasts: PastsByNumber) -> Tally:
    """Return how many of the past fittings a rule certainly speaks of went as it says."""
    found = Tally()
    for past in pasts.near(rule):
        if rule.applies(past.offer, past.want):
            found.count(past.fitted == (rule.says != REFUSES), past.want.machine)
    return found


def contradiction(tally: Tally, limits: Mapping[str, float]) -> str:
    """Say that outcomes contradict a rule; "" when they do not.

    They do when even the upper end of the interval is below what a rule must hold in.
    """
    if tally.disagree < limits["least"]:
        return ""
    if wilson95(tally.agree, tally.of)[1] >= limits["upper_bound"]:
        return ""
    return (
        f"{tally.disagree} of {tally.of} past fittings went against this rule "
        f"(as it says: {tally.percent()})."
    )
