"""From the job form to matches, a hold, its release and the report of what was fitted."""

import re
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from matching import keeping, waits
from matching.faults.causes import suggested_cause
from matching.models import Hold, Job, Match, Outcome
from parts.models import Part
from tests.factories import NOW, TODAY, Bench
from tests.integration.web.reading import has_field_message, text_of

pytestmark = pytest.mark.django_db

MACHINE = {
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 W",
    "opened_on": "2026-11-20",
    "symptom": "stays dark",
    "need0-kind": "control-board",
    "need0-max_price": "60",
}


@pytest.fixture
def job(bench: Bench) -> Job:
    """Return a job whose board is offered from two donors."""
    job = bench.job("W7-60 R1 W")
    bench.donor("W7-60 R1 W")
    bench.donor("W7-60 R1 S")
    bench.drain()
    return job


def best(job: Job) -> Match:
    return Match.of(job.workshop_id).filter(need__job=job).order_by("-worth", "part_id").first()


def hold_best(client: Client, job: Job) -> Hold:
    match = best(job)
    client.post(reverse("hold-new", args=[match.need_id]), {"part_ref": match.part.ref})
    return Hold.of(job.workshop_id).get(released_at__isnull=True)


def test_a_job_opened_on_the_page_is_searched_and_shows_why(
    bench: Bench, technician: Client
) -> None:
    bench.donor("W7-60 R1 W")
    answer = technician.post(reverse("job-new"), MACHINE, follow=True)
    job = Job.of(bench.workshop).get()
    assert answer.redirect_chain == [(reverse("job", args=[job.ref]), 302)]
    assert "The stock is being searched" in text_of(answer)
    assert b'http-equiv="refresh"' in answer.content
    bench.drain()
    page = technician.get(reverse("job", args=[job.ref]))
    assert b"http-equiv" not in page.content
    words = text_of(page)
    match = best(job)
    assert match.part.ref in words
    assert "the rows add up to the score" in words
    assert "P(fit) × P(good)" in words
    assert re.search(r"(●|◆|▲|◇) (same part|known to fit|likely fits|check first)", words)


def test_the_bits_shown_add_up_to_the_score_shown(job: Job, technician: Client) -> None:
    html = technician.get(reverse("job", args=[job.ref])).content.decode()
    table = re.search(r'<table class="[^"]*reasons">.*?</table>', html, flags=re.DOTALL).group()
    numbers = re.findall(r'<td class="amount"[^>]*>([^<]+)</td>', table)
    bits = [float(number.replace("\N{MINUS SIGN}", "-")) for number in numbers]
    assert len(bits) > 5
    assert sum(bits[:-1]) == pytest.approx(bits[-1], abs=0.05)


def test_hold_release_and_fit(bench: Bench, job: Job, technician: Client) -> None:
    hold = hold_best(technician, job)
    page = text_of(technician.get(reverse("job", args=[job.ref])))
    assert f"Held for this job: {hold.part.ref} by millrace-technician" in page
    technician.post(reverse("hold-release", args=[hold.pk]))
    hold.refresh_from_db()
    assert hold.ended == Hold.Ended.RELEASED
    again = technician.post(reverse("hold-release", args=[hold.pk]))
    assert again.status_code == 409
    assert "has ended already" in text_of(again)
    second = hold_best(technician, job)
    report = {"result": "worked", "fitted_on": "2026-11-21", "note": "spins again"}
    done = technician.post(reverse("hold-fitted", args=[second.pk]), report, follow=True)
    assert "was fitted: worked" in text_of(done)
    job.refresh_from_db()
    assert job.state == Job.State.DONE
    assert Outcome.of(bench.workshop).get().note == "spins again"


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({"result": "worked", "fitted_on": "soon"}, "id_fitted_on", "is no date"),
        (
            {"result": "worked", "fitted_on": "2026-11-21", "days_to_failure": "3"},
            "id_days_to_failure",
            "Only for a part that failed",
        ),
        (
            {"result": "failed", "fitted_on": "2026-11-21", "days_to_failure": "-1"},
            "id_days_to_failure",
            "At least 0",
        ),
        ({"fitted_on": "2026-11-21"}, "id_result", "Choose one"),
        ({"result": "exploded", "fitted_on": "2026-11-21"}, "id_result", "none of the choices"),
    ],
)
def test_a_bad_report_is_shown_again(
    job: Job, technician: Client, typed: dict[str, str], field: str, words: str
) -> None:
    hold = hold_best(technician, job)
    answer = technician.post(reverse("hold-fitted", args=[hold.pk]), typed)
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)
    assert not Outcome.of(job.workshop_id).exists()


def test_a_part_held_for_another_job_answers_409_and_names_it(
    bench: Bench, job: Job, technician: Client
) -> None:
    hold = hold_best(technician, job)
    other = bench.job("W7-60 R1 W")
    bench.drain()
    page = technician.get(reverse("job", args=[other.ref]))
    assert f"Held for {job.ref} by millrace-technician" in text_of(page)
    answer = technician.post(
        reverse("hold-new", args=[other.needs.get().pk]), {"part_ref": hold.part.ref}
    )
    assert answer.status_code == 409
    assert f"is held for job {job.ref}" in text_of(answer)
    assert Hold.of(bench.workshop).count() == 1


def test_a_refused_repair_frees_what_was_held(job: Job, technician: Client) -> None:
    hold = hold_best(technician, job)
    answer = technician.post(reverse("job-refuse", args=[job.ref]), follow=True)
    assert "is free again" in text_of(answer)
    hold.refresh_from_db()
    assert hold.ended == Hold.Ended.RELEASED
    again = technician.post(reverse("job-refuse", args=[job.ref]))
    assert again.status_code == 409
    assert "refused by the customer" in text_of(again)


def test_a_misread_job_is_settled_by_a_person_and_searched_again(
    bench: Bench, technician: Client
) -> None:
    job = bench.job("W7-6O R1 W")
    bench.drain()
    page = technician.get(reverse("job", args=[job.ref]))
    assert "Likely, not settled" in text_of(page)
    model = page.context["seen"].candidates[0].model
    technician.post(reverse("job-confirm", args=[job.ref]), {"model_id": model.id})
    job.refresh_from_db()
    assert (job.confirmed, job.model_number) == (True, "W7-6O R1 W")


@pytest.mark.parametrize(
    ("changed", "field", "words"),
    [
        ({"model_number": ""}, "id_model_number", "Blank"),
        ({"model_number": "---"}, "id_model_number", "fewer than two"),
        ({"make": "Nobody"}, "id_make", "not known"),
        ({"built_from": "2020-05-02", "built_to": "2020-05-01"}, "id_built_to", "lies before"),
        ({"opened_on": "2026-13-01"}, "id_opened_on", "is no date"),
        ({"wait_until": "2026-11-01"}, "id_wait_until", "before the day"),
        ({"need0-max_price": "-5"}, "id_need0-max_price", "cannot be negative"),
        ({"need1-part_number": "4711"}, "id_need1-kind", "Choose the part kind"),
        ({"need0-kind": "fill-hose"}, "id_need0-kind", "none of the choices"),
        ({"need0-attributes": "no equals"}, "id_need0-attributes", "name=value"),
        ({"shown_code": "--"}, "id_shown_code", "as it stands on the display"),
        ({"need1-kind": "control-board"}, "needs", "named twice"),
        ({"technician": "999999"}, "id_technician", "none of the choices"),
    ],
)
def test_a_job_that_cannot_be_opened_is_shown_again_with_what_was_typed(
    bench: Bench, technician: Client, changed: dict[str, str], field: str, words: str
) -> None:
    answer = technician.post(reverse("job-new"), {**MACHINE, **changed})
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)
    assert "stays dark" in answer.content.decode()
    assert not Job.of(bench.workshop).exists()


def test_another_workshops_technician_cannot_be_given_the_job(
    bench: Bench, other_bench: Bench, technician: Client
) -> None:
    theirs = {**MACHINE, "technician": str(other_bench.technician.pk)}
    assert technician.post(reverse("job-new"), theirs).status_code == 400
    mine = {**MACHINE, "technician": str(bench.members["cataloguer"].pk)}
    assert technician.post(reverse("job-new"), mine).status_code == 400


def test_the_list_shows_open_jobs_first_and_any_when_asked(
    bench: Bench, job: Job, technician: Client
) -> None:
    refused = bench.job("K3-60 R1 W")
    technician.post(reverse("job-refuse", args=[refused.ref]))
    seen = technician.get(reverse("jobs"))
    assert [one.ref for one in seen.context["page"]] == [job.ref]
    every = technician.get(reverse("jobs"), {"state": ""})
    assert {one.ref for one in every.context["page"]} == {job.ref, refused.ref}


def test_the_parts_page_and_the_donors_page_name_the_waiting_job(
    job: Job, technician: Client
) -> None:
    match = best(job)
    for route, ref in (("part", match.part.ref), ("donor", match.part.donor.ref)):
        assert job.ref in text_of(technician.get(reverse(route, args=[ref])))


def test_a_part_that_is_gone_offers_no_forms(bench: Bench, job: Job, technician: Client) -> None:
    part = best(job).part
    Part.of(bench.workshop).filter(pk=part.pk).update(state="sold", removed_on=TODAY)
    page = technician.get(reverse("part", args=[part.ref]))
    assert "nothing more can be noted" in text_of(page)
    answer = technician.post(reverse("part-describe", args=[part.ref]), {"bin": "Z"})
    assert answer.status_code == 409


def test_over_says_the_list_of_a_usual_wait_too(bench: Bench, technician: Client) -> None:
    """The list, its filter and the home page go by the same day; no query a row."""
    today = timezone.localdate()
    days = bench.workshop.wait_days
    over, waiting = bench.job(), bench.job()
    rows = Job.of(bench.workshop)
    rows.filter(pk=over.pk).update(opened_on=today - timedelta(days=days + 1), wait_until=None)
    rows.filter(pk=waiting.pk).update(opened_on=today - timedelta(days=days), wait_until=None)
    seen = technician.get(reverse("jobs"))
    assert seen.context["over"] == {over.pk}
    assert text_of(seen).count("the usual wait over") == 1
    rows.filter(pk=over.pk).update(state=Job.State.REFUSED)
    every = technician.get(reverse("jobs"), {"state": ""})
    assert every.context["over"] == set()


def test_how_long_it_was_to_wait_stays_on_a_closed_jobs_page(
    bench: Bench, job: Job, technician: Client
) -> None:
    now = timezone.now()
    until = timezone.localdate(now) + timedelta(days=60)
    waits.set_end(
        workshop=bench.workshop, ref=job.ref, until=until, member=bench.technician, now=now
    )
    technician.post(reverse("job-refuse", args=[job.ref]))
    seen = text_of(technician.get(reverse("job", args=[job.ref])))
    assert f"to {until}" in seen
    assert "Waits until" in seen
    assert "Wait longer" not in seen


class TestSuggestedCause:
    """The fault of a refused job's machine stands as the cause to be kept with, to be changed."""

    def kept_with(self, bench: Bench, client: Client, job: Job) -> str:
        keeping.refuse_repair(
            workshop=bench.workshop,
            ref=job.ref,
            answer=keeping.Answer("yes", "owner", "signed", None),
            member=bench.technician,
            now=NOW,
        )
        answer = client.get(reverse("job", args=[job.ref]))
        return str(answer.context["keep_form"]["cause"].value() or "")

    def test_the_likeliest_part_names_it(self, bench: Bench, technician: Client) -> None:
        job = bench.job(needs=[], symptom="does not heat")
        assert self.kept_with(bench, technician, job) == "heater-earth-fault"

    def test_without_a_fault_nothing_is_suggested(self, bench: Bench, technician: Client) -> None:
        assert self.kept_with(bench, technician, bench.job()) == ""

    @pytest.mark.parametrize(
        ("appliance", "suspect", "cause"),
        [
            ("washing-machine", "drain-pump", "drain-blocked"),
            ("washing-machine", "control-board", "board-fault"),
            ("microwave", "magnetron", "magnetron-no-heat"),
            ("washing-machine", "blockage", ""),  # no part
            ("washing-machine", "display-board", ""),  # a surge befalls, it is not diagnosed
            ("toaster", "heater", ""),
        ],
    )
    def test_by_the_guide_s_survival_table(self, appliance: str, suspect: str, cause: str) -> None:
        assert suggested_cause(appliance, suspect) == cause
