"""Who gets which part. Judges: every assignment on small cases, scipy's assignment, greed."""

import math
import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linear_sum_assignment

from matching.domain.allocation import by_pairs, by_sets, choosing, greedy
from matching.domain.allocation.allocating import allocate, likeliest
from matching.domain.allocation.claims import Job, Limits, Pair, Standing
from matching.domain.allocation.passing import Passed
from matching.domain.allocation.worth import levels, worth
from tests.unit.matching.domain.allocation.questions import allowed, best_of_all, questions
from tests.unit.published import VALUES, rows
from workshop.domain.refusals import ValueRefused


def asked(question):
    jobs, pairs, limits, standing = question
    return allocate(jobs, pairs, limits=limits, standing=standing)


def worth_of(found, jobs):
    return worth([job for job in jobs if job.name in found.completed], levels(jobs))


def log_chance(found, question):
    _, pairs, limits, standing = question
    offers = allowed(pairs, limits, standing)
    new = {need: part for need, part in found.given.items() if need not in standing.fixed}
    return math.fsum(math.log(offers[need][part]) for need, part in new.items())


@settings(max_examples=400)
@given(questions())
def test_equals_every_assignment(question):
    best, chance = best_of_all(*question)
    found = asked(question)
    assert worth_of(found, question[0]) == best
    assert log_chance(found, question) == pytest.approx(chance, abs=1e-6)
    assert found.proven
    assert found.at_most == len(found.completed)


@given(questions())
def test_by_sets_equals_every_assignment(question):
    """The form for many pairs, which small questions would never reach."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choosing, "MOST_PAIRS", 0)
        found = asked(question)
    assert worth_of(found, question[0]) == best_of_all(*question)[0]
    assert found.proven


@given(questions(most_needs=1, most_jobs=8, most_parts=7))
def test_jobs_of_one_need_equal_every_assignment(question):
    assert worth_of(asked(question), question[0]) == best_of_all(*question)[0]


@given(questions(most_jobs=30, most_parts=25))
def test_holds_together(question):
    """Larger ones: each part once, each completed job whole, nothing below the limits."""
    jobs, pairs, limits, standing = question
    found = asked(question)
    assert len(set(found.given.values())) == len(found.given)
    offers = allowed(pairs, limits, standing)
    for need, part in found.given.items():
        assert standing.fixed.get(need) == part or part in offers[need]
    given_to = found.given.keys()
    for job in jobs:
        complete = given_to >= set(job.needs)
        assert (job.name in found.completed) == complete
        if not complete:
            assert all(n in standing.fixed for n in job.needs if n in given_to)
    assert {one.job for one in found.passed} | set(found.completed) == {job.name for job in jobs}


@given(questions(most_jobs=30, most_parts=25))
def test_never_worse_than_greed(question):
    jobs, pairs, limits, standing = question
    offers = {
        need: sorted(some, key=some.get, reverse=True)
        for need, some in allowed(pairs, limits, standing).items()
    }
    open_jobs = [
        Job(job.name, tuple(n for n in job.needs if n not in standing.fixed), *_rest(job))
        for job in jobs
    ]
    able = [job for job in open_jobs if all(need in offers for need in job.needs)]
    by_greed = {job.name for job in greedy.completed(able, offers)}
    plain = worth([job for job in jobs if job.name in by_greed], levels(jobs))
    assert worth_of(asked(question), jobs) >= plain


@given(questions(), st.randoms(use_true_random=False))
def test_the_order_of_the_question_does_not_matter(question, dice):
    jobs, pairs, limits, standing = question
    turned = (dice.sample(jobs, len(jobs)), dice.sample(pairs, len(pairs)), limits, standing)
    assert asked(question) == asked(turned)


class TestPublished:
    def test_the_example_of_scipys_reference(self):
        """Costs as minus logarithms of chances: columns 1, 0, 2, together 5."""
        block = VALUES["assignment"]
        chances = {
            f"n{row}": {f"p{column}": math.exp(-cost) for column, cost in enumerate(costs)}
            for row, costs in enumerate(rows("assignment"))
        }
        found = likeliest(sorted(chances), chances)
        assert [found[f"n{row}"] for row in range(3)] == [f"p{c}" for c in block["chosen"]]

    def test_large_ones_against_scipy(self):
        """linear_sum_assignment on 40 needs and 60 parts, everything allowed."""
        dice = np.random.default_rng(1)
        p = dice.uniform(0.05, 1, (40, 60))
        chances = {f"n{r:02d}": {f"p{c:02d}": p[r, c] for c in range(60)} for r in range(40)}
        found = likeliest(sorted(chances), chances)
        mine = math.fsum(math.log(chances[need][part]) for need, part in found.items())
        at, columns = linear_sum_assignment(-np.log(p))
        assert mine == pytest.approx(np.log(p[at, columns]).sum(), abs=1e-9)


class TestByHand:
    def _pairs(self, text):
        """ "a:p q b:p" reads: need a may have p or q, need b may have p."""
        found, need = [], ""
        for word in text.replace(":", ": ").split():
            if word.endswith(":"):
                need = word[:-1]
            else:
                found.append(Pair(need, word, 0.9, 0.9))
        return found

    def test_both_halves_or_none(self):
        """The board set: one job of two halves must not keep a half another job could use."""
        jobs = [Job("set", ("power", "display"), waiting_days=90), Job("one", ("p",), 0, 1)]
        found = allocate(jobs, self._pairs("power:x p:x"))
        assert found.completed == ("one",)
        assert found.given == {"p": "x"}
        assert found.passed == (Passed("set", "display", "nothing"),)

    def test_two_jobs_before_one_older(self):
        """Greed serves the oldest and leaves the others without."""
        jobs = [Job("old", ("a", "b"), 0, 99), Job("x", ("c",), 0, 5), Job("y", ("d",), 0, 5)]
        found = allocate(jobs, self._pairs("a:p b:q c:p d:q"))
        assert found.completed == ("x", "y")
        assert found.passed == (Passed("old", "a", "more", "p", "c"),)

    def test_urgent_before_longer_waiting(self):
        jobs = [Job("freezer", ("a",), 1, 1), Job("old", ("b",), 0, 99)]
        found = allocate(jobs, self._pairs("a:p b:p"))
        assert found.completed == ("freezer",)
        assert found.passed == (Passed("old", "b", "urgent", "p", "a"),)

    def test_who_has_waited_longer_goes_first_and_by_how_much_is_said(self):
        jobs = [Job("late", ("a",), 0, 3), Job("early", ("b",), 0, 15)]
        found = allocate(jobs, self._pairs("a:p b:p"))
        assert found.completed == ("early",)
        assert found.passed == (Passed("late", "a", "waited", "p", "b", 12),)

    def test_more_jobs_before_an_urgent_one(self):
        jobs = [Job("urgent", ("a", "b"), 2, 9), Job("x", ("c",)), Job("y", ("d",))]
        assert allocate(jobs, self._pairs("a:p b:q c:p d:q")).completed == ("x", "y")

    def test_longest_waiting_among_equals(self):
        jobs = [Job("x", ("a",), 0, 3), Job("y", ("b",), 0, 4)]
        assert allocate(jobs, self._pairs("a:p b:p")).completed == ("y",)

    def test_a_part_is_moved_so_that_both_are_served(self):
        jobs = [Job("x", ("a",), 0, 9), Job("y", ("b",), 0, 1)]
        pairs = [Pair("a", "p", 0.99, 0.99), Pair("a", "q", 0.8, 0.8), Pair("b", "p", 0.7, 0.7)]
        assert allocate(jobs, pairs).given == {"a": "q", "b": "p"}

    def test_limits_count_from_their_value_on(self):
        jobs = [Job("x", ("a",))]
        limits = Limits(p_fit=0.6, p_good=0.3)
        assert allocate(jobs, [Pair("a", "p", 0.6, 0.3)], limits=limits).completed == ("x",)
        assert allocate(jobs, [Pair("a", "p", 0.59, 1)], limits=limits).completed == ()
        assert allocate(jobs, [Pair("a", "p", 1, 0.29)], limits=limits).completed == ()

    def test_a_hold_stays_though_another_job_is_more_urgent(self):
        jobs = [Job("x", ("a",), 0, 1), Job("y", ("b",), 2, 99)]
        found = allocate(jobs, self._pairs("a:p b:p"), standing=Standing(held={"a": "p"}))
        assert found.given == {"a": "p"}
        assert found.completed == ("x",)

    def test_a_person_s_word_stays_against_the_odds(self):
        jobs = [Job("x", ("a",)), Job("y", ("b",))]
        standing = Standing(chosen={"a": "odd", "b": None})
        found = allocate(jobs, self._pairs("a:p b:p"), standing=standing)
        assert found.given == {"a": "odd"}
        assert found.completed == ("x",)

    def test_nothing_to_do(self):
        found = allocate([], [])
        assert (found.given, found.completed, found.at_most, found.proven) == ({}, (), 0, True)


class TestTooLarge:
    def _question(self):
        """Sixty jobs of three needs for sixty parts: far more than there are parts for."""
        dice = random.Random(5)
        jobs = [
            Job(f"j{n:02d}", tuple(f"j{n:02d}n{k}" for k in range(3)), 0, dice.randint(0, 60))
            for n in range(60)
        ]
        pairs = [
            Pair(need, f"p{part}", 0.9, 0.9)
            for job in jobs
            for need in job.needs
            for part in dice.sample(range(60), 3)
        ]
        return jobs, pairs

    @pytest.mark.parametrize(
        ("module", "name", "most"),
        [(by_pairs, "MOST_NODES", 0), (by_pairs, "MOST_JOBS", 5), (by_sets, "MOST_ROUNDS", 1)],
    )
    def test_the_best_found_is_no_worse_than_greed_and_its_bound_holds(
        self, monkeypatch, module, name, most
    ):
        jobs, pairs = self._question()
        whole = allocate(jobs, pairs)
        assert whole.proven
        monkeypatch.setattr(module, name, most)
        if module is by_sets:
            monkeypatch.setattr(choosing, "MOST_PAIRS", 0)
        cut = allocate(jobs, pairs)
        offers = allowed(pairs, Limits(), Standing())
        ordered = {need: sorted(some) for need, some in offers.items()}
        by_greed = {job.name for job in greedy.completed(jobs, ordered)}
        assert len(cut.completed) >= len(by_greed)
        assert len(cut.completed) <= len(whole.completed) <= cut.at_most
        assert whole.at_most == len(whole.completed)


@pytest.mark.parametrize(
    ("jobs", "pairs", "standing", "field"),
    [
        ([Job("x", ())], [], None, "x"),
        ([Job("x", ("a",)), Job("x", ("b",))], [], None, "x"),
        ([Job("x", ("a", "a"))], [], None, "a"),
        ([Job("x", ("a",), urgency=-1)], [], None, "x"),
        ([Job("x", ("a",), waiting_days=-1)], [], None, "x"),
        ([Job("x", ("a",), waiting_days=1.5)], [], None, "x"),
        ([Job("x", ("a",))], [Pair("a", "p", 1.2, 1)], None, "a"),
        ([Job("x", ("a",))], [Pair("a", "p", 1, math.nan)], None, "a"),
        ([Job("x", ("a",))], [Pair("b", "p", 1, 1)], None, "b"),
        ([Job("x", ("a", "b"))], [], Standing(held={"a": "p", "b": "p"}), "p"),
        ([Job("x", ("a", "b"))], [], Standing(held={"a": "p"}, chosen={"b": "p"}), "p"),
        ([Job("x", ("a",))], [], Standing(held={"gone": "p"}), "gone"),
    ],
)
def test_bad_input_is_refused_by_name(jobs, pairs, standing, field):
    with pytest.raises(ValueRefused) as refused:
        allocate(jobs, pairs, standing=standing)
    assert field in refused.value.fields


def _rest(job):
    return job.urgency, job.waiting_days
