"""The strip plan of one donor: its steps, its parts and their worth, put through the planner.

Made anew on every read; nothing of it is stored.
"""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from donors.domain.strip_plan.assembling import Assembly
from donors.domain.strip_plan.planning import Line, Plan, plan
from donors.domain.strip_plan.step_times import covered_min
from donors.models import Donor
from donors.selectors import get_donor
from matching.strip_values import PartValue, value_parts
from parts import strip_steps, stripping
from parts.domain.strip_steps import WorkStep
from parts.models import Part, StepRecord, StepSpan
from parts.selectors import WITH_MACHINE
from parts.strip_state import Worth, assemble_donor, missing_before
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused
from workshop.models import Workshop

NOTHING = 0.005  # less than a cent


@dataclass(frozen=True, slots=True)
class StepPart:
    """A part a step takes out. In the plan: its own minutes, share of access, and what is left."""

    value: PartValue
    planned: bool
    own_min: float = 0.0
    share_min: float = 0.0
    net: float = 0.0


@dataclass(frozen=True, slots=True)
class StepLine:
    """A step still to do. place: 1, 2 … in the plan, 0 outside it.

    frees: the parts of the plan behind it; first: what has to be done before it.
    """

    step: WorkStep
    minutes: float
    place: int
    starts_min: float
    parts: tuple[StepPart, ...]
    frees: tuple[str, ...]
    spans: tuple[StepSpan, ...]
    first: tuple[str, ...] = ()

    @property
    def planned(self) -> bool:
        return self.place > 0

    def spent_min(self, now: datetime) -> float:
        """Return the minutes its timers cover so far."""
        return covered_min((one.started_at, one.stopped_at or now) for one in self.spans)

    @property
    def running(self) -> tuple[StepSpan, ...]:
        return tuple(span for span in self.spans if span.stopped_at is None)


@dataclass(frozen=True, slots=True)
class LeftPart:
    """A part that stays in: what adding it would bring, the minutes it costs, and why."""

    value: PartValue
    gain: float | None
    minutes: float | None
    why: str


@dataclass(frozen=True, slots=True)
class PastStep:
    """A step that needs no more doing: on record, or known from what is out."""

    step: WorkStep
    record: StepRecord | None


@dataclass(frozen=True)
class DonorPlan:
    """loose: parts whose step is done and that are still in; value and minutes of the plan."""

    donor: Donor
    plan: Plan
    assembly: Assembly
    steps: tuple[WorkStep, ...]
    lines: tuple[StepLine, ...]
    others: tuple[StepLine, ...]
    left: tuple[LeftPart, ...]
    loose: tuple[PartValue, ...]
    past: tuple[PastStep, ...]
    absent: tuple[PastStep, ...]
    rate_per_min: float


def plan_donor(
    workshop: Workshop, donor_ref: str, *, on: date, within_min: float | None = None
) -> DonorPlan:
    """Return the plan of a donor, without a limit or within minutes.

    Raises NotFound, InputRefused for minutes that cannot be.
    """
    donor = get_donor(workshop, donor_ref)
    steps = strip_steps.list_steps(workshop.pk, donor.appliance_id)
    rows = Part.of(workshop).filter(donor=donor).select_related(*WITH_MACHINE).order_by("id")
    parts = list(rows)
    inside = [part for part in parts if part.state == Part.State.IN_MACHINE]
    values = value_parts(workshop, donor.appliance_id, inside, on=on)
    records = {record.step: record for record in stripping.list_records(donor)}
    assembly = assemble_donor(
        steps,
        parts,
        records.values(),
        worth={one.part.pk: Worth(one.if_good, one.p_good, one.wanted) for one in values},
        rate_per_min=workshop.strip_rate_per_min,
    )
    try:
        found = plan(assembly.graph, within_min=within_min)
    except ValueRefused as refused:
        raise InputRefused(str(refused), fields=refused.fields) from refused
    return _laid_out(workshop, donor, steps, values, records, assembly, found)


def _laid_out(
    workshop: Workshop,
    donor: Donor,
    steps: Sequence[WorkStep],
    values: Sequence[PartValue],
    records: Mapping[str, StepRecord],
    assembly: Assembly,
    found: Plan,
) -> DonorPlan:
    by_ref = {str(value.part.ref): value for value in values}
    board = _Board(steps, by_ref, assembly, found, stripping.list_spans(donor))
    by_name = {step.name: step for step in steps}
    return DonorPlan(
        donor=donor,
        plan=found,
        assembly=assembly,
        steps=tuple(steps),
        lines=board.planned(),
        others=board.others(),
        left=board.left(),
        loose=tuple(by_ref[name] for name in assembly.loose),
        past=tuple(
            PastStep(step, records.get(step.slug)) for step in steps if step.name in assembly.done
        ),
        absent=tuple(
            PastStep(by_name[step.name], records[step.slug])
            for step in steps
            if step.slug in records and records[step.slug].came == StepRecord.Came.NOT_HERE
        ),
        rate_per_min=workshop.strip_rate_per_min,
    )


class _Board:
    """Puts the planner's lines back on the steps people do."""

    def __init__(
        self,
        steps: Sequence[WorkStep],
        by_ref: Mapping[str, PartValue],
        assembly: Assembly,
        found: Plan,
        spans: Sequence[StepSpan],
    ) -> None:
        self.by_ref, self.assembly, self.found = by_ref, assembly, found
        self.labels = {ref: value.label for ref, value in by_ref.items()}
        self.all_steps = steps
        self.steps = {s.name: s for s in steps if s.name in assembly.graph.tasks}
        self.spans = spans
        self.lines = {line.name: line for line in found.lines}
        # A part's line by its reference, wherever the planner put it.
        self.part_lines: dict[str, Line] = {
            ref: line for line in found.lines for ref in assembly.pieces.get(line.name, ())
        }

    def planned(self) -> tuple[StepLine, ...]:
        """Return the steps of the plan in order."""
        names = [line.name for line in self.found.lines if line.name in self.steps]
        return tuple(self._line(name, place) for place, name in enumerate(names, start=1))

    def others(self) -> tuple[StepLine, ...]:
        """Return the steps outside the plan: they may be done all the same."""
        return tuple(self._line(name, 0) for name in self.steps if name not in self.lines)

    def _line(self, name: str, place: int) -> StepLine:
        step, line = self.steps[name], self.lines.get(name)
        return StepLine(
            step=step,
            minutes=self.assembly.graph.tasks[name].minutes,
            place=place,
            starts_min=line.starts_min if line else 0.0,
            parts=tuple(self._part(ref) for ref in self._taken_by(step)),
            frees=tuple(self._words(line.frees)) if line else (),
            spans=tuple(span for span in self.spans if span.step == step.slug),
            first=tuple(missing_before(step, self.all_steps, self.assembly)),
        )

    def _taken_by(self, step: WorkStep) -> list[str]:
        return [
            ref
            for ref, value in self.by_ref.items()
            if step.takes_out(value.part.kind_id, value.part.position)
        ]

    def _part(self, ref: str) -> StepPart:
        line = self.part_lines.get(ref)
        if line is None:
            return StepPart(self.by_ref[ref], planned=False)
        return StepPart(self.by_ref[ref], True, line.minutes, line.share_min, line.net)

    def _words(self, names: Iterable[str]) -> list[str]:
        """Return parts and steps as people call them."""
        found = []
        for name in names:
            refs = self.assembly.pieces.get(name, ())
            found += [self.labels[ref] for ref in refs] or [name]
        return found

    def left(self) -> tuple[LeftPart, ...]:
        """Return the parts that stay, the most valuable to add first; stuck ones last."""
        left = [
            LeftPart(self.by_ref[ref], one.gain, one.minutes, self._told(one.why))
            for one in self.found.left
            for ref in self.assembly.pieces[one.name]
        ]
        left.sort(key=lambda one: -(one.gain or 0.0))
        stuck = [
            LeftPart(self.by_ref[ref], None, None, "no way to it is known on this machine")
            for ref in self.assembly.stuck
        ]
        return (*left, *stuck)

    def _told(self, why: str) -> str:
        for ref, label in self.labels.items():
            why = why.replace(ref, label)
        return why
