"""Learned weights in a workshop: shown, accepted, in force, taken back; nobody else's."""

from datetime import timedelta
from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from matching import gather, learning, teaching
from matching.models import LearnedWeights, Match, Outcome
from tests.factories import NOW, Bench, make_bench
from workshop.errors import Conflict, NotAllowed
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


def machine(make: str, family: str) -> dict[str, object]:
    return {"make": make, "family": family, "number": f"{family}60R1W", "fields": {}}


@pytest.fixture
def taught_bench(bench: Bench) -> Bench:
    """A workshop where pumps of another make always fitted, and the table thinks they do not."""
    outcomes = []
    for n in range(120):
        other = n % 2 == 0
        outcome = Outcome(
            workshop=bench.workshop,
            kind_id="drain-pump",
            fitted_on=NOW.date() - timedelta(days=n),
            result="worked" if other or n % 3 == 0 else "did-not-fit",
            learned={
                "donor": machine("Borsund" if other else "Velthane", f"B{n}"),
                "job": machine("Velthane", f"V{n}"),
            },
            fingerprint=f"{n}",
        )
        outcomes.append(outcome)
    Outcome.objects.bulk_create(outcomes)
    return bench


def run(bench: Bench, *arguments: str) -> str:
    out = StringIO()
    call_command("learn_weights", *arguments, workshop=bench.workshop.slug, stdout=out)
    return out.getvalue()


def test_the_change_is_shown_and_nothing_is_stored(taught_bench: Bench) -> None:
    said = run(taught_bench)
    assert "held-out log loss" in said
    assert not LearnedWeights.of(taught_bench.workshop).exists()
    assert gather.weights_of(taught_bench.workshop.pk) is gather.weights()


def test_accepted_weights_are_in_force_here_and_nowhere_else(taught_bench: Bench) -> None:
    other = make_bench("other")
    said = run(taught_bench, "--accept", "--by", "millrace-reviewer")
    assert "held-out log loss" in said
    row = LearnedWeights.of(taught_bench.workshop).get()
    known = gather.knowledge(taught_bench.workshop.pk, ["drain-pump"])["drain-pump"]
    assert known.weights.learned == row.learned
    assert row.outcomes == Outcome.of(taught_bench.workshop).count()
    assert row.loss_after < row.loss_before
    assert gather.weights_of(other.workshop.pk).learned == {}


def test_open_needs_are_matched_anew_and_rows_still_add_up(taught_bench: Bench) -> None:
    need = taught_bench.need("W7-60 R1 W", kind="drain-pump")
    taught_bench.donor("W7-60 R1 S")
    taught_bench.drain()
    before = Match.of(taught_bench.workshop).get(need=need, part__kind="drain-pump")
    run(taught_bench, "--accept", "--by", "millrace-reviewer")
    taught_bench.drain()
    after = Match.of(taught_bench.workshop).get(need=need, part__kind="drain-pump")
    assert after.scored_at >= before.scored_at
    assert after.score_bits != before.score_bits
    assert "calibration" in [row["evidence"] for row in after.reasons]
    assert sum(row["bits"] for row in after.reasons) == pytest.approx(after.score_bits)


def test_going_back_step_by_step(taught_bench: Bench) -> None:
    workshop, reviewer = taught_bench.workshop, taught_bench.members["reviewer"]
    taught = teaching.teach(workshop.pk)
    first = teaching.accept_weights(workshop=workshop, taught=taught, member=reviewer, now=NOW)
    second = teaching.accept_weights(workshop=workshop, taught=taught, member=reviewer, now=NOW)
    assert second.instead_of == first
    later = NOW + timedelta(hours=1)
    again = teaching.revert_weights(workshop=workshop, member=reviewer, now=later)
    assert again is not None
    assert (again.learned, again.instead_of) == (first.learned, None)
    assert teaching.revert_weights(workshop=workshop, member=reviewer, now=later) is None
    assert gather.weights_of(workshop.pk) is gather.weights()
    with pytest.raises(Conflict, match="nothing to go back from"):
        teaching.revert_weights(workshop=workshop, member=reviewer, now=later)
    events = OutboxEvent.objects.unscoped().filter(kind="matching.weights-changed")
    assert events.count() == 4
    said = run(taught_bench, "--list").splitlines()
    assert len(said) == 3
    assert all("millrace-reviewer" in line for line in said)


def test_worse_is_refused_unless_forced(taught_bench: Bench) -> None:
    workshop, reviewer = taught_bench.workshop, taught_bench.members["reviewer"]
    worse = learning.Taught(gather.weights().taught({"likely": 0.7}), 20, before=0.3, after=0.4)
    with pytest.raises(Conflict, match=r"from 0\.3000 to 0\.4000"):
        teaching.accept_weights(workshop=workshop, taught=worse, member=reviewer, now=NOW)
    row = teaching.accept_weights(
        workshop=workshop, taught=worse, member=reviewer, now=NOW, though_worse=True
    )
    assert gather.weights_of(workshop.pk).limits()["likely"] == row.learned["likely"] == 0.7


def test_only_a_reviewer_decides_and_says_so_by_name(taught_bench: Bench) -> None:
    with pytest.raises(CommandError, match="--by NAME"):
        run(taught_bench, "--accept")
    with pytest.raises(CommandError, match="Nobody who signs in as"):
        run(taught_bench, "--accept", "--by", "nobody")
    with pytest.raises(CommandError, match="decided on by a reviewer"):
        run(taught_bench, "--accept", "--by", "millrace-technician")
    technician = taught_bench.technician
    with pytest.raises(NotAllowed):
        teaching.revert_weights(workshop=taught_bench.workshop, member=technician, now=NOW)


def test_without_outcomes_there_is_nothing_to_learn(bench: Bench) -> None:
    assert "No past fitting" in run(bench)
    with pytest.raises(CommandError, match="no past fitting to learn from"):
        run(bench, "--accept", "--by", "millrace-reviewer")
    assert "never learned" in run(bench, "--list")
