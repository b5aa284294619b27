"""Roles, leaving and coming, invitations, and the last owner."""

import io
import json
import logging
import unicodedata
from datetime import timedelta
from typing import Any

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from tests.factories import PASSWORD, Bench
from tests.integration.web.reading import text_of
from workshop.access import people
from workshop.errors import Conflict, NotFound
from workshop.log_lines import JsonLines
from workshop.models import Invitation, Member, Role, User

pytestmark = pytest.mark.django_db

NEW = {
    "username": "new-hand",
    "password": "a-quite-long-password",
    "again": "a-quite-long-password",
}


def join(token: str, client: Client | None = None, **body: str) -> Any:
    return (client or Client()).post(reverse("join", args=[token]), {**NEW, **body})


def owner_of(bench: Bench) -> Client:
    client = Client()
    client.force_login(bench.members["owner"].user)
    return client


def test_from_the_invitation_to_the_first_page(bench: Bench) -> None:
    page = owner_of(bench).post(reverse("people"), {"role": "reviewer", "note": "Ann", "days": 3})
    link = page.context["link"]
    assert link in page.content.decode()
    token = link.rstrip("/").rsplit("/", 1)[1]
    kept = Invitation.of(bench.workshop).get()
    assert token not in str(Invitation.of(bench.workshop).values().get())
    assert link not in owner_of(bench).get(reverse("people")).content.decode()
    client = Client()
    assert "as reviewer" in text_of(client.get(reverse("join", args=[token])))
    assert join(token, client).url == reverse("home")
    assert client.get(reverse("jobs")).status_code == 200
    member = Member.of(bench.workshop).get(user__username="new-hand")
    assert member.role == "reviewer"
    kept.refresh_from_db()
    assert kept.used_by == member


def test_an_invitation_s_link_is_on_the_site_s_own_address(bench: Bench) -> None:
    body = {"role": "reviewer", "note": "", "days": 3}
    page = owner_of(bench).post(reverse("people"), body)
    assert page.context["link"].startswith("https://bench.example/join/")


def test_an_owner_is_invited_with_the_password_only(bench: Bench) -> None:
    client = owner_of(bench)
    body = {"role": "owner", "note": "", "days": 3}
    for password in ("", "wrong"):
        refused = client.post(reverse("people"), {**body, "password": password})
        assert refused.status_code == 400
    assert not Invitation.of(bench.workshop).exists()
    made = client.post(reverse("people"), {**body, "password": PASSWORD})
    assert made.context["link"]
    assert Invitation.of(bench.workshop).get().role == "owner"


def test_somebody_is_made_an_owner_with_the_password_only(bench: Bench) -> None:
    client = owner_of(bench)
    address = reverse("people-role", args=[bench.technician.pk])
    asking = client.post(address, {"role": "owner"})
    assert asking.status_code == 200
    assert "Your password" in text_of(asking)
    assert client.post(address, {"role": "owner", "password": "wrong"}).status_code == 400
    bench.technician.refresh_from_db()
    assert bench.technician.role == "technician"
    assert client.post(address, {"role": "owner", "password": PASSWORD}).status_code == 302
    bench.technician.refresh_from_db()
    assert bench.technician.role == "owner"


def test_an_owner_shut_out_is_let_in_again_with_the_password_only(bench: Bench) -> None:
    second = bench.members["reviewer"]
    people.change(workshop=bench.workshop, member_id=second.pk, role="owner")
    people.change(workshop=bench.workshop, member_id=second.pk, active=False)
    client, address = owner_of(bench), reverse("people-active", args=[second.pk])
    assert client.post(address, {"active": "1"}).status_code == 200
    second.refresh_from_db()
    assert not second.active
    assert client.post(address, {"active": "1", "password": PASSWORD}).status_code == 302
    second.refresh_from_db()
    assert second.active


def test_a_token_makes_no_owner(bench: Bench) -> None:
    from rest_framework.test import APIClient

    second = bench.members["reviewer"]
    people.change(workshop=bench.workshop, member_id=second.pk, role="owner")
    people.change(workshop=bench.workshop, member_id=second.pk, active=False)
    client = APIClient()
    client.credentials(HTTP_AUTHORIZATION=f"Token {bench.api_token(role='owner')[1]}")
    for path, method, body in (
        ("/api/v1/invitations/", "post", {"role": "owner"}),
        (f"/api/v1/members/{bench.technician.pk}/", "patch", {"role": "owner"}),
        (f"/api/v1/members/{second.pk}/", "patch", {"active": True}),
    ):
        assert getattr(client, method)(path, body, format="json").status_code == 403, path
    owners = Member.of(bench.workshop).filter(role=Role.OWNER, active=True)
    assert owners.get() == bench.members["owner"]
    assert not Invitation.of(bench.workshop).exists()


def test_somebody_shut_out_is_not_let_in_by_a_link(bench: Bench) -> None:
    _, token = bench.invitation("owner")
    client = Client()
    client.force_login(bench.technician.user)
    people.change(workshop=bench.workshop, member_id=bench.technician.pk, active=False)
    refused = join(token, client)
    assert refused.status_code == 403
    assert "shut out" in text_of(refused)
    bench.technician.refresh_from_db()
    assert (bench.technician.role, bench.technician.active) == ("technician", False)
    assert join(token).status_code == 302  # the link was not used up


def test_an_owner_shut_out_while_somebody_joins_lets_nobody_in(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other's change is committed between the first look and the lock."""
    _, token = bench.invitation("owner")
    owner, lock = bench.members["owner"], people.lock

    def late(workshop: Any) -> Any:
        Member.of(workshop).filter(pk=owner.pk).update(active=False)
        return lock(workshop)

    monkeypatch.setattr(people, "lock", late)
    with pytest.raises(NotFound):
        people.join(token=token, who=people.NewName("x", NEW["password"]), now=timezone.now())
    assert not User.objects.filter(username="x").exists()


def test_a_name_is_stored_as_it_is_looked_up(bench: Bench) -> None:
    """NFKC, as Django's sign-in form does: "e" and an accent, or one letter, are one name."""
    name = unicodedata.normalize("NFD", "rené-new")
    assert name != "rené-new"
    client = Client()
    assert join(bench.invitation()[1], client, username=name).status_code == 302
    body = {"username": name, "password": NEW["password"]}
    assert Client().post(reverse("sign-in"), body).status_code == 302
    assert join(bench.invitation()[1], username="rené-new").status_code == 409


def test_a_name_that_looks_like_another_is_that_name(bench: Bench) -> None:
    wide_m = "\uff4d"
    assert join(bench.invitation()[1], username=f"{wide_m}illrace-owner").status_code == 409


def test_the_command_leaves_the_last_owner(bench: Bench) -> None:
    with pytest.raises(CommandError, match="last owner"):
        call_command("add_member", "millrace-owner", role="technician", stdout=io.StringIO())
    assert Member.of(bench.workshop).filter(role="owner", active=True).exists()


def test_changes_of_roles_stand_in_the_log(bench: Bench, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, logger="workshop.access"):
        owner_of(bench).post(
            reverse("people-role", args=[bench.technician.pk]), {"role": "reviewer"}
        )
        bench.api_token()
    changed, made = (one for one in caplog.records if one.name == "workshop.access")
    line = json.loads(JsonLines().format(changed))
    assert (line["member"], line["by"]) == (bench.technician.pk, bench.members["owner"].pk)
    assert (line["role"], line["active"]) == ("reviewer", True)
    assert json.loads(JsonLines().format(made))["scope"] == "all"


def test_a_link_works_once(bench: Bench) -> None:
    _, token = bench.invitation()
    assert join(token).status_code == 302
    again = join(token, username="second-hand")
    assert again.status_code == 404
    assert not User.objects.filter(username="second-hand").exists()


def test_every_link_that_does_not_work_says_the_same(bench: Bench) -> None:
    used, late, back = (bench.invitation() for _ in range(3))
    join(used[1])
    Invitation.of(bench.workshop).filter(pk=late[0].pk).update(
        made_at=timezone.now() - timedelta(days=9), expires_at=timezone.now() - timedelta(days=2)
    )
    people.withdraw(workshop=bench.workshop, invitation_id=back[0].pk)
    words = {
        text_of(Client().get(reverse("join", args=[token])))
        for token in (used[1], late[1], back[1], "never-made")
    }
    assert len(words) == 1


def test_an_owner_who_is_one_no_longer_lets_nobody_in(bench: Bench) -> None:
    _, token = bench.invitation("owner")
    owner = bench.members["owner"]
    people.change(workshop=bench.workshop, member_id=bench.technician.pk, role="owner")
    people.change(workshop=bench.workshop, member_id=owner.pk, role="cataloguer")
    assert join(token).status_code == 404


def test_somebody_who_signs_in_here_joins_a_second_workshop(
    bench: Bench, other_bench: Bench
) -> None:
    _, token = bench.invitation("cataloguer")
    client = Client()
    client.force_login(other_bench.technician.user)
    join(token, client)
    mine = Member.objects.unscoped().filter(user=other_bench.technician.user, active=True)
    assert {(one.workshop.slug, one.role) for one in mine} == {
        ("gannet", "technician"),
        ("millrace", "cataloguer"),
    }
    assert "Millrace" in text_of(client.get(reverse("people")))


def test_a_name_somebody_has_is_not_taken_over(bench: Bench) -> None:
    _, token = bench.invitation()
    answer = join(token, username="millrace-owner")
    assert answer.status_code == 409
    assert bench.members["owner"].user.check_password("a-long-test-password")
    assert join(token).status_code == 302  # the link was not used up


@pytest.mark.parametrize("body", [{"password": "short", "again": "short"}, {"username": "a b\n"}])
def test_what_cannot_be_is_refused_and_uses_nothing_up(bench: Bench, body: Any) -> None:
    _, token = bench.invitation()
    assert join(token, **body).status_code == 400
    assert join(token).status_code == 302


def test_a_member_does_not_use_an_invitation_up(bench: Bench) -> None:
    _, token = bench.invitation("owner")
    client = Client()
    client.force_login(bench.technician.user)
    assert join(token, client).status_code == 409
    bench.technician.refresh_from_db()
    assert bench.technician.role == "technician"
    assert people.find_invitation(token, now=timezone.now())


def test_the_last_owner_cannot_go(bench: Bench) -> None:
    owner = bench.members["owner"]
    for change in ({"role": "reviewer"}, {"active": False}, {"role": "owner", "active": False}):
        with pytest.raises(Conflict, match="last owner"):
            people.change(workshop=bench.workshop, member_id=owner.pk, **change)
    second = bench.members["reviewer"]
    people.change(workshop=bench.workshop, member_id=second.pk, role="owner")
    people.change(workshop=bench.workshop, member_id=owner.pk, active=False)
    with pytest.raises(Conflict):
        people.change(workshop=bench.workshop, member_id=second.pk, role="technician")
    # One who is shut out counts for none.
    assert Member.of(bench.workshop).filter(role=Role.OWNER, active=True).count() == 1


def test_somebody_shut_out_comes_in_again(bench: Bench) -> None:
    client = owner_of(bench)
    address = reverse("people-active", args=[bench.technician.pk])
    client.post(address, {"active": "0"})
    assert "shut out" in text_of(client.get(reverse("people")))
    client.post(address, {"active": "1"})
    bench.technician.refresh_from_db()
    assert bench.technician.active


def test_nobody_of_another_workshop_is_changed(bench: Bench, other_bench: Bench) -> None:
    with pytest.raises(NotFound):
        people.change(workshop=bench.workshop, member_id=other_bench.technician.pk, role="owner")


def test_over_the_api(bench: Bench) -> None:
    from rest_framework.test import APIClient

    client = APIClient()
    client.force_authenticate(bench.members["owner"].user)
    made = client.post("/api/v1/invitations/", {"role": "cataloguer"}, format="json")
    assert made.status_code == 201
    token = made.data["link"].rstrip("/").rsplit("/", 1)[1]
    assert people.find_invitation(token, now=timezone.now()).role == "cataloguer"
    listed = client.get("/api/v1/invitations/").data["results"]
    assert [one["id"] for one in listed] == [made.data["id"]]
    assert "link" not in listed[0]
    assert client.delete(f"/api/v1/invitations/{made.data['id']}/").status_code == 204
    path = f"/api/v1/members/{bench.technician.pk}/"
    assert client.patch(path, {"role": "reviewer"}, format="json").data["role"] == "reviewer"
    owner = f"/api/v1/members/{bench.members['owner'].pk}/"
    assert client.patch(owner, {"active": False}, format="json").status_code == 409
    technician = APIClient()
    technician.force_authenticate(bench.members["cataloguer"].user)
    assert technician.get("/api/v1/members/").data["count"] == 4
    assert technician.get("/api/v1/invitations/").status_code == 403
    assert technician.patch(path, {"role": "owner"}, format="json").status_code == 403


def test_the_sweep_forgets_what_ended_unused(bench: Bench) -> None:
    old, _ = bench.invitation()
    now = timezone.now()
    Invitation.of(bench.workshop).filter(pk=old.pk).update(
        made_at=now - timedelta(days=200), expires_at=now - timedelta(days=100)
    )
    bench.invitation()
    assert people.forget_old(now) == 1
