"""P(good) of stock, from bench grades and the survival tables, for many parts at once."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date
from typing import Self

from django.db.models import Count, Q

from donors.domain import survival
from donors.reference import age_bands, most_percent
from parts.domain.condition import Condition, from_grade, untested
from parts.models import BenchTest, Part, SurvivalPrior
from parts.reference import kinds
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
        by_appliance: dict[tuple[str, str], list[float]] = defaultdict(list)
        columns = ("kind_id", "cause_id", "percent", "cause__appliance_id")
        rows = SurvivalPrior.objects.filter(kind__in=missing).values_list(*columns)
        for kind, cause, percent, appliance in rows:
            self.priors[kind, cause] = percent
            by_appliance[kind, appliance].append(percent)
        self.means |= {key: sum(found) / len(found) for key, found in by_appliance.items()}
        self.own |= own_results(self.workshop_id, missing)
        self._read |= missing

    def condition(self, part: Part) -> Condition:
        """Return P(good) of one part. Needs donor, its cause and grade_test to be loaded."""
        if part.kind_id in kinds() and kinds()[part.kind_id].never_reused:
            return Condition(0.0, "this kind is never reused")
        if part.donor and part.donor.cause and part.donor.cause.spoils_parts:
            return Condition(
                0.0, f"from a machine scrapped for {part.donor.cause.name.lower()}: not to be sold"
            )
        tested_on = str(part.grade_test.tested_on) if part.grade_test else ""
        return from_grade(part.grade, tested_on) or self._untested(part)

    def _untested(self, part: Part) -> Condition:
        self.prepare([part.kind_id])
        donor = part.donor
        cause_id = donor.cause_id if donor else None
        built = from_ends(donor.built_from, donor.built_to) if donor else None
        age = built.age_years(self.on) if built else None
        passed, failed = self.own.get((part.kind_id, cause_id), (0, 0))
        percent = survival.shifted_percent(
            self._percent(part.kind_id, cause_id, donor.appliance_id if donor else ""),
            age_years=age,
            component_class=kinds()[part.kind_id].component_class,
            bands=age_bands(),
            most=most_percent(),
        )
        if percent <= 0:
            return Condition(0.0, "never good from a machine that failed so")
        belief = survival.belief(percent, passed=passed, failed=failed)
        cause = donor.cause.name if donor and donor.cause else ""
        return untested(belief.mean, cause=cause, age_years=age, own=passed + failed)

    def _percent(self, kind: str, cause_id: int | None, appliance: str) -> float:
        if cause_id is not None and (kind, cause_id) in self.priors:
            return self.priors[kind, cause_id]
        return self.means.get((kind, appliance), survival.UNKNOWN_PERCENT)


def own_results(workshop_id: int, kinds: Iterable[str]) -> OwnResults:
    """Return (passed, failed) bench tests of some kinds by kind and cause of scrapping."""
    rows = (
        BenchTest.of(workshop_id)
        .filter(kind__in=list(kinds))
        .exclude(verdict=BenchTest.Verdict.NOT_MEASURED)
        .order_by()
        .values_list("kind_id", "part__donor__cause_id")
        .annotate(
            passed=Count("id", filter=Q(verdict__in=["good", "worn"])),
            failed=Count("id", filter=Q(verdict="failed")),
        )
    )
    return {(kind, cause): (passed, failed) for kind, cause, passed, failed in rows}
