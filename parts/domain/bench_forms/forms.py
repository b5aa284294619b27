"""The form of one part kind, from data; and the verdicts on a filled one."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Self

from parts.domain.bench.limits import BenchLimits
from parts.domain.bench.plates import volts_of_range
from parts.domain.bench.verdicts import Outcome, Verdict, worst
from parts.domain.bench_forms.inputs import Given, Input
from parts.domain.bench_forms.rows import Stage, Test
from parts.domain.bench_forms.ways import SHARED, WAYS
from workshop.domain.refusals import Checks, ValueRefused


@dataclass(frozen=True, slots=True)
class Judged:
    """One test's verdict."""

    test: Test
    verdict: Verdict


@dataclass(frozen=True, slots=True)
class BenchForm:
    """What is asked of one kind, in the order of a bench test.

    needed: slugs of tests without which nothing is graded. one_of: of each group one is enough,
    as a part is built one way or the other. Every other test counts only when it is given.
    """

    kind: str
    tests: tuple[Test, ...]
    needed: frozenset[str]
    one_of: tuple[tuple[str, ...], ...]
    source: str

    @classmethod
    def of(cls, row: Mapping[str, Any], tests: Mapping[str, Test]) -> Self:
        """Build from a row of `forms` in bench_forms.json."""
        groups = tuple(tuple(group) for group in row["one_of"])
        slugs = [*row["needed"], *(slug for group in groups for slug in group), *row["optional"]]
        order, once = list(Stage), dict.fromkeys(slugs)  # a test may stand in for several
        found = sorted((tests[slug] for slug in once), key=lambda test: order.index(test.stage))
        return cls(row["kind"], tuple(found), frozenset(row["needed"]), groups, row["source"])

    @property
    def shared(self) -> tuple[Input, ...]:
        """Inputs several tests use, asked once: plate values and the temperature."""
        used = {one.name for test in self.tests for one in WAYS[test.way].inputs(test)}
        return tuple(one for one in SHARED if one.name in used)

    def inputs_of(self, test: Test) -> tuple[Input, ...]:
        """Return what one test asks for beside what is shared."""
        names = {one.name for one in SHARED}
        return tuple(one for one in WAYS[test.way].inputs(test) if one.name not in names)

    @property
    def inputs(self) -> dict[str, Input]:
        """Every input by its name, in the order of the form."""
        own = (one for test in self.tests for one in self.inputs_of(test))
        return {one.name: one for one in (*self.shared, *own)}

    def stages(self) -> list[tuple[Stage, list[Test]]]:
        """Return the stages that ask something, each with its tests."""
        found = [(stage, [test for test in self.tests if test.stage is stage]) for stage in Stage]
        return [(stage, tests) for stage, tests in found if tests]

    def is_needed(self, test: Test) -> bool:
        return test.slug in self.needed

    def alternatives(self, test: Test) -> tuple[str, ...]:
        """Return the names of the tests that may stand in for this one."""
        names = {one.slug: one.name for one in self.tests}
        for group in self.one_of:
            if test.slug in group:
                return tuple(names[slug] for slug in group if slug != test.slug)
        return ()

    def known(self, attributes: Mapping[str, str]) -> dict[str, str]:
        """Return the inputs that what is known of a part fills in, as text.

        A range like 220-240 stands for its mean (plates.volts_of_range); what is no figure is
        left out.
        """
        found: dict[str, str] = {}
        for one in self.inputs.values():
            text = plain_figure(attributes.get(one.known_as, "")) if one.known_as else ""
            if text:
                found[one.name] = text
        return found

    def read(self, typed: Mapping[str, Any]) -> Given:
        """Return what was typed, read. Raises ValueRefused: no figures, inputs not of this form."""
        with Checks() as bad:
            found = self._read(typed, bad)
        return found

    def _read(self, typed: Mapping[str, Any], bad: Checks) -> Given:
        inputs = self.inputs
        for name in typed:
            if name not in inputs:
                bad.refuse(str(name)[:60], f"is not asked of a {self.kind}")
        return Given({name: one.read(typed.get(name), bad) for name, one in inputs.items()})

    def judge(self, given: Given, *, limits: BenchLimits) -> list[Judged]:
        """Return the verdicts in the order of the form; a needed test without one is not measured.

        A test that is not needed and was not given is left out. Raises ValueRefused with every
        input at fault, of all tests at once.
        """
        with Checks() as bad:
            found = self._judge(given, limits, bad)
        return found

    def judge_so_far(
        self, typed: Mapping[str, Any], *, limits: BenchLimits
    ) -> tuple[list[Judged], dict[str, str]]:
        """Return the verdicts there are while somebody types, and what is wrong by input."""
        bad = Checks()
        return self._judge(self._read(typed, bad), limits, bad), bad.fields

    def _judge(self, given: Given, limits: BenchLimits, bad: Checks) -> list[Judged]:
        found: list[Judged] = []
        for test in self.tests:
            try:
                verdict = WAYS[test.way].judge(test, given, limits)
            except ValueRefused as refused:
                for name, why in refused.fields.items():
                    bad.refuse(name, why)
            else:
                found.append(Judged(test, replace(verdict, test=test.name)))
        return self._counted(found)

    def _counted(self, found: Sequence[Judged]) -> list[Judged]:
        """Return the verdicts without those nobody asked for."""
        given = {one.test.slug for one in found if one.verdict.outcome is not Outcome.NOT_MEASURED}
        kept = given | self.needed
        for group in self.one_of:
            if not given & set(group):
                kept |= {group[0]}  # one not measured stands for the group
        return [one for one in found if one.test.slug in kept]


def plain_figure(text: str) -> str:
    """Return an attribute as the text of one figure; "" when it is none."""
    ends = [one.strip() for one in str(text).replace("–", "-").split("-")]
    if not all(_is_figure(one) for one in ends):
        return ""
    if len(ends) == 1:
        return ends[0]
    if len(ends) != 2 or float(ends[1]) < float(ends[0]):
        return ""
    return f"{volts_of_range(float(ends[0]), float(ends[1])):g}"


def _is_figure(text: str) -> bool:
    whole, _, rest = text.partition(".")
    return whole.isascii() and whole.isdigit() and (not rest or rest.isdigit())


def overall(verdicts: Iterable[Verdict]) -> Outcome:
    """Return the outcome that decides; not measured when there is none."""
    found = list(verdicts)
    return worst(found).outcome if found else Outcome.NOT_MEASURED


@dataclass(frozen=True, slots=True)
class BenchForms:
    """Everything in bench_forms.json."""

    tests: Mapping[str, Test]
    forms: Mapping[str, BenchForm]

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Self:
        """Build from the parsed file; the domain itself reads no files."""
        tests = {row["slug"]: Test.of(row) for row in data["tests"]}
        forms = {row["kind"]: BenchForm.of(row, tests) for row in data["forms"]}
        return cls(tests, forms)

    def __getitem__(self, kind: str) -> BenchForm:
        """Return the form of a kind; one that asks nothing where none is on record."""
        return self.forms.get(kind) or BenchForm(kind, (), frozenset(), (), "")
