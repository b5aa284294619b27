"""The table of faults as a workshop uses it: the delivered one under its own changes."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

from django.db.models import Count, QuerySet

from matching.domain.diagnosis import fault_codes
from matching.domain.diagnosis.fault_codes import FaultCodes
from matching.domain.diagnosis.tables import SOMETHING_ELSE, Answer, Check, FaultTable, Symptom
from matching.faults import check_cautions
from matching.models import FaultCode, FaultLesson, Job, WorkshopCheck, WorkshopSymptom
from parts.reference import kinds
from workshop import reference
from workshop.errors import NotFound
from workshop.models import Workshop

Counts = Mapping[str, Mapping[str, int]]
# Of two checks that tell as much a minute the guide's comes first.
OWN_AFTER = 1000


@lru_cache(maxsize=1)
def delivered() -> FaultTable:
    """Return the table delivered (symptoms.json)."""
    return FaultTable.of(reference.read("symptoms"))


@lru_cache(maxsize=1)
def _sources() -> Mapping[str, str]:
    data = reference.read("symptoms")
    return {row["slug"]: row["source"] for row in [*data["symptoms"], *data["checks"]]}


@dataclass(frozen=True, slots=True)
class SymptomRow:
    """A symptom as this workshop has it. given: as delivered, None when it is an own one."""

    symptom: Symptom
    source: str
    given: Symptom | None = None
    change: WorkshopSymptom | None = None

    @property
    def hidden(self) -> bool:
        return self.change is not None and self.change.hidden

    @property
    def standing(self) -> str:
        """Say in words whose row it is."""
        if self.change is None:
            return "guide"
        return "guide, changed here" if self.given else "your own"


@dataclass(frozen=True, slots=True)
class CheckRow:
    """A check as this workshop does it. given: as delivered, None when it is an own one."""

    check: Check
    source: str
    given: Check | None = None
    change: WorkshopCheck | None = None

    @property
    def hidden(self) -> bool:
        return self.change is not None and self.change.hidden


def symptom_rows(workshop: Workshop | int, appliance: str = "") -> list[SymptomRow]:
    """Return every symptom, hidden ones too, the delivered first: one query."""
    stored = WorkshopSymptom.of(workshop).select_related("changed_by__user").order_by("id")
    changes = {one.slug: one for one in stored if appliance in ("", one.appliance_id)}
    rows = [
        SymptomRow(given, _sources()[slug], given)
        for slug, given in delivered().symptoms.items()
        if appliance in ("", given.appliance) and slug not in changes
    ]
    for slug, change in changes.items():
        given = delivered().symptoms.get(slug)
        source = change.source or "not said"
        rows.append(SymptomRow(_symptom_of(change), source, given, change))
    order = {slug: place for place, slug in enumerate(delivered().symptoms)}
    return sorted(rows, key=lambda row: order.get(row.symptom.slug, len(order)))


def get_symptom_row(workshop: Workshop, slug: str) -> SymptomRow:
    """Return one symptom, hidden or not, or raise NotFound."""
    found = [row for row in symptom_rows(workshop) if row.symptom.slug == slug]
    if not found:
        raise NotFound(f"There is no symptom {slug} in this workshop's table.")
    return found[0]


def check_rows(workshop: Workshop | int, appliance: str = "") -> list[CheckRow]:
    """Return every check, those not done here too, the guide's in its order first: one query."""
    stored = WorkshopCheck.of(workshop).select_related("changed_by__user").order_by("id")
    changes = {one.slug: one for one in stored if appliance in ("", one.appliance_id)}
    rows = [
        CheckRow(_timed(given, changes.get(slug)), _sources()[slug], given, changes.get(slug))
        for slug, given in delivered().checks.items()
        if appliance in ("", given.appliance)
    ]
    own = [one for one in changes.values() if one.is_own]
    return rows + [CheckRow(own_check(one), one.source or "not said", None, one) for one in own]


def get_check_row(workshop: Workshop, slug: str) -> CheckRow:
    """Return one check, done here or not, or raise NotFound."""
    found = [row for row in check_rows(workshop) if row.check.slug == slug]
    if not found:
        raise NotFound(f"There is no check {slug} in this workshop's table.")
    return found[0]


def own_check(row: WorkshopCheck) -> Check:
    """Return a workshop's own check as the diagnosis reads checks, with two answers.

    The cautions that always stand beside such a check come before those chosen for it.
    """
    against = {name: 1 - chance for name, chance in row.suspects.items()}
    assert row.minutes is not None  # own_check_is_whole
    assert row.otherwise is not None
    always = check_cautions.always(row.appliance_id, row.suspects, opens=row.opens)
    return Check(
        slug=row.slug,
        appliance=row.appliance_id,
        do=row.do,
        minutes=row.minutes,
        order=OWN_AFTER,
        answers=(
            Answer("bad", row.finds, row.suspects, row.otherwise),
            Answer("good", row.clear, against, 1 - row.otherwise),
        ),
        cautions=tuple(dict.fromkeys([*always, *row.cautions])),
        instrument=row.instrument,
    )


def _symptom_of(row: WorkshopSymptom) -> Symptom:
    return Symptom(row.slug, row.appliance_id, row.name, row.suspects, tuple(row.words))


def _timed(given: Check, change: WorkshopCheck | None) -> Check:
    if change is None or change.minutes is None:
        return given
    return replace(given, minutes=change.minutes)


def table_of(workshop: Workshop | int, appliance: str = "") -> FaultTable:
    """Return what counts in a workshop, without what it hides: two queries."""
    return _table(workshop, appliance, check_rows(workshop, appliance))


def table_and_words(
    workshop: Workshop | int, appliance: str
) -> tuple[FaultTable, Mapping[str, str]]:
    """Return `table_of`, and what each check does in words, those not done here too."""
    rows = check_rows(workshop, appliance)
    words = {row.check.slug: row.check.do for row in rows}
    return _table(workshop, appliance, rows), words


def _table(workshop: Workshop | int, appliance: str, rows: Iterable[CheckRow]) -> FaultTable:
    symptoms = [row.symptom for row in symptom_rows(workshop, appliance) if not row.hidden]
    checks = [row.check for row in rows if not row.hidden]
    return FaultTable(
        {one.slug: one for one in symptoms},
        {one.slug: one for one in checks},
        delivered().causes,
        delivered().alike,
    )


def list_codes(workshop: Workshop) -> "QuerySet[FaultCode]":
    """Return the workshop's codes by make, appliance and code, hidden ones too."""
    rows = FaultCode.of(workshop).select_related("make", "appliance", "changed_by__user")
    return rows.order_by("make__name", "appliance", "code_key", "range_key", "id")


def get_code(workshop: Workshop, code_id: int) -> FaultCode:
    """Return one code or raise NotFound."""
    found = list_codes(workshop).filter(pk=code_id).first()
    if found is None:
        raise NotFound(f"There is no fault code {code_id} in this workshop's table.")
    return found


@dataclass(frozen=True, slots=True)
class CodeRead:
    """What a shown code was taken for. row: None when the table has none for this machine.

    elsewhere: the makes and appliances it stands for otherwise, in words.
    """

    row: FaultCode | None
    elsewhere: tuple[str, ...] = ()

    @property
    def symptom(self) -> Symptom | None:
        return None if self.row is None else as_symptom(self.row)


def as_symptom(row: FaultCode) -> Symptom:
    """Return a code as a symptom like others, counted under the row's own name."""
    return replace(_plain(row).as_symptom(), slug=row.slug)


def read_codes(job: Job, codes: Iterable[str]) -> dict[str, CodeRead]:
    """Return what codes mean on a job's machine, by their compared form: one query.

    The row of the machine's range comes before the make's. Needs `make` to be loaded.
    """
    keys = sorted({fault_codes.written(one) for one in codes})
    if not keys:
        return {}
    rows = FaultCode.of(job.workshop_id).filter(code_key__in=keys, hidden=False)
    stored = {_plain(row).slug: row for row in rows.select_related("make", "appliance")}
    table = FaultCodes(tuple(map(_plain, stored.values())))
    found = {}
    for key in keys:
        make = job.make.name if job.make else ""
        here = table.find(key, make=make, appliance=job.appliance_id, range_=job.family)
        others = [row for row in stored.values() if row.code_key == key]
        found[key] = CodeRead(stored[here.slug] if here else None, _elsewhere(others))
    return found


def _elsewhere(rows: Iterable[FaultCode]) -> tuple[str, ...]:
    named = (f"{row.make.name} {row.appliance.name.lower()}" for row in rows)
    return tuple(dict.fromkeys(named))


def _plain(row: FaultCode) -> fault_codes.FaultCode:
    return fault_codes.FaultCode(
        row.make.name, row.range, row.appliance_id, row.code_key, row.meaning, row.suspects
    )


def closed_counts(workshop: Workshop | int, under: Iterable[str] | None = None) -> Counts:
    """Return how often each suspect was at fault in closed jobs, by what they showed: one query.

    under: symptoms' slugs and codes; None for all.
    """
    rows = FaultLesson.of(workshop)
    if under is not None:
        rows = rows.filter(under__in=list(under))
    found: dict[str, dict[str, int]] = defaultdict(dict)
    counted = rows.order_by().values_list("under", "suspect").annotate(count=Count("id"))
    for symptom, suspect, count in counted.order_by("under", "suspect"):
        found[symptom][suspect] = count
    return found


@lru_cache(maxsize=32)
def carried_by(appliance: str) -> Mapping[str, tuple[str, ...]]:
    """Return the part kinds an appliance carries by name, each with its positions, if several."""
    rows = [row for row in reference.read("carried") if row["appliance"] == appliance]
    found = {row["kind"]: tuple(filter(None, row["positions"])) for row in rows}
    return dict(sorted(found.items(), key=lambda pair: kinds()[pair[0]].name))


def parts_of(appliance: str) -> dict[str, str]:
    """Return the part kinds that may be suspected in an appliance: those it carries, by name."""
    return {kind: kinds()[kind].name for kind in carried_by(appliance)}


def causes_of(appliance: str) -> dict[str, str]:
    """Return the causes that are no part. What an appliance carries as a part is none there."""
    carried = carried_by(appliance)
    return {slug: name for slug, name in delivered().causes.items() if slug not in carried}


def suspects_of(appliance: str) -> dict[str, str]:
    """Return what may be suspected in an appliance, and its name: its parts, then causes."""
    return {**parts_of(appliance), **causes_of(appliance)}


def suspect_name(slug: str, appliance: str) -> str:
    """Return a part kind, a cause or "something else" in words."""
    known = {SOMETHING_ELSE: "something else", **suspects_of(appliance)}
    return known.get(slug) or (kinds()[slug].name if slug in kinds() else slug)
