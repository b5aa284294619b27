"""Rules the evidence proposes by itself, and rules it speaks against."""

import csv
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.db import connection, transaction
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from donors import services as donor_services
from matching import fittings, rule_watch, ruling
from matching.models import Outcome, Rule, RuleEntry, RulesWeighed
from parts import services as part_services
from parts.models import Sighting
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher, reference
from workshop.exchange import sheets
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

KIND = "control-board"


def machine(family: str = "W7", revision: str = "1", sure: float = 1.0) -> dict[str, Any]:
    return {
        "appliance": "washing-machine",
        "make": "Velthane",
        "family": family,
        "number": f"{family}60R{revision}W",
        "fields": {"revision": revision},
        "sure": sure,
    }


def fitted(bench: Bench, results: Iterable[str], *, number: str = "BRD-1", **values: Any) -> None:
    """Put past fittings on record and say so, as an import does."""
    start = Outcome.of(bench.workshop).count()
    job = values.pop("job", machine())
    Outcome.objects.bulk_create(
        Outcome(
            workshop=bench.workshop,
            kind_id=KIND,
            part_number=number,
            fitted_on=TODAY,
            result=result,
            fingerprint=f"{start + place}",
            learned={"job": job},
            **values,
        )
        for place, result in enumerate(results)
    )
    tell(bench)


def tell(bench: Bench) -> None:
    with transaction.atomic():
        fittings.announce(bench.workshop.pk, [KIND])
    bench.drain()


def sight(bench: Bench, count: int, number: str = "BRD1", **values: Any) -> None:
    start = Sighting.of(bench.workshop).count()
    for place in range(count):
        Sighting.objects.create(
            workshop=bench.workshop,
            kind_id=KIND,
            number_canonical=number,
            source="donor",
            source_ref=f"S-{start + place}",
            make="Velthane",
            family="W7",
            fields={"revision": "1"},
            appliance_id="washing-machine",
            **values,
        )


def rules(bench: Bench) -> list[Rule]:
    return list(Rule.of(bench.workshop).order_by("id"))


def test_enough_fittings_that_agree_propose_a_rule(bench: Bench, api: APIClient) -> None:
    fitted(bench, ["worked"] * 7)
    assert rules(bench) == []
    fitted(bench, ["failed"])  # it went in; that it died later is a matter of condition
    (rule,) = rules(bench)
    shown = api.get(f"/api/v1/rules/{rule.pk}/").data
    assert (shown["says"], shown["state"]) == ("fits", "proposed")
    assert shown["donor_side"] == {"part_numbers": ["BRD1"]}
    assert shown["job_side"] == {"make": "Velthane", "family": "W7", "fields": {"revision": "1"}}
    # Wilson 95 % of 8 of 8: 8 / (8 + 1.96^2) = 0.676 (scipy.stats.binomtest agrees).
    assert shown["evidence"] == (
        "BRD1 in Velthane W7, revision 1: 8 of 8 fitted (95 % interval 68 to 100 %)."
    )
    assert shown["proposed_by"] == "from evidence"
    assert shown["from_evidence"] is True
    assert (shown["agree"], shown["disagree"]) == (8, 0)
    assert [(entry["act"], entry["by"]) for entry in shown["record"]] == [
        ("proposed", "from evidence")
    ]
    assert api.get("/api/v1/rules/", {"from_evidence": "true"}).data["count"] == 1


def test_the_dates_of_the_evidence_bound_the_rule(bench: Bench) -> None:
    built = {"job_built_from": "2014-03-01", "job_built_to": "2014-03-31"}
    fitted(bench, ["worked"] * 5, **built)
    fitted(bench, ["worked"] * 4, job_built_from="2016-01-01", job_built_to="2016-12-31")
    (rule,) = rules(bench)
    assert rule.job_side["built_from"] == "2014-03-01"
    assert rule.job_side["built_to"] == "2016-12-31"


def test_fittings_that_failed_to_go_in_propose_a_refusal(bench: Bench) -> None:
    fitted(bench, ["did-not-fit"] * 4)
    (rule,) = rules(bench)
    assert rule.says == "does-not-fit"
    assert "4 of 4 did not fit" in rule.evidence


def test_mixed_fittings_propose_nothing(bench: Bench) -> None:
    fitted(bench, ["worked"] * 8 + ["did-not-fit"] * 4)
    assert rules(bench) == []


def test_sightings_propose_what_machines_carry(bench: Bench) -> None:
    sight(bench, 8)
    tell(bench)
    (rule,) = rules(bench)
    assert rule.evidence == ("Seen in 8 of 8 such machines on record (95 % interval 68 to 100 %).")
    assert rule.job_side["fields"] == {"revision": "1"}


@pytest.mark.parametrize("other", ["a second number", "a misfit", "unsure machines"])
def test_sightings_that_are_not_enough(other: str, bench: Bench) -> None:
    sight(bench, 9, certainty=0.5 if other == "unsure machines" else 1.0)
    if other == "a second number":
        sight(bench, 6, number="BRD2")
    if other == "a misfit":
        fitted(bench, ["did-not-fit"])
    tell(bench)
    assert rules(bench) == []


def test_two_numbers_seen_in_one_family_are_no_interchange(bench: Bench) -> None:
    """That is what a build break looks like: only fittings speak for a pair."""
    sight(bench, 20, number="BRD1")
    sight(bench, 20, number="BRD2")
    tell(bench)
    assert rules(bench) == []


def test_a_pair_fitted_both_ways_is_one_rule(bench: Bench) -> None:
    fitted(bench, ["worked"] * 8, number="BRD-1", job_part_number="BRD-2", job={})
    (one_way,) = rules(bench)
    assert not one_way.both_ways
    fitted(bench, ["worked"] * 9, number="BRD-2", job_part_number="BRD-1", job={})
    both = rules(bench)[-1]
    assert both.both_ways
    assert both.donor_side == {"part_numbers": ["BRD1"]}
    assert both.job_side == {"part_numbers": ["BRD2"]}
    assert "BRD2 in place of BRD1: 9 of 9 fitted" in both.evidence
    assert len(rules(bench)) == 2


def test_nothing_is_proposed_twice(bench: Bench) -> None:
    fitted(bench, ["worked"] * 8)
    fitted(bench, ["worked"] * 20)
    for _ in range(3):
        rule_watch.review_kind(bench.workshop.pk, KIND, now=NOW)
    (rule,) = rules(bench)
    assert "28 of 28 fitted" in rule.evidence  # while it is open its evidence is kept current
    assert rule.words.count("28 of 28") == 1
    assert RuleEntry.of(bench.workshop).count() == 1


def test_what_was_rejected_comes_again_only_with_much_more(bench: Bench) -> None:
    fitted(bench, ["worked"] * 8)
    (rule,) = rules(bench)
    reviewer = bench.members["reviewer"]
    ruling.reject_rule(workshop=bench.workshop, rule_id=rule.pk, member=reviewer, now=NOW)
    fitted(bench, ["worked"] * 7)
    assert len(rules(bench)) == 1  # 15 of 15: not twice what was rejected
    fitted(bench, ["worked"])
    again = rules(bench)
    assert [one.state for one in again] == ["rejected", "proposed"]
    assert "16 of 16" in again[1].evidence


def test_a_retired_rule_and_one_a_person_stated_are_not_brought_back(bench: Bench) -> None:
    stated = ruling.Statement(
        kind=KIND,
        says="fits",
        donor_side={"part_numbers": ["BRD 1"]},
        job_side={"make": "Velthane", "family": "W7", "fields": {"revision": "1"}},
    )
    member, reviewer = bench.technician, bench.members["reviewer"]
    fitted(bench, ["worked"] * 7)
    rule = ruling.propose_rule(workshop=bench.workshop, statement=stated, member=member, now=NOW)
    bench.drain()
    who = {"workshop": bench.workshop, "rule_id": rule.pk, "member": reviewer, "now": NOW}
    ruling.approve_rule(**who)
    ruling.retire_rule(**who)
    fitted(bench, ["worked"])
    assert [one.state for one in rules(bench)] == ["retired"]
    fitted(bench, ["worked"] * 6)
    assert [one.state for one in rules(bench)] == ["retired", "proposed"]


@pytest.mark.parametrize(
    ("says", "donor_side", "job_side", "proposed"),
    [
        ("fits", {}, {"family": "W7"}, False),
        ("fits-with-conditions", {}, {"family": "W7"}, False),
        ("fits", {"part_numbers": ["BRD1", "BRD7"]}, {}, False),
        ("fits", {"make": "Velthane"}, {"family": "W7"}, True),  # narrower on the donor's side
        ("fits", {}, {"family": "W7", "built_from": "2015-01-01"}, True),
        ("fits", {}, {"family": "K3"}, True),
    ],
)
def test_what_an_approved_rule_covers_is_not_proposed(
    says: str, donor_side: dict, job_side: dict, proposed: bool, bench: Bench
) -> None:
    approved(bench, says, donor_side, job_side)
    fitted(bench, ["worked"] * 8)
    assert (len(rules(bench)) == 2) is proposed


def approved(bench: Bench, says: str, donor_side: dict, job_side: dict) -> Rule:
    kind = ruling.get_kind(KIND)
    stated = ruling.Statement(
        kind=KIND, says=says, donor_side=donor_side, job_side=job_side, conditions="with care"
    )
    rule = ruling.new_rule(bench.workshop.pk, stated, kind=kind)
    rule.state, rule.decided_by, rule.decided_at = "approved", bench.members["owner"], NOW
    rule.save()
    return rule


def test_any_reviewer_may_approve_what_the_evidence_proposed(bench: Bench, sign_in) -> None:
    fitted(bench, ["worked"] * 8)
    (rule,) = rules(bench)
    path = f"/api/v1/rules/{rule.pk}/approve/"
    assert sign_in("technician").post(path, {}, format="json").status_code == 403
    shown = sign_in("reviewer").post(path, {}, format="json").data
    assert shown["state"] == "approved"
    assert [entry["by"] for entry in shown["record"]] == ["from evidence", "millrace-reviewer"]
    bench.drain()
    assert len(rules(bench)) == 1


def test_a_rule_that_fittings_contradict_is_flagged_and_cleared(
    bench: Bench, api: APIClient
) -> None:
    rule = approved(bench, "fits", {"part_numbers": ["BRD1"]}, {"family": "W7"})
    fitted(bench, ["did-not-fit"])
    assert api.get(f"/api/v1/rules/{rule.pk}/").data["flagged"] is False
    fitted(bench, ["did-not-fit", "worked"])
    shown = api.get(f"/api/v1/rules/{rule.pk}/").data
    assert shown["flagged"] is True
    # Wilson 95 % of 1 of 3: 0.061 to 0.792 (scipy.stats.binomtest agrees).
    assert shown["flag"] == (
        "2 of 3 past fittings went against this rule (as it says: 95 % interval 6 to 79 %)."
    )
    assert (shown["record"][-1]["act"], shown["record"][-1]["by"]) == ("flagged", "from evidence")
    found = api.get("/api/v1/rules/", {"flagged": "true"}).data["results"]
    assert [one["id"] for one in found] == [rule.pk]
    impact = api.get(f"/api/v1/rules/{rule.pk}/impact/").data
    assert (impact["flagged"], impact["agree"], impact["disagree"]) == (True, 1, 2)
    fitted(bench, ["worked"] * 40)
    shown = api.get(f"/api/v1/rules/{rule.pk}/").data
    assert shown["flagged"] is False
    assert [entry["act"] for entry in shown["record"]] == ["flagged", "cleared"]


def test_a_wide_rule_is_flagged_for_what_goes_wrong_within_it(bench: Bench) -> None:
    """Many fittings agree with it; those of one number do not, and no rule is proposed over it."""
    rule = approved(bench, "fits", {}, {"family": "W7"})
    fitted(bench, ["worked"] * 90, number="BRD-1")
    fitted(bench, ["did-not-fit"] * 4, number="BRD-2")
    rule.refresh_from_db()
    assert (rule.agree, rule.disagree) == (90, 4)
    assert "4 of 4 did not fit" in rule.flag
    assert [one.says for one in rules(bench)] == ["fits"]


def test_proposals_wait_for_the_dispatcher(bench: Bench) -> None:
    """Nothing is weighed in a request: the outbox is, and one review serves many reports."""
    sight(bench, 8)
    with transaction.atomic():
        for _ in range(5):
            fittings.announce(bench.workshop.pk, [KIND])
    assert rules(bench) == []
    bench.drain()
    assert len(rules(bench)) == 1
    reviews = OutboxEvent.of(bench.workshop).filter(kind="matching.rules-review")
    assert reviews.count() < 5


def test_a_review_asks_no_more_often_as_everything_grows(bench: Bench) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            rule_watch.review_kind(bench.workshop.pk, KIND, now=NOW)
        return len(seen)

    def grow(times: int) -> None:
        for number in range(times):
            start = Outcome.of(bench.workshop).count()
            Outcome.objects.bulk_create(
                Outcome(
                    workshop=bench.workshop,
                    kind_id=KIND,
                    part_number=f"N{start}",
                    fitted_on=TODAY,
                    result="worked",
                    fingerprint=f"{start}-{place}",
                    learned={"job": machine()},
                )
                for place in range(8)
            )
            approved(bench, "fits", {}, {"family": f"F{start}{number}"})
        sight(bench, times, number="BRD2")

    grow(1)
    few = queries()
    grow(6)
    assert queries() == few
    proposed = Rule.of(bench.workshop).filter(state="proposed").count()
    assert proposed == 7


def test_one_workshop_learns_nothing_of_another(bench: Bench, other_bench: Bench) -> None:
    fitted(other_bench, ["worked"] * 8)
    tell(bench)
    assert rules(bench) == []
    assert len(rules(other_bench)) == 1


def weighed_never(bench: Bench) -> None:
    """Have evidence on record that no event tells of, as before rules were drawn from it."""
    sight(bench, 8)
    OutboxEvent.of(bench.workshop).delete()


def test_the_sweep_proposes_from_what_is_on_record_already(bench: Bench) -> None:
    weighed_never(bench)
    dispatcher.sweep(now=NOW)
    bench.drain()
    assert len(rules(bench)) == 1
    assert RulesWeighed.of(bench.workshop).get().way == rule_watch.way()


def test_a_sweep_with_nothing_due_asks_one_query_and_records_nothing(
    bench: Bench, other_bench: Bench
) -> None:
    weighed_never(bench)
    assert rule_watch.ask_where_due(NOW) == 1  # nothing is on record in the other workshop
    assert RulesWeighed.objects.unscoped().count() == 2
    bench.drain()
    events = OutboxEvent.objects.unscoped().count()
    with CaptureQueriesContext(connection) as seen:
        assert rule_watch.ask_where_due(NOW) == 0
    assert len(seen) == 1
    assert OutboxEvent.objects.unscoped().count() == events
    assert len(rules(bench)) == 1
    assert rules(other_bench) == []


def test_other_thresholds_weigh_everything_anew(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    weighed_never(bench)
    strict = reference.read("rule_proposals")
    loose = {**strict, "fits": {**strict["fits"], "seen": {"least": 9, "lower_bound": 0.5}}}
    monkeypatch.setattr(reference, "read", {"rule_proposals": loose}.__getitem__)
    rule_watch.ask_where_due(NOW)
    bench.drain()
    assert rules(bench) == []
    monkeypatch.setattr(reference, "read", {"rule_proposals": strict}.__getitem__)
    assert rule_watch.ask_where_due(NOW) == 1
    bench.drain()
    assert len(rules(bench)) == 1


def test_the_command_proposes_and_says_how_many(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    weighed_never(bench)
    for new in (1, 0):
        call_command("propose_rules", workshop=bench.workshop.slug)
        assert capsys.readouterr().out == (
            f"1 part kinds weighed: {new} rules newly proposed, 1 wait for a reviewer.\n"
        )
    with pytest.raises(CommandError, match="There is no workshop"):
        call_command("propose_rules", workshop="nowhere")


def brought_in(kind: str, folder: Path, rows: Iterable[dict[str, str]]) -> None:
    """Import an exchange file as a workshop does; what a row leaves out is blank."""
    path = folder / f"{kind}.csv"
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, [column.name for column in sheets.get_sheet(kind).columns])
        writer.writeheader()
        writer.writerows(rows)
    call_command("import_csv", kind, path, workshop="millrace")


def test_an_import_of_outcomes_proposes_and_again_adds_nothing(
    bench: Bench, tmp_path: Path
) -> None:
    stated = {"kind": KIND, "part_number": "BRD-1", "result": "worked"}
    machine = {"job_make": "Velthane", "job_model_number": "W7-60 R1 W"}
    rows = [{**stated, **machine, "fitted_on": f"2026-10-0{day}"} for day in range(1, 9)]
    for _ in range(2):
        brought_in("outcomes", tmp_path, rows)
        (rule,) = rules(bench)
        assert "8 of 8 fitted" in rule.evidence


def test_an_import_of_jobs_whose_old_parts_are_seen_proposes(bench: Bench, tmp_path: Path) -> None:
    stated = {"kind": KIND, "part_number": "BRD-1", "opened_on": "2026-10-01"}
    plate = {"appliance": "washing-machine", "make": "Velthane", "model_number": "W7-60 R1 W"}
    brought_in("jobs", tmp_path, [{"job_ref": f"J-{n}", **stated, **plate} for n in range(8)])
    (rule,) = rules(bench)
    assert "Seen in 8 of 8" in rule.evidence


def test_machines_read_anew_are_weighed_anew(bench: Bench) -> None:
    """Eight donors of a make whose model nobody knew; once it is known they speak for a rule."""
    for _ in range(8):
        part = bench.part(bench.donor("HNX 5104 A", make="Borsund"))
        facts = part_services.PartFacts(part_number="BRD-1")
        part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
    bench.drain()
    assert rules(bench) == []
    with transaction.atomic():
        donor_services.add_model_number(
            workshop=bench.workshop,
            make=bench.makes["Borsund"],
            number="HNX 5104 A",
            appliance="washing-machine",
            family="HNX",
        )
    bench.drain()
    (rule,) = rules(bench)
    assert rule.job_side == {"make": "Borsund", "family": "HNX"}
