"""A step of stripping as the workshop does it: the reference, its own changes, its own times."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from donors.domain.strip_plan.graph import Needs
from donors.domain.strip_plan.step_times import StepTime, learned_time


@dataclass(frozen=True, slots=True)
class WorkStep:
    """takes: kinds, or kind/position; time: guessed and own minutes; own: added by the workshop."""

    slug: str
    name: str
    time: StepTime
    needs: Needs = ()
    takes: frozenset[str] = frozenset()
    tools: tuple[str, ...] = ()
    tool_class: str = "none"
    cautions: tuple[str, ...] = ()
    two_persons: bool = False
    licence: str = ""
    usual: bool = True
    safety: bool = False
    own: bool = False

    def takes_out(self, kind: str, position: str) -> bool:
        """Return True when this step takes out the part of that kind in that position."""
        return kind in self.takes or f"{kind}/{position}" in self.takes


def work_step(
    row: Any, *, guess_min: float | None = None, times: Sequence[float] = (), own: bool = False
) -> WorkStep:
    """Return a step from its row. guess_min: the workshop's own guess, else the row's."""
    return WorkStep(
        slug=row.slug,
        name=row.name,
        time=learned_time(row.minutes if guess_min is None else guess_min, times),
        needs=tuple(frozenset(group) for group in row.needs),
        takes=frozenset(row.takes),
        tools=tuple(row.tools),
        tool_class=row.tool_class,
        cautions=tuple(row.cautions),
        two_persons=row.two_persons,
        licence=row.licence,
        usual=getattr(row, "usual", True),
        safety=getattr(row, "safety", False),
        own=own,
    )


def merged(
    reference: Sequence[Any], changes: Sequence[Any], times: Mapping[str, Sequence[float]]
) -> list[WorkStep]:
    """Return the steps of the reference with the workshop's minutes, then its own steps.

    Names are unique afterwards: they name the tasks of the plan.
    """
    by_slug = {row.slug: row for row in changes}
    found = [
        work_step(
            row,
            guess_min=by_slug[row.slug].minutes if row.slug in by_slug else None,
            times=times.get(row.slug, ()),
        )
        for row in reference
    ]
    slugs, names = {row.slug for row in reference}, {row.name for row in reference}
    own = [row for row in changes if row.slug not in slugs and row.name]
    for row in own:
        # A later edition of the reference may have come to a name of the workshop's own.
        step = work_step(row, times=times.get(row.slug, ()), own=True)
        found.append(replace(step, name=f"{row.name} (own)") if row.name in names else step)
    return found
