"""What an allocation is asked: jobs with their needs, the parts that could serve, what stands."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from workshop.domain.refusals import Checks

MOST_URGENT = 9
MOST_DAYS = 36_525


@dataclass(frozen=True, slots=True)
class Job:
    """A job and every need it has open; it is completed when all of them are served.

    urgency: 0 for an ordinary job, higher for more urgent. waiting_days: whole days.
    """

    name: str
    needs: tuple[str, ...]
    urgency: int = 0
    waiting_days: int = 0


@dataclass(frozen=True, slots=True)
class Pair:
    """A part that could serve a need; both chances 0..1."""

    need: str
    part: str
    p_fit: float
    p_good: float


@dataclass(frozen=True, slots=True)
class Limits:
    """A pair below either is not allowed. Our own choice: what counts as *likely fits*, and a third
    of the parts being good.
    """

    p_fit: float = 0.65
    p_good: float = 0.33


@dataclass(frozen=True, slots=True)
class Standing:
    """What is not to be moved: need to part.

    held: parts promised already. chosen: what a person decided; None keeps parts from a need.
    Both stay whatever the odds say.
    """

    held: Mapping[str, str] = field(default_factory=dict)
    chosen: Mapping[str, str | None] = field(default_factory=dict)

    @property
    def fixed(self) -> dict[str, str]:
        """Return the needs that have their part; a person's word goes before a hold."""
        kept = {need: part for need, part in self.held.items() if need not in self.chosen}
        return kept | {need: part for need, part in self.chosen.items() if part is not None}

    @property
    def kept_from(self) -> frozenset[str]:
        return frozenset(need for need, part in self.chosen.items() if part is None)


def check(jobs: Sequence[Job], pairs: Iterable[Pair], limits: Limits, standing: Standing) -> None:
    """Refuse what cannot be allocated (ValueRefused): a name twice, a part promised twice,

    a need no job has, chances or days that cannot be.
    """
    with Checks() as bad:
        bad.number("limits", limits.p_fit, "(P(fit))", least=0, most=1)
        bad.number("limits", limits.p_good, "(P(good))", least=0, most=1)
        _refuse_twice(bad, "job", (job.name for job in jobs))
        _refuse_twice(bad, "need", (need for job in jobs for need in job.needs))
        _refuse_twice(bad, "part", standing.fixed.values())
        for job in jobs:
            _check_job(bad, job)
        needs = {need for job in jobs for need in job.needs}
        for need in {*standing.held, *standing.chosen} - needs:
            bad.refuse(need, "has a part promised, but no open job has this need")
        for pair in pairs:
            if not (0 <= pair.p_fit <= 1 and 0 <= pair.p_good <= 1):
                bad.refuse(pair.need, f"chances of {pair.part} must lie in 0 to 1")
            if pair.need not in needs:
                bad.refuse(pair.need, "is offered a part, but no open job has this need")


def _check_job(bad: Checks, job: Job) -> None:
    if not job.needs:
        bad.refuse(job.name, "needs nothing; leave it out")
    for what, value, most in (
        ("urgency", job.urgency, MOST_URGENT),
        ("days", job.waiting_days, MOST_DAYS),
    ):
        if bad.number(job.name, value, f"({what})", least=0, most=most) and value != int(value):
            bad.refuse(job.name, f"{value:g} ({what}) is no whole number")


def _refuse_twice(bad: Checks, what: str, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            bad.refuse(name, f"this {what} is there twice")
        seen.add(name)
