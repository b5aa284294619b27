"""What to look for, against a slow judge: every family's machine scored with every open need."""

from collections import defaultdict
from dataclasses import replace
from datetime import date, timedelta
from itertools import product

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from donors.domain.machines import Machine
from donors.models import Donor
from matching import family_here, gather, holds, looked_for, looking_for
from matching.domain.comparisons import FAMILY_SURE
from matching.domain.looking import Serves, best_promises
from matching.domain.scoring import score
from matching.domain.seen_alike import STRENGTH
from matching.domain.sides import Side
from matching.matcher import open_needs
from matching.models import Hold, Job, LookedFor, Looking, Need
from matching.services import NeedFacts
from parts import events as part_events
from parts.conditions import ConditionBook
from parts.models import KindCarried, Part
from parts.stock import read_stock
from tests.factories import NOW, TODAY, Bench, make_bench
from workshop import dispatcher
from workshop.models import OutboxEvent, Workshop

pytestmark = pytest.mark.django_db

LATER = NOW + timedelta(hours=1)


def judge(bench: Bench) -> dict[tuple[str, ...], float]:
    """Return expected jobs by (appliance, make, family, number).

    All that is known, no keys, every pair.

    Held needs are served. P(good) is asked of a real part laid in a donor of no known cause.
    """
    held = set(Hold.of(bench.workshop).filter(released_at=None).values_list("need_id", flat=True))
    every = [need for need in open_needs(bench.workshop.pk) if need.pk not in held]
    known = gather.knowledge(bench.workshop.pk, sorted({need.kind_id for need in every}))
    book = ConditionBook.load(bench.workshop.pk, on=TODAY)
    found = {}
    for look in looking_for.looks(bench.workshop):
        machine = Machine(look.appliance, look.make, look.number, dict(look.fields), look.family)
        slots = [
            (row.kind_id, position)
            for row in KindCarried.objects.filter(appliance=look.appliance, part_of_intake=True)
            for position in row.positions
        ]
        jobs = defaultdict(list)
        for need in every:
            served = []
            for slot, (kind, position) in enumerate(slots):
                if kind != need.kind_id or need.job.appliance_id != look.appliance:
                    continue
                offer = Side(machine=machine, position=position)
                one = score(offer, gather.want_of(need), known[kind])
                if one.spoken_for and one.verdict != "does-not-fit":
                    _, belief = book.belief(
                        kind, cause_id=None, appliance=look.appliance, age_years=None
                    )
                    p_fit = after_seeing(bench, look, need, known[kind], position, one.p_fit)
                    served.append(Serves(need.pk, slot, p_fit * belief.mean))
            jobs[need.job_id].append(served)
        expected = sum(one.p for one in best_promises(jobs))
        if expected:
            found[look.appliance, look.make, look.family, look.number] = expected
    return found


def after_seeing(bench, look, need, known, position, predicted) -> float:
    """Return P(fit) after the parts of such machines here, each scored with all that is known."""
    total, count = STRENGTH * predicted, STRENGTH
    like = [one for one in Part.of(bench.workshop) if one.donor and one.kind_id == need.kind_id]
    like = [one for one in like if one.donor.certainty >= FAMILY_SURE]
    for part in like:
        machine = part.donor.machine()
        same = machine.family == look.family if look.family else machine.number == look.number
        if same and machine.make == look.make and part.position == position:
            one = score(gather.offer_of(part), gather.want_of(need), known)
            total += one.p_fit if one.spoken_for and one.verdict != "does-not-fit" else 0.0
            count += 1
    return total / count


def listed(bench: Bench) -> dict[tuple[str, ...], float]:
    rows = LookedFor.of(bench.workshop).select_related("make")
    return {
        (row.appliance_id, row.make.name, row.family, row.number_key): row.expected_jobs
        for row in rows
    }


@pytest.fixture
def waiting(bench: Bench) -> Bench:
    """Jobs of two families and of none, with one and with several needs; a donor tells numbers."""
    donor = bench.donor("W7-60 R1 W")
    pump = donor.parts.get(kind="drain-pump")
    pump.part_number, pump.number_canonical = "PU 100-1", "PU1001"
    pump.save()
    bench.job("W7-60 R1 W", "control-board")
    bench.job("W7-60 R2 W", "control-board", attributes={"voltage_v": "230"})
    bench.job("W7-80 R1 W", "drain-pump", part_number="PU 100-1")
    bench.job("W7-60 R1 S", needs=[NeedFacts(kind="drain-pump"), NeedFacts(kind="heater")])
    bench.job("K3-60 R1 W", "drain-pump")
    bench.job("K3-60 R1 W", needs=[NeedFacts(kind="heater"), NeedFacts(kind="door-lock")])
    bench.job("ZX-99", "door-lock", make="Borsund")
    bench.job("W7-60 R1 W", "rack", appliance="dishwasher")
    bench.drain()
    return bench


def test_agrees_with_the_slow_judge(waiting: Bench) -> None:
    looking_for.work_off(waiting.workshop, now=NOW)
    found, slow = listed(waiting), judge(waiting)
    assert found.keys() == slow.keys()
    for key, expected in slow.items():
        assert found[key] == pytest.approx(expected, abs=1e-9)
    assert ("washing-machine", "Velthane", "W7", "") in found
    best = looked_for.rows(waiting.workshop)[0]
    key = max(slow, key=lambda key: slow[key])
    assert (best.appliance_id, best.make.name, best.family) == key[:3]


def test_the_parts_of_one_machine_are_promised_once(waiting: Bench) -> None:
    looking_for.work_off(waiting.workshop, now=NOW)
    for row in LookedFor.of(waiting.workshop):
        kinds = [need["kind"] for job in row.jobs for need in job["needs"]]
        assert len(kinds) == len(set(kinds))
        assert row.expected_jobs == pytest.approx(sum(job["p"] for job in row.jobs))
        for job in row.jobs:
            chance = 1.0
            for need in job["needs"]:
                chance *= need["p_fit"] * need["p_good"]
            assert job["p"] == pytest.approx(chance)


def test_it_says_what_an_arrival_would_be_told(bench: Bench) -> None:
    """The chances listed are those of the match once such a machine is there, its number unread."""
    need = bench.need("W7-60 R1 W", "control-board")
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    (shown,) = (
        one
        for one in looked_for.shown(bench.workshop, list(looked_for.rows(bench.workshop)))
        if one.row.family == "W7"
    )
    thinker = looking_for.Thinker(bench.workshop, now=NOW)
    donor = bench.donor("W7")
    donor.family, donor.fields, donor.likely_number = "W7", {"family": "W7"}, ""
    donor.certainty, donor.model_canonical, donor.make = 1.0, "", bench.makes["Velthane"]
    donor.save()
    part = donor.parts.get(kind="control-board")
    stock = read_stock(bench.workshop.pk, [part.pk])[part.pk]
    told = thinker.searcher.offer(stock, gather.want_of(need))
    assert shown.jobs[0].needs[0].p_fit == pytest.approx(told.score.p_fit)
    assert shown.jobs[0].needs[0].p_good == pytest.approx(told.condition.p_good)


def test_a_job_with_a_need_the_machine_cannot_serve_does_not_count(bench: Bench) -> None:
    bench.job("W7-60 R1 W", needs=[NeedFacts(kind="control-board"), NeedFacts(kind="compressor")])
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    assert listed(bench) == {}


def test_a_need_a_part_is_held_for_is_served(bench: Bench) -> None:
    job = bench.job(
        "W7-60 R1 W", needs=[NeedFacts(kind="control-board"), NeedFacts(kind="drain-pump")]
    )
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    both = listed(bench)["washing-machine", "Velthane", "W7", ""]
    part = bench.part(bench.donor("W7-60 R1 W"), "drain-pump")
    bench.drain()
    need = job.needs.get(kind="drain-pump")
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    looking_for.work_off(bench.workshop, now=NOW)
    assert listed(bench)["washing-machine", "Velthane", "W7", ""] > both
    assert listed(bench) == pytest.approx(judge(bench))


def test_of_very_many_a_job_is_never_counted_by_half(bench: Bench, monkeypatch) -> None:
    """At most one need a part: of two jobs the older is looked at, and with all its needs."""
    monkeypatch.setattr(looking_for, "MOST_A_PART", 1)
    old = bench.job("W7-60 R1 W", "control-board")
    bench.job("W7-60 R1 W", needs=[NeedFacts(kind="control-board"), NeedFacts(kind="heater")])
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    (row,) = LookedFor.of(bench.workshop).filter(family="W7")
    assert [job["ref"] for job in row.jobs] == [old.ref]


def test_worth_is_what_the_jobs_pay_times_their_chance(bench: Bench) -> None:
    bench.job("W7-60 R1 W", "control-board", max_price_cents=4000)
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    row = LookedFor.of(bench.workshop).get(family="W7")
    assert row.expected_cents == pytest.approx(4000 * row.expected_jobs)
    assert row.names == ["W7-60 R1 W"]


def test_build_dates_are_named_where_a_break_matters(bench: Bench) -> None:
    bench.build_break(state="accepted", decided_by=bench.members["reviewer"], decided_at=NOW)
    early = {"built_from": date(2019, 1, 1), "built_to": date(2019, 1, 31)}
    job = bench.job("W7-60 R1 W", "control-board", **early)
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    (said,) = LookedFor.of(bench.workshop).get(family="W7").breaks
    assert said == (f"Control board changed 2020-03-01 to 2020-05-31; built before: {job.ref}")


def test_a_closed_job_is_left_out_at_once(bench: Bench) -> None:
    job = bench.job("W7-60 R1 W", "control-board")
    bench.drain()
    looking_for.work_off(bench.workshop, now=NOW)
    bench.refuse(job.ref, now=NOW)
    (one,) = looked_for.shown(
        bench.workshop, list(looked_for.rows(bench.workshop).filter(family="W7"))
    )
    assert (one.jobs, one.expected_jobs, one.expected_cents) == ([], 0, 0)


class TestWorkingOff:
    def test_slices_come_to_the_same_as_one_go(self, waiting: Bench) -> None:
        looking_for.work_off(waiting.workshop, now=NOW)
        whole = listed(waiting)
        LookedFor.of(waiting.workshop).delete()
        Looking.of(waiting.workshop).delete()
        steps = 0
        while looking_for.work_in(waiting.workshop, now=NOW, pairs=1):
            steps += 1
            if not Looking.of(waiting.workshop).get().began_at:
                break
        assert steps >= 2
        assert listed(waiting) == whole

    def test_it_rests_until_something_changed(self, waiting: Bench) -> None:
        assert looking_for.work_in(waiting.workshop, now=NOW) > 0
        Looking.of(waiting.workshop).update(asked_at=None)
        assert looking_for.work_in(waiting.workshop, now=LATER) == 0
        waiting.job("W7-60 R1 W", "belt")
        assert looking_for.work_in(waiting.workshop, now=NOW + timedelta(minutes=5)) == 0
        assert looking_for.work_in(waiting.workshop, now=LATER) > 0
        served = {
            need["kind"]
            for row in LookedFor.of(waiting.workshop)
            for job in row.jobs
            for need in job["needs"]
        }
        assert "belt" in served

    def test_the_sweep_works_it_off_and_events_ask(self, waiting: Bench) -> None:
        dispatcher.sweep(now=NOW)
        assert listed(waiting)
        assert Looking.of(waiting.workshop).get().asked_at is None
        waiting.rule(state="approved")
        waiting.drain()
        assert Looking.of(waiting.workshop).get().asked_at is not None

    def test_what_is_no_longer_found_is_gone(self, bench: Bench) -> None:
        job = bench.job("W7-60 R1 W", "control-board")
        bench.drain()
        looking_for.work_off(bench.workshop, now=NOW)
        assert listed(bench)
        bench.refuse(job.ref, now=NOW)
        assert looking_for.work_in(bench.workshop, now=LATER) > 0
        assert listed(bench) == {}

    def test_a_family_that_fails_does_not_stop_the_round(self, waiting, monkeypatch) -> None:
        think = looking_for.Thinker.think

        def fails_once(self, look):
            if look.family == "K3":
                raise ValueError("no")
            return think(self, look)

        monkeypatch.setattr(looking_for.Thinker, "think", fails_once)
        assert looking_for.work(NOW) > 0
        families = {row.family for row in LookedFor.of(waiting.workshop)}
        assert "W7" in families
        assert "K3" not in families
        assert Looking.of(waiting.workshop).get().ended_at == NOW

    def test_two_sweeps_at_once_keep_one_round(self, waiting: Bench) -> None:
        """The second goes on from a state the first went past: it stores nothing."""
        state = looking_for._begun(waiting.workshop, NOW)
        stale = Looking.of(waiting.workshop).get()
        thinker = looking_for.Thinker(waiting.workshop, now=NOW)
        first = looking_for.looks(waiting.workshop)[0]
        found = thinker.think(first)
        assert looking_for._keep(thinker, state, first, found, now=NOW)
        assert not looking_for._keep(thinker, stale, first, found, now=NOW)

    def _minutes_until_the_third(
        self, waiting: Bench, other_bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> int | None:
        """Return the minute in which the third workshop's round ends; None: not in time.

        Every look takes 3 s by a clock of our own: two of them end a sweep's time. The first two
        workshops have forty machines to think of each, are asked for without end, and may begin
        anew at once.
        """
        third = make_bench("weir")
        places = [one.workshop for one in (waiting, other_bench, third)]
        for one in (other_bench, third):
            one.job("W7-60 R1 W", "control-board")
        clock, thought = [100.0], []

        def slow(self, look):
            thought.append(self.workshop.pk)
            clock[0] += 3
            return looking_for.Found([], {}, {}, 0)

        real = looking_for.looks

        def many(workshop):
            found = real(workshop)
            if workshop == places[2]:
                return found
            return [replace(found[0], family=f"F{nth:02}") for nth in range(40)]

        monkeypatch.setattr(looking_for, "looks", many)
        monkeypatch.setattr(looking_for.Thinker, "think", slow)
        monkeypatch.setattr(looking_for.time, "monotonic", lambda: clock[0])
        monkeypatch.setattr(looking_for, "REST", timedelta(0))
        self.to_do = sum(len(looking_for.looks(one)) for one in places)
        for minute in range(self.to_do):
            now = NOW + timedelta(minutes=minute)
            thought.clear()
            looking_for.work(now)
            assert len(thought) <= 2  # 6 s: the second began in time, a third would not have
            for one in places[:2]:
                looking_for.ask(one.pk, now=now)
            if Looking.of(places[2]).filter(ended_at__isnull=False).exists():
                return minute
        return None

    def test_no_slice_begins_late_and_no_workshop_starves(
        self, waiting: Bench, other_bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        assert self._minutes_until_the_third(waiting, other_bench, monkeypatch) is not None

    def test_control_in_a_fixed_order_the_third_starves(
        self, waiting: Bench, other_bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """What the test above would let through if it looked at nothing."""
        in_turn = Workshop.objects.order_by("pk")
        monkeypatch.setattr(looking_for, "_longest_waiting_first", lambda: in_turn.all())
        assert self._minutes_until_the_third(waiting, other_bench, monkeypatch) is None

    def test_other_workshops_are_left_alone(self, waiting: Bench, other_bench: Bench) -> None:
        looking_for.work(NOW)
        assert listed(other_bench) == {}
        assert LookedFor.of(waiting.workshop).exists()


def test_queries_do_not_grow_with_what_waits(bench: Bench) -> None:
    def grow() -> None:
        for model, kind in product(("W7-60 R1 W", "W7-80 R1 W"), ("control-board", "drain-pump")):
            bench.job(model, kind)
        bench.drain()

    def asked() -> int:
        thinker = looking_for.Thinker(bench.workshop, now=NOW)
        look = next(one for one in looking_for.looks(bench.workshop) if one.family == "W7")
        with CaptureQueriesContext(connection) as seen:
            assert thinker.think(look).promises
        return len(seen)

    grow()
    asked()
    few = asked()
    for _ in range(3):
        grow()
    assert asked() == few
    assert Need.of(bench.workshop).count() == 16
    assert Job.of(bench.workshop).filter(state="open").count() == 16


def boards_here(bench: Bench, need: Need) -> float:
    which = {"appliance": "washing-machine", "make__name": "Velthane", "family": "W7"}
    slot = ("control-board", "")
    return family_here.read(bench.workshop.pk, which, [need.pk]).seen(need.pk, slot, 0.5).seen


def test_a_machine_nobody_matched_yet_is_no_witness(bench: Bench) -> None:
    need = bench.need("W7-60 R1 W")
    bench.drain()
    bench.donor("W7-60 R1 W")
    assert boards_here(bench, need) == 0  # its event is open
    bench.drain()
    assert boards_here(bench, need) == 1
    part = Part.of(bench.workshop).get(kind="control-board")
    for payload in ({"part_ids": [part.pk]}, {"part_ids": [0]}):
        bench.dead_letter(kind=part_events.PARTS_ARRIVED, payload=payload)
        assert boards_here(bench, need) == (part.pk not in payload["part_ids"])
        OutboxEvent.of(bench.workshop).filter(dead_at__isnull=False).delete()


@pytest.mark.parametrize(("sure", "count"), [(1.0, 1), (0.8, 1), (0.79, 0)])
def test_a_machine_of_a_doubtful_plate_is_no_witness(bench: Bench, sure: float, count: int) -> None:
    need = bench.need("W7-60 R1 W")
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    assert donor.family == "W7"
    Donor.of(bench.workshop).update(certainty=sure)
    assert boards_here(bench, need) == count
