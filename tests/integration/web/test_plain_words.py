"""Forms refuse in our own words, and pages say what a technician must not miss."""

from datetime import timedelta

import pytest
from django import forms
from django.test import Client
from django.urls import reverse

from matching import fittings, holds
from matching.models import Job, JobEstimate, Outcome
from tests.factories import NOW, TODAY, Bench
from workshop.web.forms import FilterForm, PlainForm

pytestmark = pytest.mark.django_db

# Beginnings of what Django says of a field.
FRAMEWORK = ("This field", "Enter a", "Select a valid", "Ensure this", "Null characters", "No file")


LOUD = '<div class="note note-refused" role="alert"><p><strong>Corrosion that bears'


class _Every(PlainForm):
    text = forms.CharField(max_length=3)
    own = forms.CharField(error_messages={"required": "Say why."})
    whole = forms.IntegerField(min_value=1, max_value=5)
    number = forms.FloatField()
    day = forms.DateField()
    mail = forms.EmailField()
    one = forms.ChoiceField(choices=[("a", "a")])
    several = forms.MultipleChoiceField(choices=[("a", "a")])
    file = forms.FileField()


class _Filter(FilterForm):
    one = forms.ChoiceField(choices=[("a", "a")])


BAD = {
    "text": "abcd",
    "own": "\x00",
    "whole": "7",
    "number": "x",
    "day": "soon",
    "mail": "x",
    "one": "b",
    "several": ["b"],
}


@pytest.mark.parametrize("typed", [{}, BAD, {"whole": "0"}, {"whole": "many"}])
def test_no_form_speaks_as_the_framework_does(typed) -> None:
    for form in (_Every(typed, {}), _Filter(typed)):
        said = [str(one) for errors in form.errors.values() for one in errors]
        assert said
        assert not [one for one in said if one.startswith(FRAMEWORK)]


def test_what_a_form_says_itself_stays() -> None:
    form = _Every({})
    assert form.errors["own"] == ["Say why."]
    assert form.errors["one"] == ["Choose one."]
    assert _Every(BAD).errors["text"] == ["At most 3 characters; this has 4."]


def test_a_machine_of_no_kind_is_asked_for(technician: Client) -> None:
    page = technician.post(
        reverse("donor-new"),
        {"make": "Velthane", "model_number": "ZZ 99", "received_on": TODAY.isoformat()},
    )
    assert page.status_code == 400
    assert "Choose the kind of machine; the model number does not tell it." in page.content.decode()


def test_a_search_names_the_jobs_in_other_states(bench: Bench, technician: Client) -> None:
    bench.job(symptom="does not drain")
    closed = bench.job(symptom="does not drain")
    bench.refuse(closed.ref)
    page = technician.get(reverse("jobs"), {"text": "drain", "state": "open"}).content.decode()
    assert "1 more in other states." in page
    assert closed.ref not in page
    every = technician.get(reverse("jobs"), {"text": "drain", "state": ""}).content.decode()
    assert closed.ref in every
    assert "more in other states" not in every
    assert "more in other states" not in technician.get(reverse("jobs")).content.decode()


def test_a_symptom_stands_in_a_whole_sentence(bench: Bench, technician: Client) -> None:
    job = bench.job(symptom="dead, no lights")
    page = technician.get(reverse("job", args=[job.ref])).content.decode()
    assert "What it shows: <strong>dead, no lights</strong>. Suspected:" in page


def test_corrosion_is_loud_on_triage_and_job(bench: Bench, technician: Client) -> None:
    job = bench.job()
    for name in ("job", "job-triage"):
        assert LOUD not in technician.get(reverse(name, args=[job.ref])).content.decode()
    JobEstimate.objects.create(workshop=bench.workshop, job=job, safety_corrosion=True)
    for name in ("job", "job-triage"):
        page = technician.get(reverse(name, args=[job.ref])).content.decode()
        assert LOUD in page


@pytest.mark.parametrize("state", [Job.State.DONE, Job.State.REFUSED, Job.State.BROKEN])
def test_corrosion_stays_loud_when_the_job_is_closed(
    bench: Bench, technician: Client, state: str
) -> None:
    job = bench.job()
    JobEstimate.objects.create(workshop=bench.workshop, job=job, safety_corrosion=True)
    Job.of(bench.workshop).filter(pk=job.pk).update(state=state)
    for name in ("job", "job-triage"):
        page = technician.get(reverse(name, args=[job.ref])).content.decode()
        assert LOUD in page
        assert "competent person" in page


def test_a_done_job_says_that_its_safety_check_is_owed(bench: Bench, technician: Client) -> None:
    need = bench.need(kind="detergent-drawer")
    part = bench.part(bench.donor(), "detergent-drawer")
    who = {"workshop": bench.workshop, "now": NOW}
    hold = holds.hold_part(part_ref=part.ref, need_id=need.pk, member=bench.technician, **who)
    report = fittings.Report(Outcome.Result.WORKED, TODAY)
    fittings.report_fitting(hold_id=hold.pk, report=report, **who)
    assert Job.of(bench.workshop).get(pk=need.job_id).state == Job.State.DONE
    page = technician.get(reverse("job", args=[need.job.ref])).content.decode()
    assert "Done, but its electrical safety check is not complete." in page
    assert "somebody trained in testing electrical safety" in page


def test_the_code_form_offers_checks_by_what_they_do(bench: Bench, reviewer: Client) -> None:
    bare = reviewer.get(reverse("fault-code-new")).content.decode()
    assert 'name="checks"' not in bare
    assert '<a href="?appliance=dishwasher">Dishwasher</a>' in bare
    page = reviewer.get(reverse("fault-code-new") + "?appliance=dishwasher").content.decode()
    ticks = [one for one in page.split("<input") if 'name="checks"' in one]
    assert len(ticks) > 10
    assert all('type="checkbox"' in one and 'value="dishwasher:' in one for one in ticks)
    stated = {
        "make": "Velthane",
        "appliance": "washing-machine",
        "code": "E9",
        "suspects": "heater=1",
        "checks": ["washing-machine:heater-ohm"],
        "standing": "own",
    }
    answer = reviewer.post(reverse("fault-code-new"), stated, follow=True)
    assert "E9 is stored" in answer.content.decode()
    bad = reviewer.post(reverse("fault-code-new"), {**stated, "checks": ["washing-machine:sing"]})
    assert "none of the choices" in bad.content.decode()


def test_what_a_bench_form_needs_is_marked(bench: Bench, technician: Client) -> None:
    part = bench.part(bench.donor(received_on=TODAY - timedelta(days=1)), "ntc-sensor")
    page = technician.get(reverse("part-test", args=[part.ref])).content.decode()
    assert "needed for a verdict" in page
