"""The steps of stripping each kind of machine: reads, and a workshop's changes to them."""

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from django.db import IntegrityError, transaction
from django.utils.text import slugify

from donors.models import Appliance
from parts.domain.strip_steps import WorkStep, merged
from parts.models import KindCarried, Part, StepRecord, StripStep, ToolClass, WorkshopStep
from workshop.domain.refusals import Checks, ValueRefused
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import LICENCES, Workshop

MOST_TIMES = 3000  # own times read for an appliance, newest first
LEAST_TIMED_MIN = 0.25
LONGEST_GUESS_MIN = 1440.0


def list_steps(workshop_id: int, appliance: str) -> list[WorkStep]:
    """Return the steps of an appliance as this workshop does them: three queries."""
    reference = StripStep.objects.filter(appliance=appliance).order_by("id")
    changes = WorkshopStep.of(workshop_id).filter(appliance=appliance).order_by("id")
    return merged(list(reference), list(changes), own_times(workshop_id, appliance))


def ways_to(part: Part) -> list[WorkStep]:
    """Return the steps that take a part out of its machine: two queries, no own times."""
    if part.donor is None:
        return []
    appliance = part.donor.appliance_id
    reference = StripStep.objects.filter(appliance=appliance).order_by("id")
    changes = WorkshopStep.of(part.workshop_id).filter(appliance=appliance).order_by("id")
    steps = merged(list(reference), list(changes), {})
    return [step for step in steps if step.takes_out(part.kind_id, part.position)]


def own_times(workshop_id: int, appliance: str) -> dict[str, list[float]]:
    """Return the workshop's own minutes by step, newest first; steps nobody timed are left out.

    So are timers of a few seconds: started and ticked when the work was done.
    """
    rows = StepRecord.of(workshop_id).filter(appliance=appliance, came=StepRecord.Came.DONE)
    found: dict[str, list[float]] = defaultdict(list)
    newest = rows.order_by("-id").values_list("step", "timed_min", "said_min")[:MOST_TIMES]
    for step, timed, said in newest:
        minutes = timed if said is None else said
        if minutes and (said is not None or minutes >= LEAST_TIMED_MIN):
            found[step].append(minutes)
    return dict(found)


def get_step(workshop_id: int, appliance: str, slug: str) -> WorkStep:
    """Return one step or raise NotFound."""
    for step in list_steps(workshop_id, appliance):
        if step.slug == slug:
            return step
    raise NotFound(f"There is no strip step {slug!r} for this kind of machine.")


def get_appliance(slug: str) -> Appliance:
    """Return the appliance or raise NotFound."""
    found = Appliance.objects.filter(slug=slug).first()
    if found is None:
        raise NotFound(f"There is no appliance {slug!r}.")
    return found


def set_minutes(
    *, workshop: Workshop, appliance: str, slug: str, minutes: float | None
) -> WorkStep:
    """Set the workshop's own guess of a step; None goes back to the table's.

    Raises NotFound, InputRefused for minutes that cannot be or for None of an own step.
    """
    get_appliance(appliance)
    step = get_step(workshop.pk, appliance, slug)
    with transaction.atomic():
        mine = WorkshopStep.of(workshop).filter(appliance=appliance, slug=slug)
        if minutes is None and not step.own:
            mine.delete()
        else:
            _refuse_minutes(minutes)
            assert minutes is not None
            mine.update_or_create(
                defaults={"minutes": minutes},
                create_defaults={
                    "workshop": workshop,
                    "appliance_id": appliance,
                    "slug": slug,
                    "minutes": minutes,
                },
            )
    return get_step(workshop.pk, appliance, slug)


@dataclass(frozen=True, slots=True)
class StepFacts:
    """A step of a workshop's own, as a person states it."""

    name: str
    minutes: float
    needs: Sequence[Sequence[str]] = ()
    takes: Sequence[str] = ()
    tools: Sequence[str] = ()
    tool_class: str = "none"
    cautions: Sequence[str] = ()
    two_persons: bool = False
    licence: str = ""


@transaction.atomic
def add_step(*, workshop: Workshop, appliance: str, facts: StepFacts) -> WorkStep:
    """Add a step of the workshop's own.

    Raises NotFound, InputRefused by field for an unknown step or kind, Conflict for a name that
    is taken.
    """
    get_appliance(appliance)
    steps = list_steps(workshop.pk, appliance)
    _refuse_facts(appliance, facts, steps)
    slug = slug_of(facts.name)
    if any(slug == one.slug or facts.name == one.name for one in steps):
        raise Conflict(
            f"There is a step {facts.name!r} already. Call this one otherwise.",
            fields={"name": "This name is taken."},
        )
    row = WorkshopStep(
        workshop=workshop,
        appliance_id=appliance,
        slug=slug,
        name=facts.name.strip(),
        minutes=facts.minutes,
        needs=[list(group) for group in facts.needs],
        takes=list(facts.takes),
        tools=list(facts.tools),
        tool_class=facts.tool_class,
        cautions=list(facts.cautions),
        two_persons=facts.two_persons,
        licence=facts.licence,
    )
    try:
        with transaction.atomic():
            row.save()
    except IntegrityError:
        raise Conflict(f"There is a step {facts.name!r} already.") from None
    return get_step(workshop.pk, appliance, slug)


def slug_of(name: str) -> str:
    """Return "Lid off!" as lid-off; "" when no letter or figure is in it."""
    return slugify(name)[:40].strip("-")


def _refuse_minutes(minutes: float | None) -> None:
    try:
        with Checks() as bad:
            bad.number("minutes", minutes, "minutes", least=0, most=LONGEST_GUESS_MIN)
    except ValueRefused as refused:
        raise InputRefused(f"The minutes: {refused}", fields=refused.fields) from refused


def _refuse_facts(appliance: str, facts: StepFacts, steps: Sequence[WorkStep]) -> None:
    _refuse_minutes(facts.minutes)
    known = {step.slug for step in steps}
    with _Fields() as bad:
        if not slug_of(facts.name):
            bad.refuse("name", "Say what is done, in letters: it names the step.")
        for unknown in sorted({one for group in facts.needs for one in group} - known):
            bad.refuse("needs", f"{unknown!r} is no step of this kind of machine.")
        if any(not group for group in facts.needs):
            bad.refuse("needs", "A group without a step can never be met.")
        for place in facts.takes:
            if not _is_carried(appliance, place):
                bad.refuse("takes", f"{place!r} is no part this kind of machine carries.")
        if facts.tool_class not in ToolClass.values:
            bad.refuse("tool_class", f"Choose one of: {', '.join(ToolClass.values)}.")
        if facts.licence and facts.licence not in dict(LICENCES):
            bad.refuse("licence", f"Choose one of: {', '.join(dict(LICENCES))}.")


def _is_carried(appliance: str, place: str) -> bool:
    kind, _, position = place.partition("/")
    row = KindCarried.objects.filter(appliance=appliance, kind=kind).first()
    return row is not None and (not position or position in row.positions)


class _Fields(Checks):
    """Checks that leave as an InputRefused with a sentence for people."""

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None and self.fields:
            first = next(iter(self.fields.values()))
            raise InputRefused(f"The step was not added. {first}", fields=self.fields)
