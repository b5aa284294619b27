"""The pages of rules: what they say, and who comments and decides on them."""

import pytest
from django.test import Client
from django.urls import reverse

from matching.models import Outcome, Rule
from tests.factories import NOW, TODAY, Bench
from tests.integration.web.conftest import SignIn
from tests.integration.web.reading import has_field_message, text_of

pytestmark = pytest.mark.django_db


def page(client: Client, rule: Rule) -> str:
    return text_of(client.get(reverse("rule", args=[rule.pk])))


def fitted(bench: Bench, results: list[str]) -> None:
    """Put past fittings into family W7 on record."""
    job = {"make": "Velthane", "family": "W7", "number": "W760R1W", "sure": 1.0, "fields": {}}
    for nth, result in enumerate(results):
        Outcome.objects.create(
            workshop=bench.workshop,
            kind_id="control-board",
            fitted_on=TODAY,
            result=result,
            fingerprint=str(nth),
            learned={"job": {"appliance": "washing-machine", **job}},
        )


def test_the_list_shows_what_waits_and_filters_by_state(bench: Bench, technician: Client) -> None:
    waits = bench.rule(family="W7")
    bench.rule(family="K3", state="approved")
    bench.rule(family="H9", state="rejected")
    first = text_of(technician.get("/rules/"))
    assert f"Rule {waits.pk} Control board: any fits W7. proposed" in first
    assert "fits K3" not in first
    assert "1 rule " in first + " "
    approved = text_of(technician.get("/rules/", {"state": "approved"}))
    assert "fits K3. approved by" in approved
    assert "fits W7" not in approved
    every = text_of(technician.get("/rules/", {"state": "", "kind": "control-board"}))
    assert [f"fits {one}" in every for one in ("W7", "K3", "H9")] == [True] * 3
    assert "3 rules" in every
    assert "No rule here" in text_of(technician.get("/rules/", {"kind": "heater"}))


def test_it_is_reached_from_the_catalogue(bench: Bench, technician: Client) -> None:
    for route in ("makes", "models", "breaks", "interchanges"):
        assert b'href="/rules/"' in technician.get(reverse(route)).content


def test_one_rule_says_its_grounds_and_its_record(bench: Bench, technician: Client) -> None:
    rule = bench.rule(evidence="Tried in three machines.", state="approved")
    shown = page(technician, rule)
    for words in (
        "Control board: any fits W7.",
        "Tried in three machines.",
        f"proposed by {bench.technician}",
        f"approved by {bench.members['reviewer']}",
        "2026-11-20 09:00",
    ):
        assert words in shown
    assert "Approve" not in shown.replace("Approved", "")


def test_the_impact_counts_pairs_and_past_fittings(bench: Bench, technician: Client) -> None:
    """10 of 12 agree: Wilson 95 % 0.552 to 0.953 (scipy.stats.binomtest(10, 12))."""
    job, donor = bench.job("W7-60 R1 W"), bench.donor("W7-60 R1 W")
    bench.drain()
    fitted(bench, ["worked"] * 2 + ["did-not-fit"] * 10)
    shown = page(technician, bench.rule(says="does-not-fit"))
    assert "pairs of need and part gained 0" in shown
    assert "pairs lost 1" in shown
    assert "past fittings agree 10" in shown
    assert "past fittings disagree 2" in shown
    assert "83 % went as it says (95 % interval 55 % to 95 %)" in shown
    assert "Pairs lost Job Part Chance to fit" in shown
    assert job.ref in shown
    assert bench.part(donor).ref in shown


def test_a_contradiction_names_the_rule_in_force(bench: Bench, technician: Client) -> None:
    rule = bench.rule()
    other = bench.rule(says="does-not-fit", family="W7", built_to="2015-12-31", state="approved")
    assert f"It contradicts rule {other.pk} (does not fit), which is in force." in page(
        technician, rule
    )


def test_no_impact_of_what_was_turned_down(bench: Bench, reviewer: Client) -> None:
    shown = page(reviewer, bench.rule(state="rejected"))
    assert "would change" not in shown
    assert "Retire" not in shown


def test_a_technician_comments_but_does_not_decide(bench: Bench, technician: Client) -> None:
    rule = bench.rule()
    answer = technician.post(f"/rules/{rule.pk}/comment/", {"note": "Which index was it?"})
    assert answer.url == f"/rules/{rule.pk}/"
    shown = page(technician, rule)
    assert f"commented by {bench.technician}: Which index was it?" in shown
    assert "Deciding needs the role reviewer." in shown
    html = technician.get(f"/rules/{rule.pk}/").content.decode()
    assert html.count('disabled title="Needs the role reviewer."') == 2


def test_a_blank_comment_is_refused_beside_its_field(bench: Bench, technician: Client) -> None:
    answer = technician.post(f"/rules/{bench.rule().pk}/comment/", {"note": "  "})
    assert answer.status_code == 400
    assert has_field_message(answer, "id_note", "Blank.")
    assert "The comment is blank." in text_of(answer)
    assert b'href="/rules/" aria-current="true"' in answer.content


def test_a_note_too_long_is_refused_and_kept_as_typed(bench: Bench, reviewer: Client) -> None:
    rule, note = bench.rule(), "far too much " * 200
    answer = reviewer.post(f"/rules/{rule.pk}/approve/", {"note": note})
    assert answer.status_code == 400
    assert note.strip() in text_of(answer)
    rule.refresh_from_db()
    assert rule.state == "proposed"


def test_a_reviewer_approves_with_a_note_and_retires(bench: Bench, reviewer: Client) -> None:
    rule = bench.rule()
    for act, state in (("approve", "approved"), ("retire", "retired")):
        answer = reviewer.post(f"/rules/{rule.pk}/{act}/", {"note": f"{act} it"})
        assert answer.status_code == 302
        rule.refresh_from_db()
        assert (rule.state, rule.decided_by) == (state, bench.members["reviewer"])
    assert "retired by" in page(reviewer, rule)
    assert ": approve it" in page(reviewer, rule)
    again = reviewer.post(f"/rules/{rule.pk}/approve/", {"note": "once more"})
    assert again.status_code == 409
    assert f"Rule {rule.pk} is retired; only proposed ones can be approved." in text_of(again)
    assert "once more" in text_of(again)


def test_a_reviewer_rejects(bench: Bench, reviewer: Client) -> None:
    rule = bench.rule()
    assert reviewer.post(f"/rules/{rule.pk}/reject/").status_code == 302
    rule.refresh_from_db()
    assert rule.state == "rejected"


def test_ones_own_proposal_is_refused_in_the_form(bench: Bench, reviewer: Client) -> None:
    rule = bench.rule(by=bench.members["reviewer"])
    answer = reviewer.post(f"/rules/{rule.pk}/approve/", {"note": "sure of it"})
    assert answer.status_code == 403
    assert "another reviewer must decide on it" in text_of(answer)
    assert "sure of it" in text_of(answer)


def test_a_contradiction_is_refused_in_the_form(bench: Bench, sign_in: SignIn) -> None:
    rule = bench.rule()
    bench.rule(says="does-not-fit", family="W7", built_to="2015-12-31", state="approved")
    answer = sign_in(bench, "owner").post(f"/rules/{rule.pk}/approve/")
    assert answer.status_code == 409
    assert "contradicts approved rule" in text_of(answer)


def test_what_replaces_what_is_linked(bench: Bench, technician: Client) -> None:
    old = bench.rule(state="approved")
    new = bench.rule(replaces=old.pk, family="W7", built_from="2015-01-01")
    assert f"Replaces Rule {old.pk}" in page(technician, new)
    assert f"To be replaced by Rule {new.pk}, proposed" in page(technician, old)


def test_a_flag_is_shown_on_both_pages(bench: Bench, technician: Client) -> None:
    rule = bench.rule(state="approved")
    Rule.of(bench.workshop).filter(pk=rule.pk).update(flag="2 of 3 went against.", counted_at=NOW)
    for address in ("/rules/?state=approved", f"/rules/{rule.pk}/"):
        assert "Contradicted: 2 of 3 went against." in text_of(technician.get(address))
