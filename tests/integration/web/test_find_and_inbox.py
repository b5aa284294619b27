"""The search for a part, the inbox, the first page and the catalogue."""

import uuid
from datetime import timedelta

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from donors.models import Make, ModelNumber
from matching.models import Alert
from tests.factories import NOW, Bench
from tests.integration.web.reading import has_field_message, text_of

pytestmark = pytest.mark.django_db


@pytest.fixture
def told(bench: Bench) -> list[Alert]:
    """Return two alerts of the technician: two machines that may serve one job."""
    bench.job("W7-60 R1 W", technician=bench.technician)
    bench.drain()
    for _ in range(2):
        bench.donor("W7-60 R1 W")
    bench.drain()
    alerts = list(Alert.of(bench.workshop).filter(recipient=bench.technician))
    assert len(alerts) == 2
    return alerts


def test_words_and_a_number_find_ranked_parts_with_reasons(
    bench: Bench, technician: Client
) -> None:
    donor = bench.donor("W7-60 R1 W")
    bench.donor("K3-60 R1 W")
    answer = technician.get(reverse("find"), {"text": "control board W7-60 R1 W"})
    page = text_of(answer)
    assert "Settled: Velthane W7-60 R1 W" in page
    assert answer.context["rows"][0].part.donor.ref == donor.ref
    assert {row.part.kind_id for row in answer.context["rows"]} == {"control-board"}
    assert "the rows add up to the score" in page


def test_a_proposed_part_is_not_called_free(bench: Bench, technician: Client) -> None:
    part, need = bench.part(bench.donor()), bench.need()
    asked = {"text": "control board W7-60 R1 W"}
    assert "free" in text_of(technician.get(reverse("find"), asked))
    bench.proposal(part, need, expires_at=NOW + timedelta(days=2))
    page = text_of(technician.get(reverse("find"), asked))
    until = timezone.localtime(NOW + timedelta(days=2))
    assert f"Proposed to {need.job.ref} until {until:%Y-%m-%d %H:%M}" in page
    assert "free" not in page


def test_nothing_found_leads_to_a_job_with_the_fields_filled_in(
    bench: Bench, technician: Client
) -> None:
    asked = {"text": "W7-60 R1 W", "make": "Velthane", "kind": "drain-pump"}
    page = technician.get(reverse("find"), asked)
    assert "Nothing in stock fits" in text_of(page)
    link = f"{reverse('job-new')}?{page.context['job_query']}"
    form = technician.get(link).context["form"]
    assert form["model_number"].value() == "W7-60 R1 W"
    assert form["make"].value() == "Velthane"
    assert form.needs[0]["kind"].value() == "drain-pump"
    assert not form.needs[1]["kind"].value()


@pytest.mark.parametrize(
    ("asked", "field", "words"),
    [
        ({"make": "Velthane"}, "id_text", "Give a model number"),
        ({"text": "---"}, "id_text", "Give a model number"),
        ({"text": "W7", "make": "Velthan"}, "id_make", "Did you mean Velthane?"),
        (
            {"text": "W7", "built_from": "2020-02-02", "built_to": "2020-02-01"},
            "id_built_to",
            "lies before",
        ),
        ({"text": "W7", "built_from": "2020"}, "id_built_from", "is no date"),
        ({"text": "W7", "kind": "flux-part"}, "id_kind", "none of the choices"),
    ],
)
def test_a_search_that_says_nothing_usable_is_shown_again(
    bench: Bench, technician: Client, asked: dict[str, str], field: str, words: str
) -> None:
    answer = technician.get(reverse("find"), asked)
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)


def test_the_first_page_shows_unread_alerts_and_figures(
    told: list[Alert], technician: Client
) -> None:
    page = technician.get(reverse("home"))
    words = text_of(page)
    assert told[0].summary in words
    assert "Inbox 2 unread" in words
    assert page.context["figures"]["donors"] == 2
    for route in ("donor-new", "job-new", "find"):
        assert reverse(route) in page.content.decode()


def test_marking_one_read_and_then_all(told: list[Alert], technician: Client) -> None:
    technician.post(reverse("alert-read", args=[told[0].pk]))
    assert "Inbox 1 unread" in text_of(technician.get(reverse("alerts")))
    unread = technician.get(reverse("alerts"), {"show": "unread"})
    assert [group.alone.pk for group in unread.context["groups"]] == [told[1].pk]
    ids = ",".join(str(one) for one in unread.context["unread_ids"])
    technician.post(reverse("alerts-read-all"), {"ids": ids})
    words = text_of(technician.get(reverse("alerts")))
    assert "Inbox Find" in words
    assert "unread, told" not in words


def test_an_alert_that_came_in_after_the_page_stays_unread(
    told: list[Alert], technician: Client
) -> None:
    technician.post(reverse("alerts-read-all"), {"ids": str(told[0].pk)})
    told[1].refresh_from_db()
    assert told[1].read_at is None


def test_a_stranger_alert_is_not_found_and_junk_is_refused(
    told: list[Alert], cataloguer: Client, technician: Client
) -> None:
    for pk in (told[0].pk, uuid.uuid4()):
        assert cataloguer.post(reverse("alert-read", args=[pk])).status_code == 404
    assert technician.post(reverse("alerts-read-all"), {"ids": "x"}).status_code == 400
    assert not Alert.of(told[0].workshop_id).filter(read_at__isnull=False).exists()


def test_marking_read_leads_back_only_to_our_own_pages(
    told: list[Alert], technician: Client
) -> None:
    read = reverse("alert-read", args=[told[0].pk])
    assert technician.post(read, {"next": "/"}).url == "/"
    for elsewhere in ("https://elsewhere.invalid/", "//elsewhere.invalid/", ""):
        assert technician.post(read, {"next": elsewhere}).url == reverse("alerts")


def test_a_reviewer_adds_a_make_and_a_model_number(bench: Bench, reviewer: Client) -> None:
    reviewer.post(reverse("make-new"), {"name": "Quillmar", "aliases": "Quill|Quilmar"})
    make = Make.of(bench.workshop).get(name="Quillmar")
    assert make.aliases == ["Quill", "Quilmar"]
    typed = {"make": make.pk, "number": "DPW 3340-*", "appliance": "dishwasher", "family": "DPW"}
    answer = reviewer.post(reverse("model-new"), typed, follow=True)
    assert "Quillmar DPW 3340-* was added" in text_of(answer)
    found = reviewer.get(reverse("models"), {"text": "dpw3340"})
    assert [model.number for model in found.context["page"]] == ["DPW 3340-*"]


@pytest.mark.parametrize(
    ("route", "typed", "status", "field", "words"),
    [
        ("make-new", {"name": "--"}, 400, "id_name", "No letters"),
        ("make-new", {"name": "velthane"}, 409, "id_name", "Already known"),
        ("make-new", {"name": "Ostrelle", "pattern": "(?P<family>["}, 400, "id_pattern", ""),
        ("model-new", {"number": "***"}, 400, "id_number", "fewer than two"),
        ("model-new", {"number": "W7-60 R1 W"}, 409, "id_number", "Already known"),
        ("model-new", {"number": "X1", "make": "0"}, 400, "id_make", "none of the choices"),
    ],
)
def test_what_the_catalogue_cannot_take_is_shown_again(
    bench: Bench,
    reviewer: Client,
    route: str,
    typed: dict[str, str],
    status: int,
    field: str,
    words: str,
) -> None:
    if route == "model-new":
        typed = {"make": str(bench.makes["Velthane"].pk), **typed}
    before = (Make.of(bench.workshop).count(), ModelNumber.of(bench.workshop).count())
    answer = reviewer.post(reverse(route), typed)
    assert answer.status_code == status
    assert has_field_message(answer, field, words), text_of(answer)
    assert before == (Make.of(bench.workshop).count(), ModelNumber.of(bench.workshop).count())


def test_the_workshop_chosen_is_kept_and_a_strange_one_is_not_found(
    bench: Bench, other_bench: Bench, technician: Client
) -> None:
    member = bench.technician
    other_bench.members["owner"].__class__.objects.create(
        workshop=other_bench.workshop, user=member.user, role="cataloguer"
    )
    assert "Other workshop" in text_of(technician.get(reverse("home")))
    technician.post(reverse("choose-workshop"), {"workshop": other_bench.workshop.slug})
    assert "Today in Gannet Repairs" in text_of(technician.get(reverse("home")))
    strange = technician.post(reverse("choose-workshop"), {"workshop": "elsewhere"})
    assert strange.status_code == 404


def test_signing_in_and_out(bench: Bench, client: Client) -> None:
    from tests.factories import PASSWORD

    wrong = client.post(reverse("sign-in"), {"username": "millrace-owner", "password": "no"})
    assert b'role="alert"' in wrong.content
    right = {"username": "millrace-owner", "password": PASSWORD}
    answer = client.post(reverse("sign-in"), right, follow=True)
    assert "Today in Millrace Repairs" in text_of(answer)
    assert client.get(reverse("sign-out")).status_code == 405
    client.post(reverse("sign-out"))
    assert client.get(reverse("home")).status_code == 302


def test_dates_shown_are_of_this_moment(bench: Bench, technician: Client) -> None:
    form = technician.get(reverse("job-new")).context["form"]
    assert form["opened_on"].value() == timezone.localdate()
