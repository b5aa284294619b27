"""Reads of the list of what to look for (worked out by looking_for.py)."""

from dataclasses import dataclass
from typing import Any

from django.db.models import F, QuerySet, Window
from django.db.models.functions import RowNumber

from donors.models import ModelNumber
from matching.models import Job, LookedFor, Looking, Need
from parts.reference import kinds
from workshop.models import Workshop

PAGE = 20
KNOWN_NUMBERS = 6


@dataclass(frozen=True, slots=True)
class ServedNeed:
    """One part of a served job, with its chances and what it pays at most or as a guide."""

    need: int
    kind: str
    name: str
    position: str
    p_fit: float
    p_good: float
    price_cents: int


@dataclass(frozen=True, slots=True)
class ServedJob:
    """A job one such machine would complete, with the chance 0..1."""

    ref: str
    p: float
    needs: tuple[ServedNeed, ...]


@dataclass(frozen=True, slots=True)
class Shown:
    """A row of the list, its jobs as far as they still wait.

    names: model numbers as printed, of those jobs first, then known ones of the family.
    """

    row: LookedFor
    jobs: list[ServedJob]
    names: list[str]

    @property
    def make(self) -> str:
        return str(self.row.make.name)

    @property
    def expected_jobs(self) -> float:
        return sum(job.p for job in self.jobs)

    @property
    def expected_cents(self) -> float:
        return sum(job.p * sum(need.price_cents for need in job.needs) for job in self.jobs)


def rows(workshop: Workshop) -> "QuerySet[LookedFor]":
    """Return the list as it was worked out last, most expected jobs first."""
    found = LookedFor.of(workshop).select_related("make", "appliance")
    return found.order_by("-expected_jobs", "id")


def state(workshop: Workshop) -> Looking | None:
    """Return how far the list is worked out; None before it was begun."""
    found: Looking | None = Looking.of(workshop).first()
    return found


def shown(workshop: Workshop, page: list[LookedFor]) -> list[Shown]:
    """Return the rows of a page for reading: three queries.

    Jobs that were done, refused or lack other parts since are left out at once; what takes
    their place is known when the list is worked out anew.
    """
    ids = {need["need"] for row in page for job in row.jobs for need in job["needs"]}
    open_needs = Need.of(workshop).filter(
        pk__in=ids, state=Need.State.OPEN, job__state=Job.State.OPEN
    )
    still = set(open_needs.values_list("pk", flat=True))
    known = _known_numbers(workshop, page)
    return [
        Shown(
            row,
            [_job(job) for job in row.jobs if all(need["need"] in still for need in job["needs"])],
            _names(row, known.get((row.make_id, row.family), [])),
        )
        for row in page
    ]


def _job(job: dict[str, Any]) -> ServedJob:
    needs = [ServedNeed(name=str(kinds()[need["kind"]].name), **need) for need in job["needs"]]
    return ServedJob(job["ref"], job["p"], tuple(needs))


def _names(row: LookedFor, known: list[str]) -> list[str]:
    own = row.names or ([row.number_key] if row.number_key else [])
    return list(dict.fromkeys([*own, *known]))[: max(KNOWN_NUMBERS, len(own))]


def _known_numbers(workshop: Workshop, page: list[LookedFor]) -> dict[tuple[int, str], list[str]]:
    """Return the first known model numbers of each family of a page, as printed: one query."""
    families = {row.family for row in page} - {""}
    nth = Window(RowNumber(), partition_by=[F("make"), F("family")], order_by=F("id").asc())
    numbers = ModelNumber.of(workshop).filter(
        make__in={row.make_id for row in page}, family__in=families, wildcard=False
    )
    first = (
        numbers.annotate(nth=nth).filter(nth__lte=KNOWN_NUMBERS).order_by("make", "family", "nth")
    )
    found: dict[tuple[int, str], list[str]] = {}
    for make, family, number in first.values_list("make_id", "family", "number"):
        found.setdefault((make, family), []).append(number)
    return found
