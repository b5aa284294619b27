"""The most worth paying for a machine advertised elsewhere.

What its best strip plan is expected to bring, the margins of waiting jobs it would complete
among it, less what fetching it costs and the margin asked for. The machine may turn out not to be
the model advertised; then the plan for what it likely is instead counts, with that chance. A plan
is made knowing which model it is, not yet which parts are good.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from donors.domain.strip_plan import choosing
from donors.domain.strip_plan.graph import MOST_MONEY, Part, StripGraph, Task, needs
from workshop.domain.refusals import Checks


@dataclass(frozen=True, slots=True)
class WaitingJob:
    """A job this machine could complete.

    parts: names of the parts it takes, all of them. margin: what completing it brings beyond what
    the parts would sell for. gain: the chance, 0..1, that the parts, if they are good, complete it
    and nothing else of ours would.
    """

    name: str
    parts: tuple[str, ...]
    margin: float
    gain: float


@dataclass(frozen=True, slots=True)
class Listing:
    """A machine for sale elsewhere.

    as_said, otherwise: its strip tasks if it is the model advertised, and if it is not (None:
    then nothing is worth taking). p_as_said: 0..1. metal: scrap metal less disposal, may be
    negative. collection: what fetching it costs. margin_share: what part of the worth is kept.
    """

    as_said: StripGraph
    p_as_said: float
    jobs: tuple[WaitingJob, ...] = ()
    otherwise: StripGraph | None = None
    metal: float = 0.0
    collection: float = 0.0
    margin_share: float = 0.0


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the sum that makes the ceiling."""

    words: str
    money: float


@dataclass(frozen=True, slots=True)
class Ceiling:
    """most: the most worth paying, never below 0; lines add up to it before that.

    serves: jobs in the plan if the machine is as advertised. as_said, otherwise: worth of either
    case with metal, less margin and collection.
    """

    most: float
    lines: tuple[Line, ...]
    serves: tuple[str, ...]
    as_said: float
    otherwise: float

    @property
    def is_worth_fetching(self) -> bool:
        return sum(line.money for line in self.lines) > 0

    def sure_enough_for(self, asked: float) -> float | None:
        """Return the chance of being as advertised from which a price pays; None if it never does.

        0 when it always does. Raises ValueRefused when the price is negative.
        """
        with Checks() as bad:
            bad.number("asked", asked, "(price)", least=0, most=MOST_MONEY)
        if asked <= min(self.as_said, self.otherwise):
            return 0.0
        if asked > self.as_said:
            return None
        return (asked - self.otherwise) / (self.as_said - self.otherwise)


def most_worth_paying(listing: Listing) -> Ceiling:
    """Return the ceiling of a listing with the sum that makes it. Raises ValueRefused."""
    _check(listing)
    with_jobs = _with_jobs(listing.as_said, listing.jobs)
    chosen = choosing.best(with_jobs)
    strip = _value(listing.as_said)
    jobs = with_jobs.value(chosen) - strip
    other = _value(listing.otherwise)
    p, kept = listing.p_as_said, listing.margin_share
    before = p * (strip + jobs) + (1 - p) * other + listing.metal
    lines = (
        Line("strip plan, if it is the model advertised", p * strip),
        Line("waiting jobs it would complete", p * jobs),
        Line("strip plan, if it is not", (1 - p) * other),
        Line("metal less disposal", listing.metal),
        Line("margin", -kept * max(0.0, before)),
        Line("collection", -listing.collection),
    )
    return Ceiling(
        most=max(0.0, sum(line.money for line in lines)),
        lines=lines,
        serves=tuple(job.name for job in listing.jobs if _task_name(job) in chosen),
        as_said=_worth(strip + jobs, listing),
        otherwise=_worth(other, listing),
    )


def _worth(plan: float, listing: Listing) -> float:
    return (plan + listing.metal) * (1 - listing.margin_share) - listing.collection


def _value(graph: StripGraph | None) -> float:
    return graph.value(choosing.best(graph)) if graph is not None else 0.0


def _with_jobs(graph: StripGraph, jobs: Iterable[WaitingJob]) -> StripGraph:
    """Add a task for each job: it takes no minutes, needs its parts, and brings its margin.

    Its chance is the gain, if all are good, each part judged by itself.
    """
    tasks: list[Task] = list(graph.tasks.values())
    for job in jobs:
        p_good = 1.0
        for name in job.parts:
            p_good *= _part(graph, name).p_good
        margin = Part(_task_name(job), 0, needs(*job.parts), job.margin, job.gain * p_good)
        tasks.append(margin)
    return StripGraph.of(tasks, rate_per_min=graph.rate_per_min)


def _task_name(job: WaitingJob) -> str:
    return f"job {job.name}"


def _part(graph: StripGraph, name: str) -> Part:
    part = graph.tasks[name]
    assert isinstance(part, Part)
    return part


def _check(listing: Listing) -> None:
    with Checks() as bad:
        bad.number("p_as_said", listing.p_as_said, "(chance)", least=0, most=1)
        bad.number("metal", listing.metal, "(money)", least=-MOST_MONEY, most=MOST_MONEY)
        bad.number("collection", listing.collection, "(money)", least=0, most=MOST_MONEY)
        bad.number("margin_share", listing.margin_share, "(share)", least=0, most=1)
        promised: set[str] = set()
        for job in listing.jobs:
            bad.number(job.name, job.margin, "(margin)", least=0, most=MOST_MONEY)
            bad.number(job.name, job.gain, "(chance)", least=0, most=1)
            if not job.parts:
                bad.refuse(job.name, "takes no part of this machine; leave it out")
            for name in job.parts:
                if not isinstance(listing.as_said.tasks.get(name), Part):
                    bad.refuse(job.name, f"takes {name!r}, which is no part of this machine")
                if name in promised:
                    bad.refuse(job.name, f"takes {name!r}, which another job takes already")
                promised.add(name)
