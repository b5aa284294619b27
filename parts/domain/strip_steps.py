"""A step of stripping as the workshop does it: the reference, its own changes, its own times."""

from collections.abc import Collection, Mapping, Sequence
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

    @property
    def on_record(self) -> bool:
        """Return True when only a record says that it was done: it keeps people safe."""
        return self.safety or bool(self.licence)

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

    Names are unique afterwards: they name the tasks of the plan. An own step asks for the licence
    and the safe state that the reference asks for before the same parts come out.
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
    known = list(found)
    slugs, names = {row.slug for row in reference}, {row.name for row in reference}
    own = [row for row in changes if row.slug not in slugs and row.name]
    for row in own:
        # A later edition of the reference may have come to a name of the workshop's own.
        step = _as_safe(work_step(row, times=times.get(row.slug, ()), own=True), known)
        found.append(replace(step, name=f"{row.name} (own)") if row.name in names else step)
    return found


def _as_safe(own: WorkStep, reference: Sequence[WorkStep]) -> WorkStep:
    """Return an own step with what every way of the reference to the same parts asks for."""
    licence, first = own.licence, set[str]()
    for place in own.takes:
        ways = [step for step in reference if _share(place, step.takes)]
        if not ways:
            continue
        if all(way.licence for way in ways):
            licence = ways[0].licence
        first |= set.intersection(*(_proofs_before(way, reference) for way in ways))
    more = {frozenset([slug]) for slug in first} - set(own.needs)
    return replace(own, licence=licence, needs=(*own.needs, *sorted(more, key=sorted)))


def _share(place: str, takes: Collection[str]) -> bool:
    """Return True when a place (kind, or kind/position) may be one of those taken."""
    kind, _, position = place.partition("/")
    others = [other.partition("/") for other in takes]
    return any(
        kind == other and (not position or not at or position == at) for other, _, at in others
    )


def _proofs_before(step: WorkStep, steps: Sequence[WorkStep]) -> set[str]:
    """Return the steps counting on record alone that always come before one."""
    by_slug = {one.slug: one for one in steps}
    return {slug for slug in always_before(step, by_slug) if by_slug[slug].on_record}


def always_before(step: WorkStep, by_slug: Mapping[str, WorkStep]) -> set[str]:
    """Return the slugs of the steps that come before one whichever way is gone."""
    found: set[str] = set()
    for group in step.needs:
        ways = [{one} | always_before(by_slug[one], by_slug) for one in group]
        found |= set.intersection(*ways)
    return found


def resting_on(slug: str, steps: Sequence[WorkStep], left: Collection[str]) -> list[WorkStep]:
    """Return the steps that lose something they need when one is open again.

    left: slugs of the steps that stay done.
    """
    by_slug = {step.slug: step for step in steps}
    return [
        step
        for step in steps
        if slug in always_before(step, by_slug)
        or any(slug in group and not group & set(left) for group in step.needs)
    ]
