"""The page of a triage, what a workshop reckons with, and a job's wait and keeping on its page."""

from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from donors.models import Donor
from matching import holds
from matching.models import (
    Job,
    JobEstimate,
    KeepPermission,
    Match,
    NewPartQuote,
    OwnRule,
    TriageFigures,
)
from matching.services import NeedFacts
from tests.factories import NOW, Bench
from tests.integration.web.reading import text_of

pytestmark = pytest.mark.django_db

SIGNED = {"may_keep": "yes", "said_by": "owner", "how": "signed"}


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(technician=bench.technician, opened_on=timezone.localdate())


def to(name: str, *args: object) -> str:
    return reverse(name, args=args)


def test_the_page_says_best_next_and_what_would_change_it(job: Job, technician: Client) -> None:
    answer = technician.get(to("job-triage", job.ref))
    text = text_of(answer)
    found = answer.context["triage"]
    assert found.headline in text
    assert all(one.sentence[1:] in text for one in found.decision.thresholds)
    assert "Rules of thumb" in text
    assert "twice a used one, guide" in text
    assert "The curve as a table" in text
    assert answer.content.decode().count("<polyline") == 1


def test_jobs_its_parts_would_complete_until_something_else_serves_them(
    bench: Bench, job: Job, technician: Client
) -> None:
    page = to("job-triage", job.ref)
    nobody = "nothing else of ours serves, and that pays more than the shelf"
    assert nobody in text_of(technician.get(page))
    pump = bench.job(needs=[NeedFacts(kind="drain-pump", max_price_cents=3_000)])
    text = text_of(technician.get(page))
    assert "the chance that they do and nothing else of ours would: " + pump.ref in text
    assert nobody not in text
    # A pump held for it, whatever it is worth: breaking this machine adds next to nothing.
    part = bench.part(bench.donor(), "drain-pump")
    bench.drain()
    holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=pump.needs.get().pk,
        member=bench.technician,
        now=NOW,
    )
    Match.of(bench.workshop).filter(part=part).update(worth=0.999)
    text = text_of(technician.get(page))
    assert nobody in text
    assert "known to want" not in text


def test_what_is_typed_changes_the_answer_and_is_shown_as_of_this_job(
    job: Job, technician: Client
) -> None:
    need = job.needs.get()
    typed = {
        "new_machine": "320.00",
        "labour_minutes": "20",
        f"price_{need.pk}": "19.90",
        f"days_{need.pk}": "2",
    }
    answer = technician.post(to("job-triage", job.ref), typed, follow=True)
    assert "Weighed anew" in text_of(answer)
    assert answer.context["triage"].weighed.situation.new.price == 19.9
    assert JobEstimate.objects.unscoped().get().new_machine_cents == 32_000
    assert NewPartQuote.objects.unscoped().get().days == 2
    rows = {one.name: one for one in answer.context["triage"].weighed.assumptions}
    assert rows["price of an equal new machine"].source == "this job"


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("new_machine", "-3"),
        ("new_machine", "0"),
        ("age_years", "nan"),
        ("labour_minutes", "9999"),
        ("patience_days", "-1"),
        ("major_part", "perhaps"),
    ],
)
def test_bad_input_is_shown_beside_its_field(job, technician: Client, name, value) -> None:
    answer = technician.post(to("job-triage", job.ref), {name: value})
    assert answer.status_code == 400
    assert answer.context["form"].errors[name]
    assert not JobEstimate.objects.unscoped().exists()


def test_a_closed_job_says_there_is_nothing_to_weigh(job: Job, technician: Client) -> None:
    Job.objects.unscoped().update(state="done")
    assert "nothing to weigh" in text_of(technician.get(to("job-triage", job.ref)))


def test_the_owner_sets_figures_days_and_rules(bench: Bench, sign_in) -> None:
    owner = sign_in(bench, "owner")
    days = {"first_review_days": "10", "second_review_days": "20", "wait_days": "45"}
    typed = {"labour_per_hour_cents": "61.50", "new_dishwasher": "444", **days}
    assert owner.post(to("triage-settings"), typed).status_code == 302
    row = TriageFigures.objects.unscoped().get()
    assert (row.labour_per_hour_cents, row.floor_per_week_cents) == (6150, None)
    bench.workshop.refresh_from_db()
    assert (bench.workshop.first_review_days, bench.workshop.wait_days) == (10, 45)
    wrong = owner.post(to("triage-settings"), {**typed, "second_review_days": "5"})
    assert wrong.status_code == 400
    assert wrong.context["form"].errors["second_review_days"]
    assert (
        owner.post(
            to("triage-rule", "share-old"), {"figure": "0.3", "advises": "repair", "shown": "on"}
        ).status_code
        == 302
    )
    assert OwnRule.objects.unscoped().get().figure == 0.3
    assert "Changed here" in text_of(owner.get(to("triage-settings")))
    bad = owner.post(to("triage-rule", "share-old"), {"figure": "-1", "advises": "repair"})
    assert bad.status_code == 400
    owner.post(to("triage-rule", "share-old"), {"reset": "1"})
    assert not OwnRule.objects.unscoped().exists()


def test_refusing_asks_at_once_and_keeping_is_one_step(job: Job, technician: Client) -> None:
    page = text_of(technician.get(to("job", job.ref)))
    assert "May the machine be kept as a donor?" in page
    refused = technician.post(to("job-refuse", job.ref), SIGNED, follow=True)
    assert "May be kept as a donor" in text_of(refused)
    kept = technician.post(to("job-keep", job.ref), {"cause": "board-fault"}, follow=True)
    donor = Donor.objects.unscoped().get()
    assert kept.redirect_chain[-1][0] == to("donor", donor.ref)
    assert job.ref in text_of(kept)
    assert donor.ref in text_of(technician.get(to("job", job.ref)))
    again = technician.post(to("job-keep", job.ref), {})
    assert again.status_code == 409
    assert "already" in text_of(again)


def test_without_an_answer_it_says_why_it_cannot_be_kept(job: Job, technician: Client) -> None:
    refused = technician.post(to("job-refuse", job.ref), {}, follow=True)
    assert "the owner was not asked yet" in text_of(refused)
    assert technician.post(to("job-keep", job.ref), {}).status_code == 409
    by_phone = {**SIGNED, "how": "phone"}
    noted = technician.post(to("job-permission", job.ref), by_phone, follow=True)
    assert "Nothing in writing" in text_of(noted)
    assert KeepPermission.objects.unscoped().get().may_keep


def test_half_an_answer_is_refused_beside_its_fields(job: Job, technician: Client) -> None:
    answer = technician.post(to("job-refuse", job.ref), {"may_keep": "yes"})
    assert answer.status_code == 400
    assert set(answer.context["answer_form"].errors) == {"__all__", "said_by", "how"}
    job.refresh_from_db()
    assert job.state == "open"


def test_the_job_page_states_the_odds_and_lets_it_wait_longer(
    bench: Bench, job: Job, technician: Client
) -> None:
    bench.donor(received_on=timezone.localdate() - timedelta(days=90))
    page = text_of(technician.get(to("job", job.ref)))
    assert "A donor comes in within 30 days with a chance of" in page
    until = timezone.localdate() + timedelta(days=60)
    answer = technician.post(to("job-wait", job.ref), {"wait_until": until}, follow=True)
    assert f"waits until {until}" in text_of(answer)
    wrong = technician.post(to("job-wait", job.ref), {"wait_until": until})
    assert wrong.status_code == 400
    assert "already" in text_of(wrong)


def test_waits_that_are_over_stand_in_the_lists(bench: Bench, technician: Client) -> None:
    today = timezone.localdate()
    over = bench.job(opened_on=today - timedelta(days=31))
    bench.job(opened_on=today - timedelta(days=30))
    rows = technician.get(to("jobs") + "?wait=over").context["page"]
    assert [one.ref for one in rows] == [over.ref]
    assert technician.get(to("home")).context["waits_over"] == 1
    assert "decide" in text_of(technician.get(to("job", over.ref)))


def test_a_rule_stored_before_it_was_checked_is_named(bench: Bench, sign_in) -> None:
    OwnRule.objects.create(
        workshop=bench.workshop, slug="share-old", figure=0.4, advises="break", shown=True
    )
    page = sign_in(bench, "owner").get(reverse("triage-settings")).content.decode()
    assert "What was stored here, break with the figure 0.4, does not count" in page
