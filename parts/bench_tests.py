"""The bench form of a part: what it asks, what the answers say, and recording them."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

from parts import grades, selectors, services
from parts.domain import grading
from parts.domain.bench.discharge import MOST_UF, Charged
from parts.domain.bench.verdicts import Outcome, Verdict
from parts.domain.bench_forms.forms import BenchForm, Judged, overall, plain_figure
from parts.domain.bench_forms.records import STATED, as_record
from parts.models import TESTED, BenchTest, Part
from parts.reference import bench_forms, bench_limits, charged_parts
from workshop import days
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused
from workshop.models import Member, Workshop

METHOD = "bench form"


@dataclass(frozen=True, slots=True)
class Other:
    """A test the form does not foresee, in free words: its verdict is stated, not judged."""

    method: str = ""
    verdict: str = ""
    said: str = ""

    def __bool__(self) -> bool:
        return bool(self.method.strip() or self.said.strip() or self.verdict)


@dataclass(frozen=True, slots=True)
class Answers:
    """What a person gives for one part on one day. readings: as typed, by the input's name."""

    tested_on: date
    readings: Mapping[str, Any] = field(default_factory=dict)
    other: Other = Other()
    meter: str = ""
    looks_worn: bool = False
    note: str = ""


@dataclass(frozen=True, slots=True)
class Trial:
    """What answers say before anything is saved: each verdict, the whole, and the grade."""

    verdicts: tuple[dict[str, Any], ...]
    outcome: Outcome
    grade: str
    reason: str
    falls_on: date | None
    measured: bool

    @property
    def verdict(self) -> BenchTest.Verdict:
        return grades.VERDICT_OF[self.outcome]


def form_of(part: Part) -> BenchForm:
    """Return the form of the part's kind."""
    return bench_forms()[part.kind_id]


@dataclass(frozen=True, slots=True)
class Known:
    """What fills an input in, and whence it is known."""

    value: str
    whence: str


def known_of(part: Part) -> dict[str, Known]:
    """Return the inputs that are filled in: from the part, its number, or its machine.

    Of others only what all of them agree on. A machine's other parts tell its mains voltage and
    nothing else.
    """
    form = form_of(part)
    found: dict[str, Known] = {}
    for attributes, whence in (
        (part.attributes, "noted of the part"),
        (agreed(selectors.attributes_of_number(part)), "from others of its number"),
        (_mains(selectors.attributes_of_machine(part)), "from other parts of its machine"),
    ):
        for name, value in form.known(attributes).items():
            found.setdefault(name, Known(value, whence))
    return found


def agreed(noted: Iterable[Mapping[str, str]]) -> dict[str, str]:
    """Return the attributes on which all who note them agree."""
    found: dict[str, set[str]] = {}
    for attributes in noted:
        for name, value in attributes.items():
            found.setdefault(name, set()).add(value)
    return {name: values.pop() for name, values in found.items() if len(values) == 1}


def _mains(noted: Iterable[Mapping[str, str]]) -> dict[str, str]:
    """Return the voltage of a machine whose parts name one mains voltage and no second."""
    volts = {value for one in noted if _is_mains(value := one.get("voltage_v", ""))}
    return {"voltage_v": volts.pop()} if len(volts) == 1 else {}


def _is_mains(text: str) -> bool:
    supply = bench_limits()["plate-mains-volts"]
    return text.isascii() and text.isdigit() and supply.passes(float(text))


def charges_of(part: Part) -> list[Charged]:
    """Return what keeps a charge in such a part; with its own capacitance where that is noted."""
    found = [one for one in charged_parts() if part.kind_id in one.kinds]
    noted = plain_figure(part.attributes.get("capacitance_uf", ""))
    if noted and 0 < float(noted) <= MOST_UF:  # another figure is a slip: as it is usually built
        return [one.of_size(float(noted)) for one in found]
    return found


def try_readings(*, workshop: Workshop, ref: str, answers: Answers, on: date) -> Trial:
    """Return what answers would say of a part. Saves nothing.

    Raises NotFound, Conflict when the part is gone, InputRefused with a sentence by input.
    """
    part = selectors.get_part(workshop, ref)
    services.refuse_if_gone(part)
    return _trial(part, answers, on=on)


def verdicts_so_far(part: Part, answers: Answers) -> tuple[dict[str, Any], ...]:
    """Return the verdicts there are although something else is at fault, for who still types."""
    judged, _ = form_of(part).judge_so_far(answers.readings, limits=bench_limits())
    return tuple(_record(one) for one in judged)


def record_readings(
    *, workshop: Workshop, ref: str, answers: Answers, tested_by: Member | None, on: date
) -> BenchTest:
    """Judge what was given, store it with its verdicts, and grade the part by it.

    Raises as `try_readings`, and InputRefused when nothing at all was given; nothing is saved then.
    """
    part = selectors.get_part(workshop, ref)
    services.refuse_if_gone(part)
    trial = _trial(part, answers, on=on)
    if not trial.measured:
        why = "Measure something, or answer what was looked at."
        raise InputRefused(f"Part {ref}: nothing was measured or looked at. {why}")
    return services.record_bench_test(
        workshop=workshop,
        ref=ref,
        method=_method(answers),
        tested_on=answers.tested_on,
        tested_by=tested_by,
        verdicts=trial.verdicts,
        readings=_as_given(form_of(part), answers),
        meter=answers.meter,
        looks_worn=answers.looks_worn,
        note=answers.note,
        on=on,
    )


def _trial(part: Part, answers: Answers, *, on: date) -> Trial:
    days.refuse_implausible(tested_on=answers.tested_on)
    form = form_of(part)
    try:
        judged = form.judge(form.read(answers.readings), limits=bench_limits())
        verdicts = [one.verdict for one in judged]
        records = [_record(one) for one in judged]
        if answers.other:
            free = _other(answers.other)
            verdicts, records = [*verdicts, free], [*records, as_record(free, slug=STATED)]
        facts = grades.facts_of(part, looks_worn=answers.looks_worn)
        graded = grading.grade(verdicts, facts, tested_on=answers.tested_on, on=on)
        falls = grading.falls_on(verdicts, facts, tested_on=answers.tested_on, on=on)
    except ValueRefused as refused:
        raise _refused(part, form, refused) from refused
    trial = Trial(
        tuple(records),
        overall(verdicts),
        graded.grade,
        graded.reason,
        falls,
        _says_something(verdicts),
    )
    return _beside_earlier(part, trial, answers) if trial.measured else trial


def _beside_earlier(part: Part, trial: Trial, answers: Answers) -> Trial:
    """Return the trial with what earlier tests change: a failure stands until measured again."""
    test = BenchTest(
        tested_on=answers.tested_on, verdict=trial.verdict, verdicts=list(trial.verdicts)
    )
    failed = grades.standing_failure([*part.tests.all(), test])
    if failed is None or failed is test:
        return _lost_by(part, trial, answers)
    named = ", ".join(one.test for one in grades.verdicts_of(failed) if one.outcome is Outcome.FAIL)
    reason = f"failed: {named}{grades.since(failed, test)}"
    return replace(trial, grade=grading.SCRAP, reason=reason, falls_on=None)


def _lost_by(part: Part, trial: Trial, answers: Answers) -> Trial:
    """Say it when a newer test that leaves something out takes a tested grade away."""
    rests_on = part.grade_test
    if rests_on is None or rests_on.tested_on > answers.tested_on or part.grade not in TESTED:
        return trial
    if trial.grade != grading.UNTESTED:
        return trial
    return replace(trial, reason=f"{trial.reason}; so far it is {part.get_grade_display()}")


def _says_something(verdicts: Sequence[Verdict]) -> bool:
    return any(one.outcome is not Outcome.NOT_MEASURED for one in verdicts)


def _record(one: Judged) -> dict[str, Any]:
    return as_record(one.verdict, slug=one.test.slug, stage=one.test.stage.value)


def _other(other: Other) -> Verdict:
    """Return the stated verdict. Raises ValueRefused when its name or its verdict is missing."""
    wrong = {}
    if not other.method.strip():
        wrong["other_method"] = "say what was tested, and how"
    if other.verdict not in BenchTest.Verdict.values:
        said = ", ".join(BenchTest.Verdict.values)
        wrong["other_verdict"] = f"say what it showed: one of {said}"
    if wrong:
        raise ValueRefused(wrong)
    return grades.stated_verdict(other.method.strip(), other.verdict, said=other.said.strip())


def _refused(part: Part, form: BenchForm, refused: ValueRefused) -> InputRefused:
    labels = {name: one.label for name, one in form.inputs.items()}
    said = "; ".join(f"{labels.get(name, name)}: {why}" for name, why in refused.fields.items())
    return InputRefused(f"Part {part.ref}: {said}.", fields=refused.fields)


def _method(answers: Answers) -> str:
    return f"{METHOD}; {answers.other.method.strip()}"[:200] if answers.other else METHOD


def _as_given(form: BenchForm, answers: Answers) -> dict[str, Any]:
    """Return the readings as typed, each with its label and unit; free words under `text`."""
    found: dict[str, Any] = {}
    for name, one in form.inputs.items():
        given = answers.readings.get(name)
        typed = "" if given is None else str(given).strip()
        if typed:
            test = next((t.name for t in form.tests if one in form.inputs_of(t)), "")
            found[name] = {
                "label": f"{test}: {one.label.lower()}" if test else one.label,
                "value": typed,
                "unit": one.unit,
            }
    if answers.other.said.strip():
        found["text"] = answers.other.said.strip()
    return found
