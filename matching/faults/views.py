"""A job's fault as page and API show it: signs, suspects, checks, answers, what is left."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from functools import cached_property

from matching.domain.diagnosis import checking
from matching.domain.diagnosis.beliefs import Belief, Odds
from matching.domain.diagnosis.checking import Ranked
from matching.domain.diagnosis.diagnosing import Diagnosis, Suspect, diagnose
from matching.domain.diagnosis.tables import SOMETHING_ELSE, Answer, FaultTable, Symptom
from matching.faults import closing, tables
from matching.faults.stock import InStock, in_stock
from matching.faults.tables import CodeRead, Counts
from matching.models import CheckAnswer, FaultCode, FaultFound, FaultLesson, Job, Need, Sign
from parts.models import Caution
from parts.reference import kinds
from workshop.models import Workshop

# What is shown of the suspects before the rest is folded away, and of an answer's consequences.
LISTED_FROM, MOST_AFTER = 0.02, 2


@dataclass(frozen=True, slots=True)
class SignView:
    """A sign and what it counts as. symptom: None when the table has nothing for it."""

    sign: Sign
    symptom: Symptom | None
    name: str
    unknown: str = ""

    @property
    def is_code(self) -> bool:
        return bool(self.sign.code_key)

    @property
    def in_sentence(self) -> str:
        """Return the name as it stands within a sentence: does not drain, shows P4."""
        return self.name[:1].lower() + self.name[1:]


@dataclass(frozen=True, slots=True)
class Ground:
    """What a suspect's odds rest on under one sign. share: of the table; closed of all closed."""

    sign: str
    share: float
    closed: int
    all_closed: int


@dataclass(frozen=True, slots=True)
class SuspectView:
    suspect: Suspect
    grounds: tuple[Ground, ...]
    licences: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AnswerView:
    """An answer that may be given and what would be suspected after it, likeliest first."""

    answer: Answer
    then: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True)
class AskView:
    """A check not done yet. by_code: a shown code's row asks for it."""

    ranked: Ranked
    answers: tuple[AnswerView, ...]
    cautions: tuple[Caution, ...]
    by_code: bool = False


@dataclass(frozen=True, slots=True)
class DoneView:
    """A check answered. counts: False where the table has it no more, so it moves nothing."""

    answer: CheckAnswer
    do: str
    counts: bool


@dataclass(slots=True)
class Proposal:
    """A part kind likely enough to be looked for. never: why it is not reused; "" when it may be.

    need: the job's need of it there already.
    """

    suspect: Suspect
    never: str
    positions: tuple[str, ...]
    advice: str = ""
    need: Need | None = None
    stock: InStock = field(default_factory=InStock)

    @property
    def may_be_need(self) -> bool:
        return not self.never and (self.need is None or self.need.state == Need.State.WITHDRAWN)


@dataclass(frozen=True)
class FaultView:
    """All of a job's fault but the stock (`proposals`). diagnosis: None while nothing counts.

    words: what each check does, those not done here too.
    """

    job: Job
    table: FaultTable
    words: Mapping[str, str]
    signs: tuple[SignView, ...]
    answers: tuple[CheckAnswer, ...]
    counts: Counts
    jobs_counted: int
    found: FaultFound | None
    past_found: tuple[FaultFound, ...]
    fitted: tuple[str, ...]
    diagnosis: Diagnosis | None
    cautions: tuple[Caution, ...] = ()
    code_rows: tuple[FaultCode, ...] = ()

    @property
    def standing(self) -> list[CheckAnswer]:
        return [one for one in self.answers if one.ended_at is None]

    @property
    def taken_back(self) -> list[CheckAnswer]:
        return [one for one in self.answers if one.ended_at is not None]

    @property
    def known_signs(self) -> list[SignView]:
        return [one for one in self.signs if one.symptom is not None]

    @property
    def several_signs(self) -> bool:
        return len(self.known_signs) > 1

    @property
    def odds(self) -> Odds:
        return {one.slug: one.odds for one in self.diagnosis.suspects} if self.diagnosis else {}

    @property
    def rests_on(self) -> str:
        """Return what the odds rest on, each closed job counted once."""
        done = sum(one.counts for one in self.done)
        jobs = f"{self.jobs_counted} closed job{'s' * (self.jobs_counted != 1)}"
        learned = f"{jobs} with the same signs" if self.jobs_counted else "no closed job yet"
        checked = f"{done} check{'s' * (done != 1)} done" if done else "no check done"
        return f"The table (a guide), {learned}, {checked}."

    @property
    def several_fitted(self) -> bool:
        """Whether nobody knows which of the parts fitted was at fault."""
        return self.job.state == Job.State.DONE and len(self.fitted) > 1 and self.found is None

    @property
    def at_fault(self) -> str:
        """Return what the fault is taken for: what was found, else the likeliest if a part."""
        if self.found is not None:
            return str(self.found.suspect)
        suspects = self.diagnosis.suspects if self.diagnosis else ()
        first = next((one for one in suspects if one.slug != SOMETHING_ELSE), None)
        return first.slug if first is not None and first.is_proposed else ""

    @property
    def found_name(self) -> str:
        return self._name(self.found.suspect) if self.found else ""

    @property
    def fitted_names(self) -> list[str]:
        return [self._name(kind) for kind in self.fitted]

    @property
    def past_names(self) -> list[tuple[FaultFound, str]]:
        """Return what was said to be at fault before, in words."""
        return [(one, self._name(one.suspect)) for one in self.past_found]

    def _name(self, slug: str) -> str:
        return tables.suspect_name(slug, self.job.appliance_id)

    @cached_property
    def done(self) -> list[DoneView]:
        """Return the checks answered, in the order they were."""
        found = []
        for one in self.standing:
            do = self.words.get(one.check_slug, one.check_slug)
            found.append(DoneView(one, do, _counts(self.table, one)))
        return found

    @cached_property
    def suspects(self) -> list[SuspectView]:
        """Return the suspects, likeliest first, with what their odds rest on."""
        if self.diagnosis is None:
            return []
        priors = [(one, Belief.of_table(one.symptom.suspects)) for one in self.known_signs]  # type: ignore[union-attr]
        return [
            SuspectView(one, tuple(self._grounds(one, priors)), self._licences(one.slug))
            for one in self.diagnosis.suspects
        ]

    def _grounds(
        self, suspect: Suspect, priors: Sequence[tuple[SignView, Belief]]
    ) -> Iterable[Ground]:
        for one, prior in priors:
            closed = self.counts.get(one.symptom.slug, {})  # type: ignore[union-attr]
            if suspect.slug not in prior.odds and not closed.get(suspect.slug):
                continue
            yield Ground(
                one.in_sentence,
                prior.odds.get(suspect.slug, 0.0),
                closed.get(suspect.slug, 0),
                sum(closed.values()),
            )

    def _licences(self, slug: str) -> tuple[str, ...]:
        found = {one.licence for one in self.cautions if one.kind_id == slug and one.licence}
        return tuple(sorted(found))

    @property
    def listed(self) -> list[SuspectView]:
        return [one for one in self.suspects if one.suspect.odds >= LISTED_FROM]

    @property
    def unlikely(self) -> list[SuspectView]:
        return [one for one in self.suspects if one.suspect.odds < LISTED_FROM]

    @cached_property
    def asks(self) -> list[AskView]:
        """Return the checks not done, the next first."""
        if self.diagnosis is None or self.job.state != Job.State.OPEN:
            return []
        texts = {one.slug: one for one in self.cautions}
        named = self._asked_by_codes()
        return [
            AskView(
                one,
                tuple(self._answers(one)),
                tuple(texts[slug] for slug in one.check.cautions if slug in texts),
                one.check.slug in named,
            )
            for one in self.diagnosis.checks
        ]

    def _asked_by_codes(self) -> set[str]:
        return {slug for one in self.code_rows for slug in one.checks}

    def _answers(self, one: Ranked) -> Iterable[AnswerView]:
        names = {row.slug: row.name for row in self.diagnosis.suspects}  # type: ignore[union-attr]
        check = {one.check.slug: one.check}
        for answer in one.check.answers:
            after = checking.after_answers(self.odds, check, {one.check.slug: answer.slug})
            best = sorted(after, key=lambda slug: (-after[slug], slug))[:MOST_AFTER]
            yield AnswerView(answer, tuple((names[slug], after[slug]) for slug in best))

    @property
    def next_ask(self) -> AskView | None:
        """Return the check to do next; None when none is worth its minutes."""
        following = self.diagnosis.next_check if self.diagnosis else None
        if following is None:
            return None
        return next((one for one in self.asks if one.ranked.check == following.check), None)

    @property
    def first_ask(self) -> AskView | None:
        """Return the check to show first: the next, or the most telling where none pays."""
        return self.next_ask or next(iter(self.asks), None)

    @property
    def other_asks(self) -> list[AskView]:
        return [one for one in self.asks if one is not self.first_ask]


def _counts(table: FaultTable, answer: CheckAnswer) -> bool:
    check = table.checks.get(answer.check_slug)
    return check is not None and check.answer(answer.answer) is not None


def fault_of(workshop: Workshop, job: Job, *, short: bool = False) -> FaultView:
    """Return a job's fault: the same queries, however much was noted of it.

    Needs make, appliance and needs of the job to be loaded. short: without cautions and the
    number of closed jobs, for a summary.
    """
    table, words = tables.table_and_words(workshop, job.appliance_id)
    rows = Sign.of(workshop).filter(job=job, ended_at__isnull=True).select_related("by__user")
    stored = list(rows.order_by("id"))
    codes = tables.read_codes(job, [one.code for one in stored if one.code_key])
    signs = tuple(_sign_view(job, one, table, codes) for one in stored)
    under = [one.symptom.slug for one in signs if one.symptom]
    counts = tables.closed_counts(workshop, under) if under else {}
    answers = CheckAnswer.of(workshop).filter(job=job).select_related("by__user", "ended_by__user")
    given = tuple(answers.order_by("id"))
    found = list(FaultFound.of(workshop).filter(job=job).select_related("by__user").order_by("id"))
    diagnosis = _diagnosis(table, signs, counts, given)
    return FaultView(
        job=job,
        table=table,
        words=words,
        signs=signs,
        answers=given,
        counts=counts,
        jobs_counted=0 if short else _jobs_counted(workshop, under),
        found=next((one for one in found if one.ended_at is None), None),
        past_found=tuple(one for one in found if one.ended_at is not None),
        fitted=closing.kinds_fitted(job.needs.all()),
        diagnosis=diagnosis,
        cautions=() if short else tuple(_cautions(diagnosis)),
        code_rows=tuple(one.row for one in codes.values() if one.row),
    )


def _sign_view(job: Job, sign: Sign, table: FaultTable, codes: Mapping[str, CodeRead]) -> SignView:
    if sign.symptom:
        found = table.symptoms.get(sign.symptom)
        if found is not None:
            return SignView(sign, found, found.name)
        known = tables.delivered().symptoms.get(sign.symptom)
        name = known.name if known else sign.symptom
        return SignView(sign, None, name, "Hidden in your table: counts for nothing.")
    read = codes[sign.code_key]
    if read.symptom is not None:
        return SignView(sign, read.symptom, read.symptom.name)
    return SignView(sign, None, f"shows {sign.code}", _why_unknown(job, sign, read))


def _why_unknown(job: Job, sign: Sign, read: CodeRead) -> str:
    if job.make is None:
        return "The make of this machine is not known, so nor is what the code means."
    machine = f"{job.make.name} {job.appliance.name.lower()}"
    said = f"{sign.code} is not in your table for a {machine}"
    if not read.elsewhere:
        return f"{said}. It is kept with the job and counts for nothing."
    return f"{said}; it stands there for {', '.join(read.elsewhere)}, which says nothing here."


def _diagnosis(
    table: FaultTable,
    signs: Sequence[SignView],
    counts: Counts,
    answers: Iterable[CheckAnswer],
) -> Diagnosis | None:
    symptoms = [one.symptom for one in signs if one.symptom is not None]
    if not symptoms:
        return None
    given = {
        one.check_slug: one.answer
        for one in answers
        if one.ended_at is None and _counts(table, one)
    }
    parts = tables.parts_of(symptoms[0].appliance)
    return diagnose(table, symptoms, kinds=parts, closed=counts, answers=given)


def _jobs_counted(workshop: Workshop, under: Sequence[str]) -> int:
    if not under:
        return 0
    rows = FaultLesson.of(workshop).filter(under__in=under)
    return rows.order_by().values("found").distinct().count()


def _cautions(diagnosis: Diagnosis | None) -> Iterable[Caution]:
    """Return the cautions of the checks shown and of the suspects, in one query."""
    if diagnosis is None:
        return []
    slugs = {slug for one in diagnosis.checks for slug in one.check.cautions}
    suspected = [one.slug for one in diagnosis.suspects if one.is_part]
    rows = Caution.objects.filter(slug__in=slugs) | Caution.objects.filter(kind__in=suspected)
    return rows.order_by("slug")


def proposals(workshop: Workshop, view: FaultView, *, on: date) -> list[Proposal]:
    """Return the part kinds to propose, with what stands in stock for each now."""
    if view.diagnosis is None or view.job.state != Job.State.OPEN:
        return []
    carried = tables.carried_by(view.job.appliance_id)
    needs = {need.kind_id: need for need in reversed(view.job.needs.all())}
    found = [
        _proposal(one, carried.get(one.slug, ()), needs.get(one.slug))
        for one in view.diagnosis.suspects
        if one.is_proposed
    ]
    asked = [one.suspect.slug for one in found if not one.never]
    stock = in_stock(view.job, asked, on=on)
    for one in found:
        one.stock = stock.get(one.suspect.slug, InStock())
    return found


def _proposal(suspect: Suspect, positions: tuple[str, ...], need: Need | None) -> Proposal:
    kind = kinds()[suspect.slug]
    never = f"Never reused: buy a new one. {kind.reuse_advice}".strip() if kind.never_reused else ""
    return Proposal(suspect, never, positions, kind.reuse_advice, need)


@dataclass(frozen=True, slots=True)
class FaultBrief:
    """What the job's page says of the fault in a few lines. suspects: the likeliest three."""

    signs: tuple[SignView, ...]
    suspects: tuple[Suspect, ...]
    checks_done: int
    found: str
    to_say: bool
    at_fault: str = ""

    @property
    def known(self) -> list[SignView]:
        return [one for one in self.signs if one.symptom is not None]

    @property
    def unknown_codes(self) -> list[SignView]:
        return [one for one in self.signs if one.is_code and one.symptom is None]


def fault_brief(workshop: Workshop, job: Job) -> FaultBrief:
    """Return the short version for the job's page: one query while nothing was noted of it."""
    if job.state == Job.State.OPEN and not Sign.of(workshop).filter(job=job).exists():
        return FaultBrief((), (), 0, "", False)
    view = fault_of(workshop, job, short=True)
    suspects = view.diagnosis.suspects if view.diagnosis else ()
    return FaultBrief(
        view.signs,
        tuple(one for one in suspects if one.slug != SOMETHING_ELSE)[:3],
        len(view.done),
        view.found_name,
        view.several_fitted,
        view.at_fault,
    )
