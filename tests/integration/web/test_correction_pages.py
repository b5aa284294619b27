"""Pages that put things right: correcting, opening again, taking back, finding a job."""

from datetime import timedelta
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from donors.services import add_model_number
from matching import holds
from matching.models import Job, Need, Outcome, Proposal
from tests.factories import NOW, TODAY, Bench
from tests.integration.web.reading import text_of
from workshop.models import Member

pytestmark = pytest.mark.django_db


def page(client: Any, name: str, *args: Any) -> str:
    answer = client.get(reverse(name, args=args))
    assert answer.status_code == 200
    return str(text_of(answer))


def filled(client: Any, name: str, *args: Any, **changes: Any) -> Any:
    """Send a page's form as it stands, with some fields changed."""
    form = client.get(reverse(name, args=args)).context["form"]
    data = {one.html_name: one.value() for one in form}
    for field, value in data.items():
        data[field] = form.fields[field].prepare_value(value) if field in form.fields else value
    data = {field: "" if value is None else value for field, value in data.items() if value}
    return client.post(reverse(name, args=args), {**data, **changes}, follow=True)


def test_a_job_is_corrected_on_its_page_and_says_what_was_before(
    bench: Bench, sign_in: Any
) -> None:
    client, job = sign_in(bench, "technician"), bench.job("K3-60 R1 W", symptom="hums")
    assert "Correct it" in page(client, "job", job.ref)
    answer = filled(client, "job-correct", job.ref, model_number="W7-60 R1 W", why="misread")
    said = text_of(answer)
    assert "is corrected" in said
    assert "K3-60 R1 W to W7-60 R1 W" in said.replace('"', "")
    assert "misread" in said
    job.refresh_from_db()
    assert (job.model_number, job.symptom, job.wait_until) == (
        "W7-60 R1 W", "hums", TODAY + timedelta(days=30),
    )  # fmt: skip


def test_a_number_of_another_appliance_is_asked_about_before_it_is_stored(
    bench: Bench, sign_in: Any
) -> None:
    add_model_number(
        workshop=bench.workshop, make=bench.makes["Velthane"], number="D9-70 R1 W",
        appliance="tumble-dryer",
    )  # fmt: skip
    client = sign_in(bench, "technician")
    data = {
        "appliance": "microwave", "make": "Velthane", "model_number": "D9-70 R1 W",
        "opened_on": "2026-11-20", "symptom": "does not heat",
    }  # fmt: skip
    asked = client.post(reverse("job-new"), data)
    assert asked.status_code == 400
    assert "is on record as a tumble dryer" in text_of(asked)
    assert not Job.of(bench.workshop).exists()
    client.post(reverse("job-new"), {**data, "confirm_mismatch": "on"})
    assert Job.of(bench.workshop).get().appliance_id == "microwave"


def test_a_part_such_a_machine_has_not_is_asked_about(bench: Bench, sign_in: Any) -> None:
    client, job = sign_in(bench, "technician"), bench.job()
    address = reverse("job-need-new", args=[job.ref])
    asked = client.post(address, {"kind": "magnetron"})
    assert asked.status_code == 400
    assert "has no magnetron" in text_of(asked)
    client.post(address, {"kind": "magnetron", "confirm_mismatch": "on", "max_price": "449,90"})
    need = Need.of(bench.workshop).get(kind="magnetron")
    assert need.max_price_cents == 44990
    answer = filled(client, "need-correct", need.pk, kind="heater", max_price="1,234")
    assert "may be read in two ways" in text_of(answer)
    filled(client, "need-correct", need.pk, kind="heater", max_price="20,5")
    need.refresh_from_db()
    assert (need.kind_id, need.max_price_cents) == ("heater", 2050)
    client.post(reverse("need-withdraw", args=[need.pk]), {"why": "was the board"})
    need.refresh_from_db()
    assert (need.state, need.mistaken) == ("withdrawn", True)


def test_a_job_closed_by_a_slip_is_opened_again_in_one_press(bench: Bench, sign_in: Any) -> None:
    client, job = sign_in(bench, "technician"), bench.job()
    answer = client.post(reverse("job-refuse", args=[job.ref]), follow=True)
    said = text_of(answer)
    assert "Open it again below" in said
    assert f"Open {job.ref} again" in said
    answer = client.post(reverse("job-reopen", args=[job.ref]), follow=True)
    assert "is open again" in text_of(answer)
    assert Need.of(bench.workshop).get().state == "open"


def fitted(bench: Bench, client: Any) -> Outcome:
    part, need = bench.part(bench.donor()), bench.need()
    bench.drain()
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    data = {"result": "worked", "fitted_on": "1990-01-01"}
    refused = client.post(reverse("hold-fitted", args=[hold.pk]), data)
    assert refused.status_code == 400
    assert "cannot have been fitted on 1990-01-01" in text_of(refused)
    client.post(reverse("hold-fitted", args=[hold.pk]), {**data, "fitted_on": str(TODAY)})
    return Outcome.of(bench.workshop).get()


def test_a_report_is_taken_back_from_the_job(bench: Bench, sign_in: Any) -> None:
    client = sign_in(bench, "technician")
    outcome = fitted(bench, client)
    assert outcome.need is not None
    assert "Take it back" in page(client, "job", outcome.need.job.ref)
    assert "within 14 days" in page(client, "outcome-back", outcome.pk)
    client.post(reverse("outcome-back", args=[outcome.pk]), {"why": "wrong job"})
    assert not Outcome.of(bench.workshop).exists()
    assert Job.of(bench.workshop).get().state == "open"


def test_after_a_later_failure_the_job_offers_to_open_again(bench: Bench, sign_in: Any) -> None:
    client = sign_in(bench, "technician")
    outcome = fitted(bench, client)
    address = reverse("outcome-failed", args=[outcome.pk])
    said = text_of(client.post(address, {"failed_on": str(TODAY)}, follow=True))
    assert "A part fitted here failed later" in said
    assert outcome.part is not None
    shown = page(client, "part", outcome.part.ref)
    assert "scrapped" in shown
    assert "Found bad" in shown


def test_why_a_job_went_first_is_shown_on_both_jobs_and_the_part(
    bench: Bench, sign_in: Any
) -> None:
    client = sign_in(bench, "technician")
    part = bench.part(bench.donor())
    first, other = bench.need("W7-60 R1 S"), bench.need()
    bench.drain()
    Proposal.of(bench.workshop).delete()
    bench.proposal(part, other)
    note = {"part_ref": part.ref, "note": "a freezer full of food"}
    client.post(reverse("hold-new", args=[first.pk]), note)
    for name, ref in (("job", first.job.ref), ("job", other.job.ref), ("part", part.ref)):
        assert "a freezer full of food" in page(client, name, ref)
    assert f"goes before {other.job.ref}" in page(client, "job", first.job.ref)


def test_a_part_of_ones_own_choice_is_not_said_to_have_gone_to_another(
    bench: Bench, sign_in: Any
) -> None:
    client = sign_in(bench, "technician")
    proposed, chosen = bench.part(bench.donor()), bench.part(bench.donor())
    need, other = bench.need(), bench.need("W7-60 R1 S")
    bench.drain()
    Proposal.of(bench.workshop).delete()
    bench.proposal(proposed, need)
    client.post(reverse("hold-new", args=[need.pk]), {"part_ref": chosen.ref})
    assert Proposal.of(bench.workshop).get().state == Proposal.State.WITHDRAWN
    assert "which was proposed to this job, to another" not in page(client, "job", need.job.ref)
    client.post(reverse("hold-new", args=[other.pk]), {"part_ref": proposed.ref})
    assert "which was proposed to this job, to another" not in page(client, "job", need.job.ref)


def test_correcting_something_else_leaves_a_job_with_who_is_gone(
    bench: Bench, sign_in: Any
) -> None:
    job = bench.job(technician=bench.technician)
    Member.of(bench.workshop).filter(pk=bench.technician.pk).update(active=False)
    client = sign_in(bench, "reviewer")
    form = client.get(reverse("job-correct", args=[job.ref])).context["form"]
    assert bench.technician in form.fields["technician"].queryset
    filled(client, "job-correct", job.ref, own_number="T 1")
    job.refresh_from_db()
    assert (job.own_number, job.technician_id) == ("T 1", bench.technician.pk)
    filled(client, "job-correct", job.ref, technician="")
    job.refresh_from_db()
    assert job.technician is None
    form = client.get(reverse("job-correct", args=[job.ref])).context["form"]
    assert bench.technician not in form.fields["technician"].queryset


def test_an_emptied_end_of_the_wait_is_refused_not_passed_over(bench: Bench, sign_in: Any) -> None:
    client, job = sign_in(bench, "technician"), bench.job()
    answer = filled(client, "job-correct", job.ref, wait_until="", symptom="hums")
    assert f"Give a day; it is {job.wait_until} on record." in text_of(answer)
    job.refresh_from_db()
    assert job.symptom != "hums"


def test_a_need_sent_as_it_stands_is_not_said_to_be_searched(bench: Bench, sign_in: Any) -> None:
    client, need = sign_in(bench, "technician"), bench.need()
    bench.drain()
    assert "Nothing about it was changed." in text_of(filled(client, "need-correct", need.pk))
    need.refresh_from_db()
    assert need.searched_at is not None


def test_jobs_are_found_by_what_stands_on_them(bench: Bench, sign_in: Any) -> None:
    client = sign_in(bench, "technician")
    mine = bench.job(technician=bench.technician, symptom="does not drain", own_number="T 4711")
    other = bench.job("K3-60 R1 W", symptom="hums loudly")
    Job.of(bench.workshop).filter(pk=other.pk).update(state="done")
    jobs = reverse("jobs")

    def found(**asked: str) -> set[str]:
        answer = client.get(jobs, asked)
        return {job.ref for job in answer.context["page"]}

    assert found() == {mine.ref}
    assert found(state="") == {mine.ref, other.ref}
    assert found(text="k3 60r1") == {other.ref}
    assert found(text="hums loudly") == {other.ref}
    assert found(text="velthane drain") == {mine.ref}
    assert found(text="471") == {mine.ref}
    assert found(whose="mine") == {mine.ref}
    assert found(whose="nobody") == set()
    assert found(state="waiting") == {mine.ref}
    assert found(appliance="dishwasher") == set()
    assert "1 in any state" in text_of(client.get(jobs, {"text": "hums", "state": "open"}))
    for text in (mine.ref, mine.ref.lower(), "T 4711"):
        for address in (reverse("scan"), jobs):
            answer = client.get(address, {"code" if address != jobs else "text": text})
            assert answer.status_code == 302
            assert answer.url == reverse("job", args=[mine.ref])


def test_a_wait_not_said_is_shown_as_a_day_and_can_be_made_shorter(
    bench: Bench, sign_in: Any
) -> None:
    client, job = sign_in(bench, "technician"), bench.job(opened_on=TODAY)
    Job.of(bench.workshop).update(wait_until=None)
    assert "2026-12-20, the usual wait" in page(client, "job", job.ref)
    near = str(timezone.localdate() + timedelta(days=2))
    client.post(reverse("job-wait", args=[job.ref]), {"wait_until": near})
    job.refresh_from_db()
    assert str(job.wait_until) == near


def test_a_donor_is_corrected_on_its_page(bench: Bench, sign_in: Any) -> None:
    client, donor = sign_in(bench, "cataloguer"), bench.donor("K3-60 R1 W")
    answer = filled(client, "donor-correct", donor.ref, model_number="W7-60 R1 W", note="wet")
    assert "is corrected" in text_of(answer)
    donor.refresh_from_db()
    assert (donor.model_number, donor.note) == ("W7-60 R1 W", "wet")


def test_a_job_nobody_has_is_taken_in_one_press(bench: Bench, sign_in: Any) -> None:
    client, job = sign_in(bench, "technician"), bench.job()
    assert "Take it" in page(client, "job", job.ref)
    client.post(reverse("job-take", args=[job.ref]))
    job.refresh_from_db()
    assert job.technician == bench.technician


def test_the_page_takes_the_same_queries_however_much_was_changed(
    bench: Bench, sign_in: Any
) -> None:
    client, job = sign_in(bench, "technician"), bench.job()

    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            page(client, "job", job.ref)
        return len(seen)

    filled(client, "job-correct", job.ref, own_number="T 0")
    page(client, "job", job.ref)  # its message is shown once
    before = queries()
    for n in range(1, 4):
        filled(client, "job-correct", job.ref, own_number=f"T {n}")
    page(client, "job", job.ref)
    assert queries() == before
