"""A job weighed from the database. Judges: sums by hand, the rules the trade states."""

import math
import random
from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from matching import holds, keeping, proposals, triage_figures, triaging
from matching.break_value import break_value
from matching.domain.triage.options import worth_by_age
from matching.keeping import Answer
from matching.models import Hold, Job, KeptBack, Match, OwnRule, Proposal
from matching.promised import best_free, free_matches
from matching.selectors import get_job
from matching.services import NeedFacts
from matching.strip_planning import plan_donor
from matching.triage_figures import GUIDED, JOB, OWN, Figures
from matching.triage_situation import Weighed, weigh
from matching.waiting_odds import Counting
from matching.web.rows import need_rows
from matching.web.waiting_forms import odds_of
from parts.models import Part
from parts.services import PartFacts, describe_part
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused, NotFound

pytestmark = pytest.mark.django_db

BOTH = [NeedFacts(kind="control-board"), NeedFacts(kind="drain-pump")]


def weighed(bench: Bench, job: Job) -> Weighed:
    return weigh(bench.workshop, job.ref, on=TODAY)


def sources(found: Weighed) -> dict[str, str]:
    return {one.name: one.source for one in found.assumptions}


def price(bench: Bench, part, cents: int) -> None:
    describe_part(workshop=bench.workshop, ref=part.ref, facts=PartFacts(price_cents=cents))


def test_without_anything_known_the_guide_speaks_and_says_so(bench: Bench) -> None:
    """Hand sums: half the mean life of 12.6 years leaves .55 of 500; an hour at 45; board 60."""
    found = weighed(bench, bench.job())
    now = found.situation
    assert now.worth == pytest.approx(500 * 0.55)
    assert now.labour == 45
    assert (now.floor_per_week, now.patience_days) == (2, 30)
    assert now.stock == ()
    assert now.new is not None
    assert (now.new.price, now.new.days, now.new.p_works) == (120, 7, 0.95)
    assert sources(found)["price of an equal new machine"] == GUIDED
    assert sources(found)["age"] == "not known: guessed"
    assert "guide" in sources(found)["new control board"]


def test_what_is_known_of_the_job_comes_before_the_workshop_and_that_before_the_guide(
    bench: Bench,
) -> None:
    job = bench.job(built_from=TODAY - timedelta(days=1461), built_to=TODAY - timedelta(days=1461))
    triage_figures.set_figures(
        workshop=bench.workshop,
        figures={"labour_per_hour_cents": 6000, "labour_minutes": 30},
        new_machines={"washing-machine": 70_000},
    )
    found = weighed(bench, job)
    assert found.situation.worth == pytest.approx(
        worth_by_age(700, age_years=4, life_years=12.6), abs=0.2
    )
    assert found.situation.labour == 30
    assert sources(found)["price of an equal new machine"] == OWN
    need = job.needs.get()
    triage_figures.estimate_job(
        workshop=bench.workshop,
        ref=job.ref,
        known={"new_machine_cents": 40_000, "labour_minutes": 90, "patience_days": 10},
        quotes={need.pk: {"price_cents": 9_900, "days": 3}},
    )
    found = weighed(bench, job)
    now = found.situation
    assert now.new is not None
    assert (now.labour, now.patience_days, now.new.price, now.new.days) == (90, 10, 99, 3)
    assert sources(found)["price of an equal new machine"] == JOB


@pytest.mark.parametrize(
    ("figures", "machines", "field"),
    [
        ({"labour_per_hour_cents": -1}, {}, "labour_per_hour_cents"),
        ({"floor_per_week_cents": 10**9}, {}, "floor_per_week_cents"),
        ({"new_part_days": 4000}, {}, "new_part_days"),
        ({"charm": 1}, {}, "charm"),
        ({}, {"washing-machine": 0}, "washing-machine"),
        ({}, {"tractor": 5}, "tractor"),
    ],
)
def test_absurd_figures_are_refused_by_field(bench, figures, machines, field) -> None:
    with pytest.raises(InputRefused) as refused:
        triage_figures.set_figures(workshop=bench.workshop, figures=figures, new_machines=machines)
    assert set(refused.value.fields) == {field}
    assert Figures(bench.workshop).row is None


@pytest.mark.parametrize(
    ("known", "quote", "field"),
    [
        ({"new_machine_cents": -5}, {}, "new_machine_cents"),
        ({"age_years": math.nan}, {}, "age_years"),
        ({"age_years": 101}, {}, "age_years"),
        ({"patience_days": 10**6}, {}, "patience_days"),
        ({}, {"price_cents": -1}, "price_"),
        ({}, {"price_cents": 1, "not_to_be_had": True}, "price_"),
    ],
)
def test_absurd_estimates_are_refused_by_field(bench: Bench, known, quote, field) -> None:
    job = bench.job()
    need = job.needs.get()
    with pytest.raises(InputRefused) as refused:
        triage_figures.estimate_job(
            workshop=bench.workshop,
            ref=job.ref,
            known=known,
            quotes={need.pk: quote} if quote else {},
        )
    assert set(refused.value.fields) == {f"{field}{need.pk}" if field == "price_" else field}


def test_a_need_of_another_job_cannot_be_quoted_for(bench: Bench) -> None:
    job, other = bench.job(), bench.need("W7-60 R1 S")
    with pytest.raises(NotFound):
        triage_figures.estimate_job(
            workshop=bench.workshop, ref=job.ref, known={}, quotes={other.pk: {"days": 3}}
        )


def test_of_one_need_the_best_parts_are_tried_one_by_one(bench: Bench) -> None:
    job = bench.job()
    for _ in range(3):
        price(bench, bench.part(bench.donor()), 4_000)
    bench.drain()
    stock = weighed(bench, job).situation.stock
    matches = list(Match.of(bench.workshop).order_by("-worth", "part_id"))[:2]
    assert [(one.name, one.price, one.p_works) for one in stock] == [
        (one.part.ref, 40, one.worth) for one in matches
    ]


def test_several_needs_are_one_try_prices_added_chances_multiplied(bench: Bench) -> None:
    job = bench.job(needs=BOTH)
    donor = bench.donor()
    price(bench, bench.part(donor), 4_000)
    price(bench, bench.part(donor, "drain-pump"), 1_500)
    bench.drain()
    now = weighed(bench, job).situation
    [stock] = now.stock
    worths = Match.of(bench.workshop).values_list("worth", flat=True)
    assert stock.price == 55
    assert stock.p_works == pytest.approx(math.prod(worths))
    assert now.new is not None
    assert now.new.price == 2 * 60 + 2 * 15
    assert now.new.p_works == pytest.approx(0.95**2)


def test_where_one_part_lacks_there_is_nothing_to_fit_from_stock(bench: Bench) -> None:
    job = bench.job(needs=BOTH)
    donor = bench.donor()
    donor.parts.exclude(kind="control-board").update(state="scrapped")
    bench.drain()
    assert weighed(bench, job).situation.stock == ()


def test_a_part_held_for_another_is_not_counted_on(bench: Bench) -> None:
    job, other = bench.job(), bench.need()
    part = bench.part(bench.donor())
    bench.drain()
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=other.pk,
        member=bench.technician,
        now=NOW,
    )
    assert weighed(bench, job).situation.stock == ()
    assert [one.name for one in weighed(bench, other.job).situation.stock] == [part.ref]


class TestWhatIsSpokenFor:
    """A part proposed to another need or kept back: neither triage nor the job page counts on it.

    Judge: docs/jobs.md, "Parts promised to others are left out".
    """

    def tried(self, bench: Bench, job: Job) -> list[str]:
        """Return what the triage tries; the odds on the job page count as in stock the same."""
        now = get_job(bench.workshop, job.ref)
        now.workshop = bench.workshop
        rows = need_rows(bench.workshop, now, now=NOW)
        found = odds_of(now, rows, on=TODAY)
        assert found is not None
        weighed_now = weighed(bench, job)
        assert found.arrivals == weighed_now.odds.arrivals
        assert found.lacking == weighed_now.odds.lacking
        return [one.name for one in weighed_now.situation.stock]

    @pytest.fixture
    def world(self, bench: Bench) -> tuple[Job, Part]:
        """A job of two needs with a board and a pump: what is lacking shows what is counted on."""
        job = bench.job(needs=BOTH)
        part = bench.part(bench.donor())
        bench.need()
        bench.drain()
        return job, part

    def test_proposed_to_another(self, bench: Bench, world: tuple[Job, Part]) -> None:
        job, part = world
        assert part.ref in self.tried(bench, job)[0]
        other = Job.of(bench.workshop).exclude(pk=job.pk).get()
        proposal = bench.proposal(part, other.needs.get())
        assert self.tried(bench, job) == []
        assert [one.kind_id for one in weighed(bench, job).odds.lacking] == ["control-board"]
        assert self.tried(bench, other) == [part.ref]
        proposal.state, proposal.ended_at = Proposal.State.LAPSED, NOW
        proposal.save()
        assert self.tried(bench, other) == []  # not proposed to it again
        assert part.ref in self.tried(bench, job)[0]

    @pytest.mark.parametrize("names", ["part", "need", "both"])
    def test_kept_back(self, bench: Bench, world: tuple[Job, Part], names: str) -> None:
        job, part = world
        need = job.needs.get(kind="control-board")
        kept = proposals.keep_back(
            workshop=bench.workshop,
            kept=proposals.Kept(
                part_ref="" if names == "need" else part.ref,
                need_id=None if names == "part" else need.pk,
                note="for the show",
            ),
            member=bench.technician,
            now=NOW,
        )
        assert self.tried(bench, job) == []
        other = Job.of(bench.workshop).exclude(pk=job.pk).get()
        assert self.tried(bench, other) == ([] if names == "part" else [part.ref])
        hold = {"workshop": bench.workshop, "part_ref": part.ref, "need_id": need.pk}
        holds.hold_part(**hold, member=bench.technician, now=NOW)  # goes first
        assert part.ref in self.tried(bench, job)[0]
        Hold.of(bench.workshop).update(released_at=NOW, ended="released")
        proposals.undo_keeping(
            workshop=bench.workshop, kept_id=kept.pk, member=bench.technician, now=NOW
        )
        assert part.ref in self.tried(bench, job)[0]

    @pytest.mark.parametrize("state", ["declined", "lapsed"])
    def test_declined_or_lapsed_for_this_need(
        self, bench: Bench, world: tuple[Job, Part], state: str
    ) -> None:
        job, part = world
        need = job.needs.get(kind="control-board")
        gone = bench.proposal(
            part, need, state=state, ended_at=NOW, ended_by=bench.technician, note="scratched"
        )
        assert self.tried(bench, job) == []
        other = Job.of(bench.workshop).exclude(pk=job.pk).get()
        assert self.tried(bench, other) == [part.ref]  # it was this job's only
        gone.reopened_at = NOW
        gone.save()
        assert part.ref in self.tried(bench, job)[0]

    def test_however_many_better_ones_are_others(
        self, bench: Bench, django_assert_num_queries
    ) -> None:
        """Twelve parts ahead of it are held for others: the thirteenth is what is tried."""
        job = bench.job()
        need = job.needs.get()
        parts = [bench.part(bench.donor()) for _ in range(13)]
        bench.drain()
        Match.of(bench.workshop).filter(need=need, part=parts[0]).update(worth=0.01)
        for part in parts[1:]:
            bench.proposal(part, bench.need("K3-60 R1 W"))
        assert self.tried(bench, job) == [parts[0].ref]
        with django_assert_num_queries(1):
            best_free(bench.workshop.pk, [need.pk], most=2)

    def test_against_a_judge_that_reads_everything(self, bench: Bench) -> None:
        """Every rule of free_matches in plain Python, over drawn states of parts and needs."""
        needs = [bench.need(urgent) for urgent in ["W7-60 R1 W"] * 4]
        parts = [bench.part(bench.donor()) for _ in range(6)]
        bench.drain()
        by, dice = bench.technician, random.Random(7)
        for _ in range(12):
            Hold.of(bench.workshop).delete()
            Proposal.of(bench.workshop).delete()
            KeptBack.of(bench.workshop).delete()
            held, proposed, let_go, back = {}, {}, set(), set()
            for part in parts:
                fate, need = dice.randrange(7), dice.choice(needs)
                if fate == 0:
                    Hold.objects.create(
                        workshop=bench.workshop,
                        part=part,
                        need=need,
                        held_by=by,
                        held_at=NOW,
                        expires_at=NOW + timedelta(days=9),
                    )
                    held[part.pk] = need.pk
                elif fate == 1 and need.pk not in proposed.values():
                    bench.proposal(part, need)
                    proposed[part.pk] = need.pk
                elif fate == 2:
                    note = {"ended_at": NOW, "ended_by": by, "note": "x"}
                    bench.proposal(part, need, state="declined", **note)
                    let_go.add((need.pk, part.pk))
                elif fate in (3, 4):
                    only = need if fate == 3 else None
                    bench.kept_back(part, only)
                    back.add((only and only.pk, part.pk))
            if dice.random() < 0.3:
                shut = dice.choice(needs)
                bench.kept_back(None, shut)
                back.add((shut.pk, None))

            def free(need: int, part: int) -> bool:
                given = held.get(part, proposed.get(part))  # noqa: B023
                if given is not None:
                    return given == need
                kept = {(need, part), (need, None), (None, part)} & back  # noqa: B023
                return not kept and (need, part) not in let_go  # noqa: B023

            judged = {
                (one.need_id, one.part_id)
                for one in Match.of(bench.workshop)
                if free(one.need_id, one.part_id)
            }
            rows = free_matches(bench.workshop.pk, [need.pk for need in needs])
            assert set(rows.values_list("need_id", "part_id")) == judged

    def test_what_is_proposed_to_the_need_is_tried_first(self, bench: Bench) -> None:
        job = bench.job()
        parts = [bench.part(bench.donor()) for _ in range(3)]
        bench.drain()
        bench.proposal(parts[2], job.needs.get())
        assert self.tried(bench, job)[0] == parts[2].ref


def test_breaking_brings_what_the_strip_plan_of_the_kept_machine_says(bench: Bench) -> None:
    """Judge: the plan of the very donor it becomes, cause unknown, nobody waiting."""
    job = bench.job()
    before = break_value(
        bench.workshop,
        get_job(bench.workshop, job.ref),
        Counting(bench.workshop.pk, on=TODAY).searcher,
        on=TODAY,
    )
    keeping.refuse_repair(
        workshop=bench.workshop,
        ref=job.ref,
        answer=Answer("yes", "owner", "signed", TODAY),
        member=bench.technician,
        now=NOW,
    )
    donor = keeping.keep_as_donor(
        workshop=bench.workshop, ref=job.ref, member=bench.technician, now=NOW
    )
    bench.drain()
    plan = plan_donor(bench.workshop, donor.ref, on=TODAY).plan
    assert before.strip == pytest.approx(plan.value, abs=0.01)
    assert before.minutes == pytest.approx(plan.minutes, abs=0.1)


def test_other_waiting_jobs_it_would_serve_are_named_once(bench: Bench) -> None:
    job = bench.job()
    pump = bench.job(needs=[NeedFacts(kind="drain-pump", max_price_cents=3_000)])
    bench.job()  # wants the board that failed
    serves = weighed(bench, job).situation.serves
    assert [one.job for one in serves] == [pump.ref]
    assert 0 < serves[0].chance < 1
    assert 15 < serves[0].margin < 30


def test_without_the_owners_yes_it_is_not_broken(bench: Bench) -> None:
    job = bench.job()
    for answer, may in (("no", False), ("yes", True)):
        keeping.note_permission(
            workshop=bench.workshop,
            ref=job.ref,
            answer=Answer(answer, "owner", "signed", TODAY),
            member=bench.technician,
            now=NOW,
        )
        found = triaging.triage_job(bench.workshop, job.ref, on=TODAY)
        assert ("break" in {one.first for one in found.decision.options}) is may


def test_a_new_part_that_is_not_to_be_had_is_no_way_and_the_rule_says_wait(bench: Bench) -> None:
    job = bench.job()
    triage_figures.estimate_job(
        workshop=bench.workshop,
        ref=job.ref,
        known={"age_years": 3},
        quotes={job.needs.get().pk: {"not_to_be_had": True}},
    )
    found = triaging.triage_job(bench.workshop, job.ref, on=TODAY)
    assert "new" not in {one.first for one in found.decision.options}
    says = {one.rule.slug: one.applies for one in found.rules}
    assert says["nothing-new"] is True


def test_rules_of_thumb_are_the_workshops_and_never_enter_the_money(bench: Bench) -> None:
    job = bench.job()
    before = triaging.triage_job(bench.workshop, job.ref, on=TODAY)
    triage_figures.set_rule(
        workshop=bench.workshop, slug="share-old", figure=0.9, advises="wait", shown=True
    )
    triage_figures.set_rule(
        workshop=bench.workshop, slug="past-mean-life", figure=None, advises="break", shown=False
    )
    after = triaging.triage_job(bench.workshop, job.ref, on=TODAY)
    assert after.decision == before.decision
    slugs = [one.rule.slug for one in after.rules]
    assert "past-mean-life" not in slugs
    changed = next(one.rule for one in after.rules if one.rule.slug == "share-old")
    assert (changed.figure, changed.advises) == (0.9, "wait")
    triage_figures.reset_rule(workshop=bench.workshop, slug="share-old")
    assert OwnRule.of(bench.workshop).count() == 1


@pytest.mark.parametrize(
    ("slug", "bad", "field", "why"),
    [
        ("share-old", {"figure": 0.0}, "figure", "0"),
        ("share-old", {"figure": -1.0}, "figure", "-1"),
        ("share-old", {"figure": None}, "figure", "missing"),
        ("share-old", {"figure": 9.0}, "figure", "more than a new machine costs"),
        ("share-old", {"advises": "pray"}, "advises", "choose one of"),
        ("share-old", {"advises": "break"}, "advises", "into its opposite"),
        ("two-major-faults", {"figure": 2.5, "advises": "break"}, "figure", "whole"),
        ("two-major-faults", {"figure": 2.0}, "advises", "into its opposite"),
        ("safety-corrosion", {"figure": None, "advises": "wait"}, "advises", "not safe"),
        ("past-mean-life", {"figure": 3.0, "advises": "break"}, "figure", "has no figure"),
        ("nothing-new", {"figure": 400.0, "advises": "wait"}, "figure", "40"),
    ],
)
def test_a_rule_of_thumb_that_says_nothing_or_the_opposite(bench, slug, bad, field, why):
    asked = {"figure": 0.5, "advises": "repair", "shown": True, **bad}
    with pytest.raises(InputRefused) as refused:
        triage_figures.set_rule(workshop=bench.workshop, slug=slug, **asked)
    assert set(refused.value.fields) == {field}
    assert why in refused.value.fields[field]
    assert not OwnRule.of(bench.workshop).exists()


@pytest.mark.parametrize(
    ("slug", "figure", "advises", "why"),
    [
        ("share-old", 9.0, "repair", "more than a new machine costs"),
        ("share-old", 0.4, "break", "into its opposite"),
        ("safety-corrosion", None, "repair", "not safe"),
    ],
)
def test_what_was_stored_before_it_was_checked_does_not_count(bench, slug, figure, advises, why):
    OwnRule.objects.create(workshop=bench.workshop, slug=slug, figure=figure, advises=advises)
    row = next(
        one for one in triage_figures.list_rules_of_thumb(bench.workshop) if one.rule.slug == slug
    )
    assert row.rule == row.guide
    assert why in row.refused
    assert "The guide stands." in row.refused
    triage_figures.reset_rule(workshop=bench.workshop, slug=slug)
    assert not any(one.refused for one in triage_figures.list_rules_of_thumb(bench.workshop))


def test_a_closed_job_is_not_weighed(bench: Bench) -> None:
    job = bench.job()
    Job.of(bench.workshop).update(state="refused")
    with pytest.raises(Conflict):
        weighed(bench, job)


def test_the_headline_names_best_next_and_what_would_change_it(bench: Bench) -> None:
    found = triaging.triage_job(bench.workshop, bench.job().ref, on=TODAY)
    best, next_ = found.decision.options[:2]
    assert best.money >= next_.money
    assert triaging.NAMES[best.first] in found.headline
    assert triaging.NAMES[next_.first].lower() in found.headline
    assert "; now " in found.headline


def test_the_same_queries_however_much_is_stored(bench: Bench) -> None:
    job = bench.job(needs=BOTH)

    def counted(more: int) -> int:
        for _ in range(more):
            bench.donor("W7-60 R1 W")
            bench.job("W7-60 R1 S", kind="inlet-valve")
        bench.drain()
        with CaptureQueriesContext(connection) as seen:
            triaging.triage_job(bench.workshop, job.ref, on=TODAY)
        return len(seen)

    counted(1)
    few = counted(1)
    assert counted(5) == few <= 66
