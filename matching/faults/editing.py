"""Writes on a workshop's table of faults: codes, symptoms, and how checks are done here."""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from donors.models import Appliance
from donors.selectors import get_make
from matching.domain.diagnosis import wording
from matching.domain.diagnosis.fault_codes import written
from matching.domain.diagnosis.tables import (
    MOST_MINUTES,
    MOST_WORDS,
    SOMETHING_ELSE,
    check_weights,
)
from matching.fault_models import Standing
from matching.faults import tables
from matching.faults.tables import CheckRow, SymptomRow
from matching.models import FaultCode, WorkshopCheck, WorkshopSymptom
from workshop.domain.refusals import Checks
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, Workshop

MOST_SUSPECTS, LEAST_LETTERS = 30, 3


@dataclass(frozen=True, slots=True)
class CodeFacts:
    """A fault code as a person or a file states it. make: by name; range: blank for all."""

    make: str
    appliance: str
    code: str
    suspects: Mapping[str, float]
    range: str = ""
    meaning: str = ""
    checks: Sequence[str] = ()
    standing: str = Standing.OWN.value
    source: str = ""
    hidden: bool = False


@dataclass(frozen=True, slots=True)
class SymptomFacts:
    """A symptom as a person states it. words: what names it in a customer's sentence."""

    name: str
    suspects: Mapping[str, float]
    words: Sequence[str] = field(default_factory=tuple)
    source: str = ""
    hidden: bool = False


class FieldChecks(Checks):
    """Checks that leave as an InputRefused with a sentence for people."""

    def __init__(self, what: str) -> None:
        super().__init__()
        self.what = what

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None and self.fields:
            first = next(iter(self.fields.values()))
            raise InputRefused(f"The {self.what} was not stored. {first}", fields=self.fields)


@transaction.atomic
def save_code(
    *,
    workshop: Workshop,
    facts: CodeFacts,
    member: Member,
    now: datetime,
    code_id: int | None = None,
) -> FaultCode:
    """Add a code, or change the one with this id.

    Raises NotFound, InputRefused by field for what cannot be, Conflict when the code stands there
    for this make, range and appliance already.
    """
    row = _code_to_change(workshop, code_id)
    refuse_unknown_appliance(facts.appliance)
    make = get_make(workshop, facts.make)
    rows = tables.check_rows(workshop, facts.appliance) if facts.checks else []
    refuse_code(facts, {one.check.slug for one in rows})
    values = {**code_values(facts), "make": make}
    for name, value in values.items():
        setattr(row, name, value)
    row.changed_by, row.changed_at = member, now
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError:
        raise Conflict(
            f"{make.name} has {facts.code.strip()} already"
            f"{' for ' + row.range if row.range else ''}. Change that row.",
            fields={"code": "This code is there already."},
        ) from None
    return tables.get_code(workshop, row.pk)


def _code_to_change(workshop: Workshop, code_id: int | None) -> FaultCode:
    if code_id is None:
        return FaultCode(workshop=workshop)
    found = FaultCode.of(workshop).select_for_update().filter(pk=code_id).first()
    if found is None:
        raise NotFound(f"There is no fault code {code_id} in this workshop's table.")
    return found


def code_values(facts: CodeFacts) -> dict[str, Any]:
    """Return the columns of a code that its facts decide, its make left out."""
    kept = facts.range.strip()
    return {
        "range": kept,
        "range_key": kept.casefold(),
        "appliance_id": facts.appliance,
        "code": facts.code.strip(),
        "code_key": written(facts.code),
        "meaning": facts.meaning.strip(),
        "suspects": dict(facts.suspects),
        "checks": list(facts.checks),
        "standing": facts.standing,
        "source": facts.source.strip(),
        "hidden": facts.hidden,
    }


def refuse_code(facts: CodeFacts, known: Collection[str] = ()) -> None:
    """Raise InputRefused, a sentence for each field at fault, when a code cannot be.

    known: the checks there are for that kind of machine.
    """
    with FieldChecks("code") as bad:
        refuse_shown(bad, facts.code)
        _check_suspects(bad, facts.appliance, facts.suspects)
        for unknown in sorted(set(facts.checks).difference(known)):
            bad.refuse("checks", f"{unknown!r} is no check of this kind of machine.")
        if facts.standing not in Standing.values:
            bad.refuse("standing", f"Choose one of: {', '.join(Standing.values)}.")


def refuse_shown(bad: Checks, code: str) -> None:
    """Note what is wrong with a code as it was typed."""
    if not written(code):
        bad.refuse("code", "Give the code as it stands on the display, such as P4.")
    elif len(written(code)) > 20 or len(code.strip()) > 20:
        bad.refuse("code", "A code has at most 20 characters.")
    elif not code.isprintable():
        bad.refuse("code", "Holds a character that cannot be seen.")


def _check_suspects(bad: Checks, appliance: str, suspects: Mapping[str, float]) -> None:
    check_weights(bad, "suspects", suspects)
    check_known(bad, appliance, suspects)


def check_known(bad: Checks, appliance: str, suspects: Mapping[str, float]) -> None:
    """Note suspects that a machine of this kind has not, or too many of them."""
    known = {*tables.suspects_of(appliance), SOMETHING_ELSE}
    for unknown in sorted(set(suspects) - known):
        bad.refuse(
            "suspects",
            f"{unknown[:60]!r} is neither a part kind this machine has nor a known cause.",
        )
    if len(suspects) > MOST_SUSPECTS:
        bad.refuse("suspects", f"At most {MOST_SUSPECTS} suspects.")


def refuse_unknown_appliance(slug: str) -> None:
    if not Appliance.objects.filter(slug=slug).exists():
        raise InputRefused(
            f"There is no appliance {slug[:60]!r}.", fields={"appliance": "Is not known."}
        )


@transaction.atomic
def add_symptom(
    *, workshop: Workshop, appliance: str, facts: SymptomFacts, member: Member, now: datetime
) -> SymptomRow:
    """Add a symptom of the workshop's own. Raises InputRefused by field, Conflict for the name."""
    refuse_unknown_appliance(appliance)
    _refuse_symptom(appliance, facts)
    slug = f"{appliance}:{slugify(facts.name)[:38].strip('-')}"
    for row in tables.symptom_rows(workshop, appliance):
        if slug == row.symptom.slug or facts.name.strip().casefold() == row.symptom.name.casefold():
            raise Conflict(
                f"There is a symptom {row.symptom.name!r} already. Change that one.",
                fields={"name": "This name is taken."},
            )
    return _store_symptom(workshop, slug, appliance, facts, member, now)


@transaction.atomic
def change_symptom(
    *, workshop: Workshop, slug: str, facts: SymptomFacts, member: Member, now: datetime
) -> SymptomRow:
    """Change a symptom here: a delivered one stays as the default and can be restored.

    Raises NotFound, InputRefused by field.
    """
    before = tables.get_symptom_row(workshop, slug)
    _refuse_symptom(before.symptom.appliance, facts)
    return _store_symptom(workshop, slug, before.symptom.appliance, facts, member, now)


def _store_symptom(
    workshop: Workshop,
    slug: str,
    appliance: str,
    facts: SymptomFacts,
    member: Member,
    now: datetime,
) -> SymptomRow:
    values: dict[str, Any] = {
        "appliance_id": appliance,
        "name": facts.name.strip(),
        "words": [one.strip().casefold() for one in facts.words],
        "suspects": dict(facts.suspects),
        "source": facts.source.strip(),
        "hidden": facts.hidden,
        "changed_by": member,
        "changed_at": now,
    }
    WorkshopSymptom.of(workshop).update_or_create(
        slug=slug, defaults=values, create_defaults={**values, "workshop": workshop}
    )
    return tables.get_symptom_row(workshop, slug)


def _refuse_symptom(appliance: str, facts: SymptomFacts) -> None:
    with FieldChecks("symptom") as bad:
        if not slugify(facts.name):
            bad.refuse("name", "Say in letters what the machine does.")
        elif len(facts.name.strip()) > 80:
            bad.refuse("name", "At most 80 characters.")
        if len(facts.words) > MOST_WORDS or any(len(one) > 80 for one in facts.words):
            bad.refuse("words", f"At most {MOST_WORDS} of them, each of at most 80 characters.")
        for short in [one for one in facts.words if _letters(one) < LEAST_LETTERS]:
            bad.refuse("words", f"{short!r} is too short: it would be found everywhere.")
        for idle in [
            one for one in facts.words if not any(word.stem for word in wording.read(one))
        ]:
            bad.refuse("words", f"{idle!r} says nothing by itself; add what the machine does.")
        _check_suspects(bad, appliance, facts.suspects)


def _letters(words: str) -> int:
    return sum(one.isalnum() for one in words)


@transaction.atomic
def restore_symptom(*, workshop: Workshop, slug: str) -> SymptomRow:
    """Go back to the symptom as delivered. Raises NotFound, Conflict for one of one's own."""
    before = tables.get_symptom_row(workshop, slug)
    if before.given is None:
        raise Conflict(
            f"{before.symptom.name!r} is your own: there is nothing to go back to. Hide it instead."
        )
    WorkshopSymptom.of(workshop).filter(slug=slug).delete()
    return tables.get_symptom_row(workshop, slug)


@transaction.atomic
def set_check(
    *,
    workshop: Workshop,
    slug: str,
    minutes: float | None,
    hidden: bool,
    member: Member,
    now: datetime,
) -> CheckRow:
    """Say how long a check takes here (None: the guide's minutes) and whether it is done at all.

    Of a check of one's own None keeps its minutes. Raises NotFound, InputRefused for minutes that
    cannot be.
    """
    before = tables.get_check_row(workshop, slug)
    with FieldChecks("check") as bad:
        bad.number("minutes", minutes, "minutes", above=0, most=MOST_MINUTES, needed=False)
    mine = WorkshopCheck.of(workshop).filter(slug=slug)
    if before.given is not None and minutes is None and not hidden:
        mine.delete()
    else:
        values = {
            "appliance_id": before.check.appliance,
            "minutes": minutes if before.given else minutes or before.check.minutes,
            "hidden": hidden,
            "changed_by": member,
            "changed_at": now,
        }
        mine.update_or_create(
            defaults=values, create_defaults={**values, "workshop": workshop, "slug": slug}
        )
    return tables.get_check_row(workshop, slug)
