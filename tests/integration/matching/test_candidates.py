"""Candidates found by keys, judged by the scan that scores everything (exhaustive.py)."""

import sys
from pathlib import Path

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from django.utils import timezone

from donors.models import Donor
from matching import events, gather, key_check, matcher, searching
from matching.candidates import needs_far, needs_near
from matching.models import Alert, Match, Need, NeedKey, Outcome
from matching.searching import KEPT_PER_NEED, Searcher
from parts.models import Part, PartKey
from parts.selectors import list_available
from parts.services import PartFacts, add_loose_part, describe_part
from tests.factories import TODAY, Bench, make_bench
from tests.integration.matching.exhaustive import Judged, judge
from workshop import dispatcher
from workshop.exchange import sheets
from workshop.models import Member, OutboxEvent, Role, User, Workshop

pytestmark = pytest.mark.django_db
FILES = ("makes", "models", "interchange", "donors", "parts", "outcomes", "jobs")


def generated(seed: int, scale: float, folder: Path) -> Workshop:
    """Load a generated world; what is told of it is dropped, nothing is matched."""
    sys.path.insert(0, str(settings.DEMO_DIR))
    try:
        from make_world import make_world, write_world

        write_world(make_world(seed=seed, scale=scale), folder)
    finally:
        sys.path.remove(str(settings.DEMO_DIR))
    workshop = Workshop.objects.create(slug=f"world-{seed}", name="World")
    for kind in FILES:
        path = folder / "millrace-lane" / f"{kind}.csv"
        sheets.import_file(kind, path, workshop=workshop, at=timezone.now())
    OutboxEvent.of(workshop).delete()
    return workshop


def matters(one: Judged, workshop: Workshop) -> bool:
    """Whether losing the pair would lose something: it likely fits, or is worth an alert.

    Where nothing but guesses of what was noted elsewhere speaks for it, it is not looked for.
    """
    likely = one.score.verdict.counts_as_fit
    return one.spoken_for and (likely or one.score.p_fit >= workshop.alert_from_p_fit)


@pytest.mark.parametrize("seed", [301, 302, 303])
def test_no_pair_that_matters_is_lost_and_scores_are_the_same(
    seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    workshop = generated(seed, 0.15, tmp_path)
    judged = {(one.need.pk, one.part.pk): one for one in judge(workshop.pk)}
    assert sum(matters(one, workshop) for one in judged.values()) >= 30

    # One need against all stock.
    searcher = Searcher(workshop.pk, on=TODAY)
    needs = matcher.open_needs(workshop.pk)
    searched = searcher.search([(need.kind_id, gather.want_of(need)) for need in needs])
    found, later = {}, set()
    for need, one in zip(needs, searched, strict=True):
        found |= {(need.pk, offered.part.pk): offered.score for offered in one.offered}
        later |= {(need.pk, part) for part in one.left}
        likely = sum(offered.score.verdict.counts_as_fit for offered in one.offered)
        if likely >= KEPT_PER_NEED:  # its list is full of parts that likely fit
            judged = {pair: it for pair, it in judged.items() if pair[0] != need.pk}
            found = {pair: score for pair, score in found.items() if pair[0] != need.pk}
    lost = {pair for pair in judged if pair not in found and pair not in later}
    assert not [pair for pair in lost if matters(judged[pair], workshop)]
    assert not [pair for pair in lost if judged[pair].spoken_for]
    assert {pair: judged[pair].score for pair in found} == found  # rows, bits and sentences

    # Every part as if it arrived.
    kinds = {need.kind_id for need in needs}
    parts = list(list_available(workshop.pk, kinds=kinds))
    arrival = Searcher(workshop.pk, on=TODAY)
    by_need = matcher.needs_found(
        *(matcher.look_up(arrival, parts, look) for look in (needs_near, needs_far))
    )
    arrived = {pair for pairs in by_need for pair in pairs}
    assert not [p for p, one in judged.items() if one.spoken_for and p not in arrived]

    checks = [one for one in judged.values() if not matters(one, workshop)]
    silent = sum(not one.spoken_for for one in checks)
    with capsys.disabled():
        print(
            f"\nseed {seed}: {len(judged)} pairs, {len(checks)} to check first, of which "
            f"{silent} left out: nothing but their kind speaks for them"
        )


def test_keys_written_by_imports_and_services_are_true(bench: Bench, tmp_path: Path) -> None:
    workshop = generated(304, 0.05, tmp_path)
    assert PartKey.of(workshop).exists()
    assert NeedKey.of(workshop).exists()
    assert Outcome.of(workshop).exclude(job_group="").exists()
    part = add_loose_part(
        workshop=bench.workshop,
        kind="drain-pump",
        facts=PartFacts(attributes={"mount": "clip-3"}),
        received_on=TODAY,
    )
    describe_part(
        workshop=bench.workshop, ref=part.ref, facts=PartFacts(attributes={"mount": "clip-4"})
    )
    bench.need(kind="drain-pump", attributes={"mount": "clip-4", "power_w": "30"})
    assert part.keys.count() == 1  # the old one is gone
    assert key_check.check() == []
    call_command("check_keys")


def test_untrue_keys_are_told_and_mended(bench: Bench) -> None:
    need = bench.need(kind="drain-pump", attributes={"mount": "clip-3"})
    need.keys.update(key=7)
    Need.of(bench.workshop).filter(pk=need.pk).update(attributes={"mount": "clip-4"})
    with pytest.raises(CommandError, match="--repair"):
        call_command("check_keys")
    call_command("check_keys", repair=True)
    assert key_check.check() == []


@pytest.mark.parametrize(
    ("raw", "folded", "stem"),
    [
        ("5443.796-01", "544379601", "5443796"),
        ("BOARD-12/A", "80AR012A", "BOARD12"),
        ("AB12-345", "A812345", "AB12"),
        ("A-12", "A12", None),  # too short to be a stem
        ("QZ SIL", "02511", None),
        ("1234567", "1234567", None),
        ("", None, None),
    ],
)
def test_the_database_derives_what_python_would(
    bench: Bench, raw: str, folded: str | None, stem: str | None
) -> None:
    part = bench.part(bench.donor())
    describe_part(workshop=bench.workshop, ref=part.ref, facts=PartFacts(part_number=raw))
    part = Part.of(bench.workshop).get(pk=part.pk)
    assert (part.number_folded, part.number_stem) == (folded, stem)
    from parts.domain import part_numbers

    assert (part.number_folded or "") == part_numbers.folded(raw)
    assert (part.number_stem or "") == part_numbers.stem(raw)


def test_an_arrival_that_serves_many_leaves_none_out_and_tells_each_once(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(matcher, "PAIRS_AT_ONCE", 3)
    needs = [bench.need("W7-60 R1 W") for _ in range(10)]
    other = [bench.need("W7-80 R1 W", kind="drain-pump") for _ in range(4)]
    bench.drain()
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    told = bench.technician.alerts.filter(arrival=donor.arrival)
    assert sorted(told.values_list("need_id", flat=True)) == sorted(n.pk for n in needs + other)
    pages = OutboxEvent.of(bench.workshop).filter(kind="matching.pairs-found")
    assert pages.count() >= 4
    matched = set(Match.of(bench.workshop).values_list("need_id", "part_id"))
    OutboxEvent.of(bench.workshop).update(done_at=None)  # all of it once more
    bench.drain()
    assert set(Match.of(bench.workshop).values_list("need_id", "part_id")) == matched
    assert told.count() == 14


def test_a_need_closed_before_its_page_comes_is_passed_over(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(matcher, "PAIRS_AT_ONCE", 1)
    needs = [bench.need("W7-60 R1 W") for _ in range(3)]
    bench.drain()
    donor = bench.donor("W7-60 R1 W")
    dispatcher.run_once(now=timezone.now(), batch=1)
    assert OutboxEvent.of(bench.workshop).filter(kind="matching.pairs-found").count() == 2
    bench.refuse(needs[-1].job.ref, now=timezone.now())
    bench.drain()
    served = Match.of(bench.workshop).filter(part__donor=donor).values_list("need_id", flat=True)
    assert set(served) == {need.pk for need in needs[:-1]}


def test_what_a_search_has_no_room_for_is_scored_later(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(searching, "SCORED_AT_ONCE", 2)
    donors = [bench.donor("W7-60 R1 W") for _ in range(6)]
    bench.drain()
    need = bench.need("W7-60 R1 W")
    bench.drain()
    served = Match.of(bench.workshop).filter(need=need).values_list("part__donor_id", flat=True)
    assert set(served) == {donor.pk for donor in donors}
    assert bench.technician.alerts.count() == 1  # of a search only the best is told


def test_the_number_of_queries_does_not_grow_with_rows(
    bench: Bench, django_assert_max_num_queries: object
) -> None:
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def counts() -> tuple[int, int]:
        need = bench.need("W7-60 R1 W")
        donor = bench.donor("W7-60 R1 W")
        ids = list(donor.parts.values_list("id", flat=True))
        with CaptureQueriesContext(connection) as search:
            matcher.match_needs(bench.workshop.pk, [need.pk], now=timezone.now())
        with CaptureQueriesContext(connection) as arrival:
            matcher.match_parts(bench.workshop.pk, ids, now=timezone.now(), arrived=True)
        OutboxEvent.of(bench.workshop).delete()
        return len(search), len(arrival)

    counts()
    few = counts()
    for _ in range(12):
        bench.need("W7-60 R1 W")
        bench.donor("W7-60 R1 W")
    assert counts() == few


def test_other_workshops_are_never_candidates(bench: Bench) -> None:
    other = make_bench("quay")
    other.need("W7-60 R1 W", part_number="BRD-1")
    describe_part(
        workshop=bench.workshop,
        ref=bench.part(bench.donor()).ref,
        facts=PartFacts(part_number="BRD-1"),
    )
    bench.drain()
    other.drain()
    assert not Match.objects.unscoped().exists()


def stored(workshop: Workshop) -> tuple[set[tuple[object, ...]], set[tuple[object, ...]]]:
    """Return what is matched and who was told of what."""
    matched = Match.of(workshop).values_list("need_id", "part_id", "score_bits", "worth")
    told = Alert.of(workshop).values_list("recipient_id", "arrival", "need_id", "part_id")
    return set(matched), set(told)


def match_all(workshop: Workshop) -> tuple[set[tuple[object, ...]], set[tuple[object, ...]]]:
    """Match every part as an arrival, then every need, with all that follows."""
    Match.of(workshop).delete()
    Alert.of(workshop).delete()
    for donor in Donor.of(workshop).order_by("id"):
        ids = list(donor.parts.order_by("id").values_list("id", flat=True))
        matcher.match_parts(workshop.pk, ids, now=timezone.now(), arrived=True)
    run_events(workshop)
    for need in matcher.open_needs(workshop.pk):
        matcher.match_needs(workshop.pk, [need.pk], now=timezone.now())
    run_events(workshop)
    return stored(workshop)


def run_events(workshop: Workshop) -> None:
    while dispatcher.run_once(now=timezone.now()).handled:
        pass


def test_what_is_looked_up_later_ends_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Weak keys looked up in an event of their own find, tell and drop what they would at once."""
    workshop = generated(306, 0.1, tmp_path)
    user = User.objects.create_user(username="told", password="x")
    Member.objects.create(workshop=workshop, user=user, role=Role.TECHNICIAN)
    at_once = match_all(workshop)
    monkeypatch.setattr(matcher, "PAIRS_AT_ONCE", 1)
    monkeypatch.setattr(searching, "SCORED_AT_ONCE", 1)
    assert match_all(workshop) == at_once
    assert OutboxEvent.of(workshop).filter(kind=events.FAR_LEFT).count() >= 10
    # A stored match that nothing finds any more goes, whichever side is matched anew.
    later = [one.payload for one in OutboxEvent.of(workshop).filter(kind=events.FAR_LEFT)]
    need = Need.of(workshop).get(pk=next(one["need_ids"][0] for one in later if one["need_ids"]))
    other = Part.of(workshop).exclude(kind=need.kind_id).filter(state="in-machine")
    untrue = untrue_match(need, other[0])
    matcher.match_needs(workshop.pk, [need.pk], now=timezone.now())
    run_events(workshop)
    assert not Match.of(workshop).filter(pk=untrue.pk).exists()
    ids = next(one["part_ids"] for one in later if one["part_ids"])
    wrong = Need.of(workshop).exclude(kind=Part.of(workshop).get(pk=ids[0]).kind_id)[0]
    untrue = untrue_match(wrong, Part.of(workshop).get(pk=ids[0]))
    matcher.match_parts(workshop.pk, ids, now=timezone.now(), arrived=False)
    run_events(workshop)
    assert not Match.of(workshop).filter(pk=untrue.pk).exists()


def untrue_match(need: Need, part: Part) -> Match:
    """Store a match of a part of another kind, which no key finds."""
    found: Match = Match.objects.create(
        workshop_id=need.workshop_id,
        need=need,
        part=part,
        verdict="check-first",
        score_bits=0.0,
        p_fit=0.5,
        p_good=0.5,
        worth=0.25,
        scored_at=timezone.now(),
    )
    return found
