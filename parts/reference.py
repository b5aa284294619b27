"""Reference data on parts: kinds, who carries them, odds, cautions, limits, duties."""

from collections.abc import Iterator
from functools import lru_cache
from typing import Any

from django.utils import timezone

from donors.models import FailureCause
from parts import shelf
from parts.domain.bench.discharge import Charged
from parts.domain.bench.limits import BenchLimits
from parts.domain.bench_forms.forms import BenchForms
from parts.domain.electrical_safety.rules import Rules as SafetyRules
from parts.domain.kinds import Kind
from parts.domain.labels.sheets import Sheet
from parts.domain.spare_part_duties import Rule as DutyRule
from parts.models import Caution, KindCarried, Part, PartKind, StripStep, SurvivalPrior
from workshop import reference


@reference.loads("part_kinds")
def load_part_kinds(rows: list[dict[str, Any]]) -> None:
    columns = [name for name in rows[0] if name != "slug"]
    before = dict(_graded_by())
    reference.upsert([PartKind(**row) for row in rows], unique=["slug"], update=columns)
    changed = [slug for slug, now in _graded_by() if before.get(slug, now) != now]
    parts = Part.objects.unscoped().filter(kind__in=changed)
    shelf.work_out_anew(parts, on=timezone.localdate())


def _graded_by() -> Iterator[tuple[str, tuple[Any, ...]]]:
    """Yield by slug what of a kind its parts' grades follow from (grades.facts_of)."""
    for slug, *facts in PartKind.objects.values_list(
        "slug", "shelf_months", "component_class", "reuse"
    ):
        yield slug, tuple(facts)


@reference.loads("carried")
def load_carried(rows: list[dict[str, Any]]) -> None:
    carried = [_referring(KindCarried, row, "appliance", "kind") for row in rows]
    columns = ["positions", "part_of_intake", "guide_price", "source"]
    reference.upsert(carried, unique=["appliance", "kind"], update=columns)


@reference.loads("survival")
def load_survival(rows: list[dict[str, Any]]) -> None:
    causes = {(c.appliance_id, c.slug): c.pk for c in FailureCause.objects.all()}
    priors = [
        SurvivalPrior(
            kind_id=row["kind"],
            cause_id=causes[row["appliance"], row["cause"]],
            percent=row["percent"],
            source=row["source"],
        )
        for row in rows
    ]
    reference.upsert(priors, unique=["kind", "cause"], update=["percent", "source"])


@reference.loads("cautions")
def load_cautions(rows: list[dict[str, Any]]) -> None:
    cautions = [
        _referring(Caution, {**row, "licence": row["licence"] or ""}, "appliance", "kind")
        for row in rows
    ]
    columns = ["appliance", "kind", "hazard", "text", "licence", "source"]
    reference.upsert(cautions, unique=["slug"], update=columns)


@reference.loads("strip_steps")
def load_strip_steps(rows: list[dict[str, Any]]) -> None:
    steps = [_referring(StripStep, row, "appliance") for row in rows]
    columns = [name for name in rows[0] if name not in {"appliance", "slug"}]
    reference.upsert(steps, unique=["appliance", "slug"], update=columns)


def _referring(model: Any, row: dict[str, Any], *references: str) -> Any:
    """Return a row of `model` whose references are given by their slugs."""
    values = {f"{name}_id" if name in references else name: row[name] for name in row}
    return model(**values)


@lru_cache(maxsize=1)
def kinds() -> dict[str, Kind]:
    """Return every kind as the engine sees it, by slug."""
    return {row["slug"]: Kind.of(row) for row in reference.read("part_kinds")}


@lru_cache(maxsize=1)
def bench_limits() -> BenchLimits:
    """Return the limits of bench tests (bench_tests.json)."""
    return BenchLimits.of(reference.read("bench_tests"))


@lru_cache(maxsize=1)
def bench_forms() -> BenchForms:
    """Return which tests each kind takes and what they ask (bench_forms.json)."""
    return BenchForms.of(reference.read("bench_forms"))


@lru_cache(maxsize=1)
def charged_parts() -> tuple[Charged, ...]:
    """Return what keeps a charge in which kinds (capacitor_discharge.json)."""
    return tuple(Charged.of(row) for row in reference.read("capacitor_discharge"))


@lru_cache(maxsize=1)
def label_sheets() -> tuple[Sheet, ...]:
    """Return the sheets of labels there are, the smallest labels first (label_sheets.json)."""
    return tuple(Sheet.of(row) for row in reference.read("label_sheets"))


@lru_cache(maxsize=1)
def safety_rules() -> SafetyRules:
    """Return the steps and limits of the electrical-safety sequence (electrical_safety.json)."""
    return SafetyRules.of(reference.read("electrical_safety"))


@lru_cache(maxsize=1)
def duty_rules() -> tuple[DutyRule, ...]:
    """Return the rules on spare parts makers have to supply (spare_part_duties.json)."""
    return tuple(DutyRule.of(row) for row in reference.read("spare_part_duties"))
