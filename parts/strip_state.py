"""Where the stripping of a donor stands: what is done, what must have been, what is open."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from donors.domain.strip_plan.assembling import Assembly, Piece, Work, assemble
from parts.domain.strip_steps import WorkStep
from parts.models import Part, StepRecord

Came = StepRecord.Came


@dataclass(frozen=True, slots=True)
class Worth:
    """What a good part brings, P(good), and whether a job waits for it."""

    if_good: float = 0.0
    p_good: float = 1.0
    wanted: bool = False


def assemble_donor(
    steps: Sequence[WorkStep],
    parts: Iterable[Part],
    records: Iterable[StepRecord],
    *,
    worth: Mapping[int, Worth] | None = None,
    rate_per_min: float = 0.0,
) -> Assembly:
    """Return what is left of a donor. worth: by part id; steps go by name, parts by reference.

    A part that left its machine says which steps were done, never that one was that keeps people
    safe or needs a licence. One that was never found says nothing.
    """
    names = {step.slug: step.name for step in steps}
    came: dict[str, set[str]] = {how: set() for how in Came.values}
    for record in records:
        if record.step in names:
            came[record.came].add(names[record.step])
    return assemble(
        [_work(step, names) for step in steps],
        [
            _piece(part, steps, (worth or {}).get(part.pk, Worth()))
            for part in parts
            if part.state == Part.State.IN_MACHINE or part.removed_on is not None
        ],
        done=came[Came.DONE] | came[Came.NOT_NEEDED],
        absent=came[Came.NOT_HERE],
        rate_per_min=rate_per_min,
    )


def _work(step: WorkStep, names: Mapping[str, str]) -> Work:
    needs = tuple(frozenset(names[one] for one in group) for group in step.needs)
    return Work(
        step.name,
        round(step.time.minutes, 1),
        needs,
        rare=not step.usual,
        on_record=step.on_record,
    )


def _piece(part: Part, steps: Iterable[WorkStep], worth: Worth) -> Piece:
    ways = frozenset(s.name for s in steps if s.takes_out(part.kind_id, part.position))
    out = part.state != Part.State.IN_MACHINE
    return Piece(str(part.ref), ways, worth.if_good, worth.p_good, worth.wanted, out)


def missing_before(step: WorkStep, steps: Sequence[WorkStep], assembly: Assembly) -> list[str]:
    """Return, in words, what must be done before a step: "Lid off", "Rear cover off or …"."""
    names = {one.slug: one.name for one in steps}
    groups = [[names[one] for one in sorted(group)] for group in step.needs]
    return [" or ".join(group) for group in groups if not set(group) & assembly.done]
