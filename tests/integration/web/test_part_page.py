"""The page of one part: what it rests on, who was told, what is in doubt, leaving the stock."""

from pathlib import Path

import pytest
from django.test import Client
from django.urls import reverse

from matching import fittings, holds
from matching.fittings import Report
from matching.models import Need, Outcome
from parts.models import BenchTest, Part, SisterWarning
from parts.services import record_bench_test, scrap_part
from tests.factories import NOW, TODAY, Bench
from tests.integration.web.reading import text_of
from workshop.exchange import sheets

pytestmark = pytest.mark.django_db


def page(client: Client, route: str, *args: object) -> str:
    answer = client.get(reverse(route, args=args))
    assert answer.status_code == 200
    return text_of(answer)


def on_bench(bench: Bench, part: Part, verdict: str) -> None:
    record_bench_test(
        workshop=bench.workshop,
        ref=part.ref,
        verdict=BenchTest.Verdict(verdict),
        method="on the bench",
        tested_on=TODAY,
        tested_by=bench.technician,
    )


def test_it_shows_guide_value_weight_and_own_counts(bench: Bench, technician: Client) -> None:
    cause = "board-fault"
    for verdict in ("good", "good", "failed"):
        on_bench(bench, bench.part(bench.donor(cause=cause), "drain-pump"), verdict)
    part = bench.part(bench.donor(cause=cause), "drain-pump")
    shown = page(technician, "part", part.ref)
    assert "guide value 72 %, weighing 8 tests; own parts: 2 of 3 good" in shown
    # Beta(0.72 x 8 + 2, 0.28 x 8 + 1) has the mean 7.76 / 11 = 71 %.
    assert "P(good) 71 %" in shown
    assert "90 % range" in shown


def test_a_part_tested_twice_counts_once(bench: Bench, technician: Client) -> None:
    tested = bench.part(bench.donor(cause="board-fault"), "drain-pump")
    for verdict in ("good", "good", "worn"):
        on_bench(bench, tested, verdict)
    part = bench.part(bench.donor(cause="board-fault"), "drain-pump")
    assert "own parts: 1 of 1 good" in page(technician, "part", part.ref)


def test_what_was_thrown_away_as_bad_counts_and_what_broke_does_not(
    bench: Bench, technician: Client
) -> None:
    """Counting tests alone would praise what is left."""
    for act in ("test", "bad", "bad", "broken"):
        part = bench.part(bench.donor(cause="board-fault"), "drain-pump")
        if act == "test":
            on_bench(bench, part, "good")
        else:
            bad = act == "bad"
            scrap_part(workshop=bench.workshop, ref=part.ref, why="leaks", on=TODAY, was_bad=bad)
    part = bench.part(bench.donor(cause="board-fault"), "drain-pump")
    assert "own parts: 1 of 3 good" in page(technician, "part", part.ref)


def test_what_failed_in_use_counts_as_bad_and_reads_so(bench: Bench, technician: Client) -> None:
    need = bench.need("W7-60 R1 W", kind="drain-pump")
    failed = bench.part(bench.donor(cause="board-fault"), "drain-pump")
    on_bench(bench, failed, "good")
    fail_in_use(bench, need, failed)
    part = bench.part(bench.donor(cause="board-fault"), "drain-pump")
    assert "own parts: 0 of 1 good" in page(technician, "part", part.ref)
    assert "P(good) 0 %" in page(technician, "part", failed.ref)


def test_imported_scrap_counts_as_bad(bench: Bench, technician: Client, tmp_path: Path) -> None:
    donor = bench.donor(cause="board-fault")
    file = tmp_path / "parts.csv"
    head = "ref,donor_ref,kind,position,part_number,grade,bin,price,removed_on,attributes,note"
    file.write_text(f"{head}\nP-9,{donor.ref},drain-pump,,,scrap,,,{TODAY},,\n")
    sheets.import_file("parts", file, workshop=bench.workshop, at=NOW)
    part = bench.part(bench.donor(cause="board-fault"), "drain-pump")
    assert "own parts: 0 of 1 good" in page(technician, "part", part.ref)


def test_the_table_of_all_causes(bench: Bench, technician: Client) -> None:
    on_bench(bench, bench.part(bench.donor(cause="board-fault"), "drain-pump"), "failed")
    answer = technician.get(reverse("survival"), {"appliance": "washing-machine", "age": "12"})
    shown = text_of(answer)
    assert "Own parts counted here: 1" in shown
    # 72 % in the guide table, 12 points off for a wear part of 11 to 14 years (both common
    # practice); one failure on top: 0.60 x 8 / 9 = 53 %.
    assert "53 %" in shown
    assert "0 of 1 good; guide 60 %" in shown
    for odd in ({"appliance": "toaster"}, {"age": "old"}, {"age": "-3"}):
        assert technician.get(reverse("survival"), odd).status_code == 200


def test_it_says_who_was_told_and_that_it_failed(bench: Bench, technician: Client) -> None:
    need = bench.need("W7-60 R1 W")
    part = bench.part(bench.donor("W7-60 R1 W"))
    bench.drain()
    on_bench(bench, part, "failed")
    bench.drain()
    shown = page(technician, "part", part.ref)
    assert "failed its test" in shown
    assert need.job.ref in shown
    inbox = page(technician, "alerts")
    assert "failed its bench test and is no longer offered" in inbox


def fail_in_use(bench: Bench, need: Need, part: Part) -> None:
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    report = Report(Outcome.Result.FAILED, TODAY, 2)
    fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)


def test_a_part_in_doubt_says_so_everywhere_until_it_is_looked_at(
    bench: Bench, technician: Client
) -> None:
    board, pump = bench.need("W7-60 R1 W"), bench.need("W7-60 R1 W", kind="drain-pump")
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    part = bench.part(donor, "drain-pump")
    fail_in_use(bench, board, bench.part(donor))
    bench.drain()
    for route, args in (
        ("part", [part.ref]),
        ("job", [pump.job.ref]),
        ("donor", [donor.ref]),
        ("sister-warnings", []),
    ):
        shown = page(technician, route, *args)
        assert bench.part(donor).ref in shown
        assert "doubt" in shown or "Look at it again" in shown
    warning = SisterWarning.of(bench.workshop).get(part=part)
    end = reverse("sister-warning-end", args=[warning.pk])
    assert technician.post(end, {"why": ""}).status_code == 400
    assert technician.post(end, {"why": "short in the job's own wiring"}).status_code == 302
    assert "Look at it again" not in page(technician, "part", part.ref)


def test_selling_keeps_what_was_typed_and_says_what_is_missing(
    bench: Bench, technician: Client
) -> None:
    lock = bench.part(bench.donor(), "door-lock")
    address = reverse("part-sell", args=[lock.ref])
    sent = {"price": "12.50", "sold_on": TODAY.isoformat(), "note": "to the neighbour"}
    refused = technician.post(address, sent)
    assert refused.status_code == 409
    assert 'value="12.50"' in refused.content.decode()
    assert lock.kind.min_test in text_of(refused)
    assert technician.post(address, {**sent, "price": "dear"}).status_code == 400
    on_bench(bench, lock, "good")
    assert technician.post(address, sent).status_code == 302
    lock.refresh_from_db()
    assert (lock.state, lock.price_cents) == ("sold", 1250)
    assert technician.post(address, sent).status_code == 409


def test_scrapping_needs_a_reason(bench: Bench, technician: Client) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    address = reverse("part-scrap", args=[part.ref])
    assert technician.post(address, {"scrapped_on": TODAY.isoformat()}).status_code == 400
    sent = {"why": "cracked", "scrapped_on": TODAY.isoformat()}
    assert technician.post(address, sent).status_code == 302
    part.refresh_from_db()
    assert part.state == "scrapped"


def test_the_field_on_top_takes_references_too(bench: Bench, technician: Client) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    for ref, leads in (
        (part.ref, reverse("part", args=[part.ref])),
        (f" {part.donor.ref} ", reverse("donor", args=[part.donor.ref])),
    ):
        assert technician.get(reverse("scan"), {"code": ref}).url == leads
    assert technician.get(reverse("scan"), {"code": "D-9999"}).status_code == 404
