"""How long fitted parts last, by grade and by kind, and what warranty they carry here."""

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass

from django.db.models import Count

from matching import warranty
from matching.domain.lasting import Fitted, Lasting, Step, lasting
from matching.figures.spans import Span
from matching.models import Outcome
from matching.warranty import Promise
from parts.models import Grade
from parts.reference import kinds
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
    """The fittings of one grade or kind.

    warranty_days: as the workshop has set it when `warranty_own`, else by the guide; None without
    a grade.
    """

    slug: str
    name: str
    found: Lasting
    warranty_days: int | None = None
    warranty_own: bool = False

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


def how_long(workshop: Workshop, span: Span) -> HowLong:
    """Return how long parts fitted in the span last, as known at its end: two queries.

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
    promises = {one.grade: one for one in warranty.list_promises(workshop) if one.grade}
    return HowLong(
        whole=Group("", "all fittings", lasting(fitted)),
        grades=[
            _of_grade(slug, grades[slug], promises) for slug in _grade_order() if slug in grades
        ],
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


def _of_grade(slug: str, found: Lasting, promises: Mapping[str, Promise]) -> Group:
    if slug == NO_GRADE:
        return Group(slug, "grade not on record", found)
    name, promise = str(Grade(slug).label), promises.get(slug)
    if promise is None:
        return Group(slug, name, found, warranty.guide().days_by_grade.get(slug))
    return Group(slug, name, found, promise.days, promise.own)


def _of_kinds(groups: dict[str, Lasting]) -> list[Group]:
    named = [Group(slug, kinds()[slug].name, found) for slug, found in groups.items()]
    return sorted(named, key=lambda one: (-one.found.count, one.name))


@dataclass(frozen=True, slots=True)
class Carried:
    """Days of warranty of a grade, or of a kind where the workshop has set it."""

    name: str
    days: int
    own: bool


def warranty_carried(workshop: Workshop) -> list[Carried]:
    """Return the days of warranty by grade, then those of kinds set here: one query."""
    return [
        Carried(_named(one), one.days, one.own)
        for one in warranty.list_promises(workshop)
        if one.grade or one.own
    ]


def _named(promise: Promise) -> str:
    return str(Grade(promise.grade).label) if promise.grade else kinds()[promise.kind].name
