"""Writes on checks of a workshop's own: what to do before a part is blamed, and what it tells."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import transaction
from django.db.models import Q
from django.utils.text import slugify

from matching.domain.diagnosis.tables import MOST_MINUTES, Check
from matching.faults import tables
from matching.faults.editing import FieldChecks, check_known, refuse_unknown_appliance
from matching.faults.tables import CheckRow
from matching.models import WorkshopCheck
from parts.models import Caution
from workshop.domain.refusals import Checks
from workshop.errors import Conflict, NotFound
from workshop.models import Member, Workshop

MOST_OWN = 300
FINDS, CLEAR, OTHERWISE = "it is not as it should be", "it is as it should be", 0.05
# Chances of 0 and 1 would rule a suspect out for good by one answer.
LEAST_CHANCE, MOST_CHANCE = 0.01, 0.99


@dataclass(frozen=True, slots=True)
class CheckFacts:
    """A check as a person or a file states it.

    suspects: the chance, above 0 and below 1, that it finds something when that part kind or cause
    is at fault; otherwise: when anything else is. minutes: with opening and closing the machine.
    """

    do: str
    minutes: float
    suspects: Mapping[str, float]
    finds: str = FINDS
    clear: str = CLEAR
    otherwise: float = OTHERWISE
    cautions: Sequence[str] = ()
    opens: bool = True
    instrument: str = ""
    source: str = ""
    hidden: bool = False


def own_slug(appliance: str, do: str) -> str:
    """Return the name a check is kept under; "" when its words have no letters."""
    words = slugify(do)[:39].strip("-")
    return f"{appliance}:{words}" if words else ""


def free_slug(appliance: str, do: str, taken: Collection[str]) -> str:
    """Return `own_slug`, with a number behind it when another check begins alike."""
    slug = own_slug(appliance, do)
    # One more name than there are taken: one of them is free.
    names = [slug, *(f"{slug}-{number}" for number in range(2, len(taken) + 2))]
    return next(name for name in names if name not in taken)


def words_of(do: str) -> str:
    """Return what a check says, however it is capitalised and punctuated."""
    return slugify(do, allow_unicode=True)


@transaction.atomic
def add_check(
    *, workshop: Workshop, appliance: str, facts: CheckFacts, member: Member, now: datetime
) -> CheckRow:
    """Add a check of the workshop's own. Raises InputRefused by field, Conflict for the words."""
    refuse_unknown_appliance(appliance)
    refuse_check(appliance, facts, cautions_of(appliance))
    rows = tables.check_rows(workshop, appliance)
    _refuse_same_words(rows, facts)
    if sum(row.given is None for row in rows) >= MOST_OWN:
        raise Conflict(f"There are {MOST_OWN} checks of your own for this kind of machine already.")
    slug = free_slug(appliance, facts.do, {row.check.slug for row in rows})
    stamp = {"workshop": workshop, "changed_by": member, "changed_at": now}
    WorkshopCheck.objects.create(slug=slug, **stamp, **check_values(appliance, facts))
    return tables.get_check_row(workshop, slug)


@transaction.atomic
def change_check(
    *, workshop: Workshop, slug: str, facts: CheckFacts, member: Member, now: datetime
) -> CheckRow:
    """Change a check of the workshop's own; hidden retires it. Answers given keep their words.

    Raises NotFound, Conflict for a check of the guide, InputRefused by field.
    """
    row = WorkshopCheck.of(workshop).select_for_update().filter(slug=slug).exclude(do="").first()
    if row is None:
        tables.get_check_row(workshop, slug)
        raise Conflict("This check is the guide's: its minutes can be set, or that it is not done.")
    refuse_check(row.appliance_id, facts, cautions_of(row.appliance_id))
    others = tables.check_rows(workshop, row.appliance_id)
    _refuse_same_words([one for one in others if one.check.slug != slug], facts)
    for name, value in check_values(row.appliance_id, facts).items():
        setattr(row, name, value)
    row.changed_by, row.changed_at = member, now
    row.save()
    return tables.get_check_row(workshop, slug)


def _refuse_same_words(rows: Iterable[CheckRow], facts: CheckFacts) -> None:
    for row in rows:
        if words_of(facts.do) == words_of(row.check.do):
            raise Conflict(
                f"There is a check “{row.check.do}” already. Change that one.",
                fields={"do": "This check is there already."},
            )


def get_own(workshop: Workshop, slug: str) -> WorkshopCheck:
    """Return a check of the workshop's own, or raise NotFound."""
    found = WorkshopCheck.of(workshop).filter(slug=slug).exclude(do="").first()
    if found is None:
        raise NotFound(f"There is no check {slug} of this workshop's own.")
    return found


def facts_of(row: WorkshopCheck) -> CheckFacts:
    """Return a stored check of one's own as it was stated."""
    names = CheckFacts.__dataclass_fields__
    return CheckFacts(**{name: getattr(row, name) for name in names})


def check_values(appliance: str, facts: CheckFacts) -> dict[str, Any]:
    """Return the columns of a check that its facts decide."""
    return {
        "appliance_id": appliance,
        "do": facts.do.strip(),
        "minutes": facts.minutes,
        "finds": facts.finds.strip(),
        "clear": facts.clear.strip(),
        "suspects": dict(facts.suspects),
        "otherwise": facts.otherwise,
        "cautions": list(dict.fromkeys(facts.cautions)),
        "opens": facts.opens,
        "instrument": facts.instrument.strip(),
        "source": facts.source.strip(),
        "hidden": facts.hidden,
    }


def cautions_of(appliance: str) -> dict[str, str]:
    """Return the cautions that may stand beside a check of an appliance, slug and text."""
    rows = Caution.objects.filter(Q(appliance=appliance) | Q(appliance__isnull=True))
    return dict(rows.order_by("slug").values_list("slug", "text"))


def beside(check: Check) -> list[Caution]:
    """Return the cautions shown beside a check, in its order: one query."""
    found = Caution.objects.in_bulk(check.cautions)
    return [found[slug] for slug in check.cautions if slug in found]


def refuse_check(appliance: str, facts: CheckFacts, cautions: Iterable[str]) -> None:
    """Raise InputRefused, a sentence for each field at fault, when a check cannot be.

    cautions: those there are for this kind of machine.
    """
    with FieldChecks("check") as bad:
        if not own_slug(appliance, facts.do):
            bad.refuse("do", "Say in letters what to do.")
        for name, most in (("do", 300), ("finds", 80), ("clear", 80), ("instrument", 80)):
            if len(getattr(facts, name).strip()) > most:
                bad.refuse(name, f"At most {most} characters.")
        for name in ("finds", "clear"):
            if not getattr(facts, name).strip():
                bad.refuse(name, "Say the answer in words.")
        if facts.finds.strip().casefold() == facts.clear.strip().casefold():
            bad.refuse("clear", "Is the same as the other answer; a check needs two that differ.")
        bad.number("minutes", facts.minutes, "minutes", above=0, most=MOST_MINUTES)
        _check_chances(bad, appliance, facts)
        for unknown in sorted(set(facts.cautions).difference(cautions)):
            bad.refuse("cautions", f"{unknown[:80]!r} is no caution of this kind of machine.")


def _check_chances(bad: Checks, appliance: str, facts: CheckFacts) -> None:
    if not facts.suspects:
        bad.refuse("suspects", "suspects nothing; name a part kind or a cause")
    for suspect, chance in facts.suspects.items():
        bad.number(
            "suspects", chance, f"(chance of {suspect})", least=LEAST_CHANCE, most=MOST_CHANCE
        )
    check_known(bad, appliance, facts.suspects)
    if not bad.number(
        "otherwise", facts.otherwise, "(chance)", least=LEAST_CHANCE, most=MOST_CHANCE
    ):
        return
    if "suspects" not in bad.fields and set(facts.suspects.values()) == {facts.otherwise}:
        bad.refuse("suspects", "as likely as for everything else: the check tells nothing")
