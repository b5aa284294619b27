"""The page of a workshop's own figures: set by the owner, by page and API, told in words."""

import pytest
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from matching import holds
from tests.factories import NOW, Bench
from tests.integration.web.reading import has_field_message, text_of

pytestmark = pytest.mark.django_db

GIVEN = {"hold_days": "3", "proposal_hours": "24", "alert_from_percent": "70"}


def test_the_owner_sets_them_and_a_hold_ends_so(bench: Bench, sign_in) -> None:
    owner: Client = sign_in(bench, "owner")
    page = reverse("own-figures")
    assert "Common practice: 3 to 7" in text_of(owner.get(page))
    assert "are stored" in text_of(owner.post(page, GIVEN, follow=True))
    bench.workshop.refresh_from_db()
    shop = bench.workshop
    assert (shop.hold_days, shop.proposal_hours, shop.alert_from_p_fit) == (3, 24, 0.7)
    part, need = bench.part(bench.donor()), bench.need()
    hold = holds.hold_part(
        workshop=shop, part_ref=part.ref, need_id=need.pk, member=bench.technician, now=NOW
    )
    assert (hold.expires_at - hold.held_at).days == 3
    links = owner.get(page).content.decode()
    assert f"A minute costs 0.60 {shop.currency}" in text_of(owner.get(page))
    for route in ("triage-settings", "warranty", "listing-terms", "fault-checks"):
        assert reverse(route) in links


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        ("hold_days", "0"),
        ("hold_days", "91"),
        ("hold_days", "3.5"),
        ("proposal_hours", "721"),
        ("proposal_hours", ""),
        ("alert_from_percent", "101"),
        ("alert_from_percent", "-1"),
    ],
)
def test_what_cannot_be_is_refused_beside_its_field(
    bench: Bench, sign_in, name: str, bad: str
) -> None:
    answer = sign_in(bench, "owner").post(reverse("own-figures"), {**GIVEN, name: bad})
    assert answer.status_code == 400
    assert has_field_message(answer, f"id_{name}", "")
    bench.workshop.refresh_from_db()
    assert bench.workshop.hold_days == 5


def test_a_finer_chance_stays_while_another_figure_is_set(bench: Bench, sign_in) -> None:
    shop, owner = bench.workshop, sign_in(bench, "owner")
    type(shop).objects.filter(pk=shop.pk).update(alert_from_p_fit=0.655)
    typed = {**GIVEN, "alert_from_percent": "66"}  # as the page shows it
    owner.post(reverse("own-figures"), typed)
    shop.refresh_from_db()
    assert (shop.hold_days, shop.alert_from_p_fit) == (3, 0.655)
    owner.post(reverse("own-figures"), {**typed, "alert_from_percent": "67"})
    shop.refresh_from_db()
    assert shop.alert_from_p_fit == 0.67


def test_others_read_them_only(bench: Bench, sign_in) -> None:
    reviewer: Client = sign_in(bench, "reviewer")
    assert "owner" in text_of(reviewer.get(reverse("own-figures")))
    assert reviewer.post(reverse("own-figures"), GIVEN).status_code == 403


def test_by_the_api(bench: Bench) -> None:
    client, address = APIClient(), "/api/v1/workshop-figures/"
    client.force_login(bench.members["owner"].user)
    assert client.put(address, {"hold_days": 4}, format="json").data == {
        "hold_days": 4,
        "proposal_hours": 48,
        "alert_from_percent": 50,
    }
    assert client.put(address, {"hold_days": 0}, format="json").status_code == 400
    client.force_login(bench.technician.user)
    assert client.get(address).data["hold_days"] == 4
    assert client.put(address, {"hold_days": 9}, format="json").status_code == 403
