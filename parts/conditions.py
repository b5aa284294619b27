"""P(good) of stock, from bench grades and the survival tables, for many parts at once."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Self

from donors.domain import survival
from donors.reference import age_bands, most_percent
from parts.domain.condition import Condition, from_grade, untested
from parts.reference import kinds
from parts.stock import AnyPart
from workshop import sql
from workshop.domain.intervals import from_ends

OwnResults = dict[tuple[str, int | None], tuple[int, int]]


@dataclass
class ConditionBook:
    """Survival tables and the workshop's own results of some kinds, read once for many parts."""

    on: date
    workshop_id: int = 0
    priors: dict[tuple[str, int], float] = field(default_factory=dict)
    means: dict[tuple[str, str], float] = field(default_factory=dict)
    own: OwnResults = field(default_factory=dict)
    _read: set[str] = field(default_factory=set)

    @classmethod
    def load(cls, workshop_id: int, *, on: date) -> Self:
        """Return a book of a workshop's parts. Nothing is read before it is asked for."""
        return cls(on=on, workshop_id=workshop_id)

    def prepare(self, kinds: Iterable[str]) -> None:
        """Read the tables and the own results of these kinds: two queries."""
        missing = set(kinds) - self._read
        if not missing:
            return
        self._read_priors(missing)
        self.own |= own_results(self.workshop_id, missing)
        self._read |= missing

    def _read_priors(self, kinds: Iterable[str]) -> None:
        by_appliance: dict[tuple[str, str], list[float]] = defaultdict(list)
        rows = sql.rows(
            "SELECT prior.kind_id, prior.cause_id, prior.percent, cause.appliance_id "
            "FROM parts_survivalprior AS prior "
            "JOIN donors_failurecause AS cause ON cause.id = prior.cause_id "
            "WHERE prior.kind_id IN %s ORDER BY prior.id",
            set(kinds),
        )
        for kind, cause, percent, appliance in rows:
            self.priors[kind, cause] = percent
            by_appliance[kind, appliance].append(percent)
        self.means |= {key: sum(found) / len(found) for key, found in by_appliance.items()}

    def condition(self, part: AnyPart) -> Condition:
        """Return P(good) of one part. Needs donor, its cause and grade_test to be loaded."""
        if getattr(part, "was_bad", False):
            return Condition(0.0, "it was found bad")
        if part.kind_id in kinds() and kinds()[part.kind_id].never_reused:
            return Condition(0.0, "this kind is never reused")
        if part.donor and part.donor.cause and part.donor.cause.spoils_parts:
            return Condition(
                0.0, f"from a machine scrapped for {part.donor.cause.name.lower()}: not to be sold"
            )
        tested_on = str(part.grade_test.tested_on) if part.grade_test else ""
        return from_grade(part.grade, tested_on) or self._untested(part)

    def as_it_came(self, part: AnyPart, on: date) -> Condition:
        """Return P(good) as it was believed on the day its machine came in, untested."""
        if part.kind_id in kinds() and kinds()[part.kind_id].never_reused:
            return Condition(0.0, "this kind is never reused")
        if part.donor and part.donor.cause and part.donor.cause.spoils_parts:
            return Condition(0.0, "from a machine whose parts are not sold")
        return self._untested(part, on)

    def _untested(self, part: AnyPart, on: date | None = None) -> Condition:
        donor = part.donor
        built = from_ends(donor.built_from, donor.built_to) if donor else None
        age = built.age_years(on or self.on) if built else None
        percent, belief = self.belief(
            part.kind_id,
            cause_id=donor.cause_id if donor else None,
            appliance=donor.appliance_id if donor else "",
            age_years=age,
        )
        if percent <= 0:
            return Condition(0.0, "never good from a machine that failed so")
        cause = donor.cause.name if donor and donor.cause else ""
        return untested(belief, percent=percent, cause=cause, age_years=age)

    def belief(
        self, kind: str, *, cause_id: int | None, appliance: str, age_years: float | None
    ) -> tuple[float, survival.Survival]:
        """Return the guide table's percentage moved for age, and with own tests the belief."""
        self.prepare([kind])
        percent = survival.shifted_percent(
            self._percent(kind, cause_id, appliance),
            age_years=age_years,
            component_class=kinds()[kind].component_class,
            bands=age_bands(),
            most=most_percent(),
        )
        passed, failed = self.own.get((kind, cause_id), (0, 0))
        return percent, survival.belief(percent, passed=passed, failed=failed)

    def _percent(self, kind: str, cause_id: int | None, appliance: str) -> float:
        if cause_id is not None and (kind, cause_id) in self.priors:
            return self.priors[kind, cause_id]
        return self.means.get((kind, appliance), survival.UNKNOWN_PERCENT)


def own_results(workshop_id: int, kinds: Iterable[str]) -> OwnResults:
    """Return (good, bad) parts of some kinds by kind and cause, each part counted once.

    Good: measured on the bench, and neither scrap nor found bad since. Bad: failed its test, failed
    in use, or scrapped as bad, tested or not: counting the tests alone would leave out what was
    thrown away without one, and praise the rest. What broke while it was taken out, or was missing,
    says nothing of either.
    """
    found: dict[tuple[str, int | None], list[int]] = defaultdict(lambda: [0, 0])
    asked = (workshop_id, set(kinds))
    for kind, cause, good, bad in sql.rows(_OWN_RESULTS, *asked, *asked, *asked):
        found[kind, cause][0] += int(good)
        found[kind, cause][1] += int(bad)
    return {key: (good, bad) for key, (good, bad) in found.items()}


_OWN_RESULTS = """
SELECT test.kind_id, donor.cause_id, COUNT(DISTINCT test.part_id), 0
FROM parts_benchtest AS test JOIN parts_part AS part ON part.id = test.part_id
LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id
WHERE test.workshop_id = %s AND test.kind_id IN %s AND test.verdict <> 'not-measured'
  AND part.grade <> 'scrap' AND NOT part.was_bad
GROUP BY test.kind_id, donor.cause_id
UNION ALL
SELECT part.kind_id, donor.cause_id, 0, COUNT(*)
FROM parts_part AS part LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id
JOIN parts_benchtest AS test ON test.id = part.grade_test_id
WHERE part.workshop_id = %s AND part.kind_id IN %s AND part.grade = 'scrap'
  AND NOT part.was_bad AND test.verdict = 'failed'
GROUP BY part.kind_id, donor.cause_id
UNION ALL
SELECT part.kind_id, donor.cause_id, 0, COUNT(*)
FROM parts_part AS part LEFT JOIN donors_donor AS donor ON donor.id = part.donor_id
WHERE part.workshop_id = %s AND part.kind_id IN %s AND part.was_bad
GROUP BY part.kind_id, donor.cause_id
"""
