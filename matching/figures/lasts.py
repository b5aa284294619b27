"""How long fitted parts last, by grade and by kind, and what warranty the guide gives."""

from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import lru_cache

from django.db.models import Count

from matching.domain.lasting import Fitted, Lasting, Step, WarrantyGuide, lasting
from matching.figures.spans import Span
from matching.models import Outcome
from parts.models import Grade
from parts.reference import kinds
from workshop import reference
from workshop.models import Workshop

NO_GRADE = "no-grade"  # an imported fitting, whose part was never graded here
FEW = 20  # fittings below which a group is said to be few; our own choice
SHOWN_DAYS = (30, 90, 180, 365)


@dataclass(frozen=True, slots=True)
class Point:
    """What is known of a group after so many days. step None: nobody was watched so long."""

    days: int
    at_risk: int
    step: Step | None


@dataclass(frozen=True, slots=True)
class Group:
    """The fittings of one grade or kind. warranty_days: by the guide; None without a grade."""

    slug: str
    name: str
    found: Lasting
    warranty_days: int | None = None

    @property
    def few(self) -> bool:
        return self.found.count < FEW

    @property
    def points(self) -> list[Point]:
        found = self.found
        return [Point(days, found.at_risk(days), found.working_after(days)) for days in SHOWN_DAYS]


@dataclass(frozen=True, slots=True)
class HowLong:
    """Fittings of a span, watched until its end.

    undated: failed on a day that is not on record, counted as failed on the first: the worst
    case. ungraded: imported, whose grade is not known.
    """

    whole: Group
    grades: list[Group]
    kinds: list[Group]
    undated: int
    ungraded: int


@lru_cache(maxsize=1)
def warranty_guide() -> WarrantyGuide:
    return WarrantyGuide.of(reference.read("warranty_days"))


def how_long(workshop: Workshop, span: Span) -> HowLong:
    """Return how long parts fitted in the span last, as known at its end: one query.

    Parts that did not fit were never in use and count nowhere.
    """
    rows = Outcome.of(workshop).filter(fitted_on__range=(span.start, span.end)).order_by()
    counted = (
        rows.exclude(result=Outcome.Result.DID_NOT_FIT)
        .values_list("kind_id", "part__grade", "fitted_on", "result", "days_to_failure")
        .annotate(count=Count("id"))
    )
    fitted: list[Fitted] = []
    undated = 0
    for kind, grade, day, result, days, count in counted:
        failed = result == Outcome.Result.FAILED
        undated += count if failed and days is None else 0
        fitted.append(_watched(kind, grade or NO_GRADE, (span.end - day).days, failed, days, count))
    grades = _grouped(fitted, lambda one: one.grade)
    return HowLong(
        whole=Group("", "all fittings", lasting(fitted)),
        grades=[_of_grade(slug, grades[slug]) for slug in _grade_order() if slug in grades],
        kinds=_of_kinds(_grouped(fitted, lambda one: one.kind)),
        undated=undated,
        ungraded=sum(one.count for one in fitted if one.grade == NO_GRADE),
    )


def _watched(
    kind: str, grade: str, watch: int, failed: bool, days: int | None, count: int
) -> Fitted:
    """Return one row as it was known at the span's end: a later failure was not known then."""
    lasted = watch if not failed else (days or 0)
    known = failed and lasted <= watch
    return Fitted(float(min(lasted, watch)), failed=known, kind=kind, grade=grade, count=count)


def _grouped(fitted: Iterable[Fitted], key: Callable[[Fitted], str]) -> dict[str, Lasting]:
    groups: dict[str, list[Fitted]] = defaultdict(list)
    for one in fitted:
        groups[key(one)].append(one)
    return {slug: lasting(found) for slug, found in groups.items()}


def _grade_order() -> list[str]:
    return [*Grade.values[1:], Grade.NOT_GRADED.value, NO_GRADE]


def _of_grade(slug: str, found: Lasting) -> Group:
    if slug == NO_GRADE:
        return Group(slug, "grade not on record", found)
    days = warranty_guide().days_by_grade.get(slug)
    return Group(slug, str(Grade(slug).label), found, days)


def _of_kinds(groups: dict[str, Lasting]) -> list[Group]:
    named = [Group(slug, kinds()[slug].name, found) for slug, found in groups.items()]
    return sorted(named, key=lambda one: (-one.found.count, one.name))


def warranty_by_grade() -> list[tuple[str, int]]:
    """Return the guide's days of warranty by grade, in the order of the grades."""
    days = warranty_guide().days_by_grade
    return [(str(grade.label), days[grade.value]) for grade in Grade if grade.value in days]
