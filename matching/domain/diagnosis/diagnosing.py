"""A job's fault as people read it: suspects with odds, checks in order, needs to propose."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from matching.domain.diagnosis import checking
from matching.domain.diagnosis.beliefs import Belief, pooled
from matching.domain.diagnosis.checking import Ranked
from matching.domain.diagnosis.tables import SOMETHING_ELSE, FaultTable, Symptom
from workshop.domain.refusals import Checks

# A part kind at least this likely is proposed as a need. Our own choice: two parts may be, so
# that both are looked for while the last check is still to come.
PROPOSED_FROM = 0.3

Closed = Mapping[str, Mapping[str, int]]


@dataclass(frozen=True, slots=True)
class Suspect:
    """odds: after the answers; at_first: before them. is_part: a part kind, not another cause."""

    slug: str
    name: str
    odds: float
    at_first: float
    is_part: bool

    @property
    def is_proposed(self) -> bool:
        return self.is_part and self.odds >= PROPOSED_FROM


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """suspects: likeliest first. checks: those not done, best first. rests_on: a sentence."""

    suspects: tuple[Suspect, ...]
    checks: tuple[Ranked, ...]
    next_check: Ranked | None
    rests_on: str

    @property
    def proposed(self) -> tuple[str, ...]:
        """Return the part kinds to propose as needs."""
        return tuple(one.slug for one in self.suspects if one.is_proposed)


def diagnose(
    table: FaultTable,
    symptoms: Sequence[Symptom],
    *,
    kinds: Mapping[str, str],
    closed: Closed | None = None,
    answers: Mapping[str, str] | None = None,
) -> Diagnosis:
    """Return what is suspected behind symptoms of one machine.

    kinds: part kinds and their names. closed: by symptom, how often each suspect turned out at
    fault. answers: check to answer, blank for unknown. Raises ValueRefused.
    """
    _refuse_mixed(symptoms)
    counted = closed or {}
    beliefs = [Belief.of_table(one.suspects).after(counted.get(one.slug, {})) for one in symptoms]
    at_first = pooled(beliefs)
    checks = {one.slug: one for one in table.checks_of(symptoms[0].appliance)}
    done = {slug: said for slug, said in (answers or {}).items() if said}
    odds = checking.after_answers(at_first, checks, done)
    left = [check for slug, check in checks.items() if slug not in done]
    return Diagnosis(
        suspects=tuple(_suspects(odds, at_first, kinds, table.causes)),
        checks=checking.ranked(odds, left),
        next_check=checking.next_check(odds, left),
        rests_on=_rests_on(sum(belief.jobs for belief in beliefs), len(done)),
    )


def _refuse_mixed(symptoms: Sequence[Symptom]) -> None:
    with Checks() as bad:
        if not symptoms:
            bad.refuse("symptoms", "none is given; say what the machine does or shows")
        if len({one.appliance for one in symptoms}) > 1:
            bad.refuse("symptoms", "are of different appliances; give those of one machine")


def _suspects(
    odds: Mapping[str, float],
    at_first: Mapping[str, float],
    kinds: Mapping[str, str],
    causes: Mapping[str, str],
) -> Iterable[Suspect]:
    names = {SOMETHING_ELSE: "something else", **causes, **kinds}
    for slug in sorted(odds, key=lambda one: (-odds[one], one)):
        yield Suspect(slug, names.get(slug, slug), odds[slug], at_first[slug], slug in kinds)


def _rests_on(jobs: int, answered: int) -> str:
    learned = f"{jobs} closed job{'s' * (jobs != 1)}" if jobs else "no closed jobs yet"
    checked = f"{answered} check{'s' * (answered != 1)}" if answered else "no check yet"
    return f"guide table, {learned}, {checked}"
