"""Signing in: limits, known devices, the same answer for every name, sessions that end."""

import io
import logging
import re
from datetime import timedelta
from typing import Any
from unittest import mock

import pytest
from django.contrib.auth.hashers import Argon2PasswordHasher
from django.core.management import CommandError, call_command
from django.test import Client, override_settings
from django.urls import reverse
from django.utils import timezone
from rest_framework.test import APIClient

from matching.echo import choices
from tests.factories import PASSWORD, Bench
from tests.integration.web.reading import text_of
from workshop.access import api_tokens, backend, devices, passwords, people, tries
from workshop.errors import Conflict
from workshop.log_lines import JsonLines
from workshop.models import ApiToken, KnownDevice, Member, Tries

pytestmark = pytest.mark.django_db

NAME = "millrace-technician"


def try_in(client: Client, name: str = NAME, password: str = "wrong", **headers: str) -> Any:
    body = {"username": name, "password": password}
    return client.post(reverse("sign-in"), body, headers=headers)


def in_(client: Client) -> bool:
    return client.get(reverse("account")).status_code == 200


def test_after_ten_wrong_tries_the_right_password_does_not_help(bench: Bench) -> None:
    answers = [try_in(Client()).status_code for _ in range(12)]
    assert answers == [200] * 10 + [429] * 2
    stranger = Client()
    answer = try_in(stranger, password=PASSWORD)
    assert answer.status_code == 429
    assert backend.TOO_MANY in text_of(answer)
    assert not in_(stranger)


def test_within_any_quarter_of_an_hour_no_more_than_ten_count() -> None:
    """Over three hours of one try every 20 s: a sliding window over those let through."""
    start = timezone.now()
    let_through = [
        moment
        for moment in (start + timedelta(seconds=20 * n) for n in range(540))
        if tries.take("k", now=moment)
    ]
    for first, eleventh in zip(let_through, let_through[10:], strict=False):
        assert eleventh - first >= tries.QUIET
    assert len(let_through) > 10  # it opens again


def test_forged_addresses_change_nothing(bench: Bench) -> None:
    for number in range(20):
        try_in(Client(), **{"X-Forwarded-For": f"203.0.113.{number}"})
    answer = try_in(Client(), password=PASSWORD, **{"X-Forwarded-For": "198.51.100.1"})
    assert answer.status_code == 429


@override_settings(TRUSTED_PROXIES=1)
def test_one_address_is_barred_behind_a_proxy_and_others_are_not(bench: Bench) -> None:
    with mock.patch.object(tries, "MOST_OF_ADDRESS", 3):
        for number in range(5):
            header = f"192.0.2.{number}, 203.0.113.1"  # the first is forged, the last our proxy's
            answer = try_in(Client(), name=f"nobody{number}", **{"X-Forwarded-For": header})
        assert answer.status_code == 429
        assert try_in(Client(), **{"X-Forwarded-For": "203.0.113.2"}).status_code == 200


def test_the_owner_comes_in_from_a_known_device_while_strangers_guess(bench: Bench) -> None:
    home = Client()
    assert try_in(home, password=PASSWORD).status_code == 302
    home.post(reverse("sign-out"))
    for _ in range(15):
        try_in(Client())
    assert try_in(Client(), password=PASSWORD).status_code == 429
    assert try_in(home, password=PASSWORD).status_code == 302
    assert in_(home)


def test_a_known_device_has_ten_tries_of_its_own_and_only_for_its_owner(bench: Bench) -> None:
    home = Client()
    try_in(home, password=PASSWORD)
    home.post(reverse("sign-out"))
    assert [try_in(home).status_code for _ in range(11)] == [200] * 10 + [429]
    other = "millrace-owner"
    for _ in range(10):
        try_in(Client(), name=other)
    assert try_in(home, name=other, password=PASSWORD).status_code == 429


def test_a_computer_everybody_uses_is_known_for_each_of_them(bench: Bench) -> None:
    shared = Client()
    for name in (NAME, "millrace-owner"):
        assert try_in(shared, name=name, password=PASSWORD).status_code == 302
        shared.post(reverse("sign-out"))
    assert KnownDevice.objects.count() == 2
    for name in (NAME, "millrace-owner"):
        for _ in range(10):
            try_in(Client(), name=name)
        assert try_in(Client(), name=name, password=PASSWORD).status_code == 429
        assert try_in(shared, name=name, password=PASSWORD).status_code == 302
        shared.post(reverse("sign-out"))


def test_taking_turns_on_one_computer_forgets_no_other_device(bench: Bench) -> None:
    phone, shared = Client(), Client()
    try_in(phone, password=PASSWORD)
    phone.post(reverse("sign-out"))
    for _ in range(devices.MOST + 1):
        for name in (NAME, "millrace-owner"):
            try_in(shared, name=name, password=PASSWORD)
            shared.post(reverse("sign-out"))
    for _ in range(10):
        try_in(Client())
    assert try_in(phone, password=PASSWORD).status_code == 302


def test_the_cookie_lasts_another_year_from_each_sign_in(bench: Bench) -> None:
    client = Client()
    first = try_in(client, password=PASSWORD).cookies["device"]
    client.post(reverse("sign-out"))
    again = try_in(client, password=PASSWORD).cookies["device"]
    assert again["max-age"] == devices.KEPT_FOR.total_seconds()
    assert again.value.split(":")[0] == first.value.split(":")[0]  # the browser's own, kept


def test_tries_refused_on_a_name_do_not_use_up_the_address(bench: Bench) -> None:
    for _ in range(tries.MOST_OF_ADDRESS + 10):
        try_in(Client(), name="somebody")
    assert try_in(Client(), name="millrace-owner", password=PASSWORD).status_code == 302


def test_of_several_counts_none_is_taken_from_when_one_is_empty() -> None:
    """Also when it is emptied between the look and the taking (negative: give_back left out)."""
    now = timezone.now()
    full, empty = tries.purse_of("address", "a", 3), tries.purse_of("name", "n", 1)
    assert tries.take_all([full, empty], now=now) == ""
    assert tries.take_all([full, empty], now=now) == "name"
    with mock.patch.object(tries, "_first_empty", return_value=""):
        assert tries.take_all([full, empty], now=now) == "name"
    assert Tries.objects.get(key=full.key).tries == 1


def test_a_refused_sign_in_says_why_in_the_log(bench: Bench) -> None:
    with mock.patch.object(backend.log, "warning") as said:
        for _ in range(11):
            try_in(Client(), name="typed-by-mistake")
    lines = [call.kwargs["extra"] for call in said.call_args_list]
    assert lines[0] == {"why": "name and password", "purse": "name"}
    assert lines[-1] == {"why": "too many tries", "purse": "name"}
    record = logging.makeLogRecord({"msg": "sign-in refused", **lines[-1]})
    assert "too many tries" in JsonLines().format(record)
    assert "typed-by-mistake" not in str(said.call_args_list)


def test_a_forged_device_cookie_is_none(bench: Bench) -> None:
    for _ in range(10):
        try_in(Client())
    forger = Client()
    forger.cookies["device"] = "a-token:1x:sum"
    assert try_in(forger, password=PASSWORD).status_code == 429


def test_what_was_right_uses_up_nothing(bench: Bench) -> None:
    for _ in range(12):
        assert try_in(Client(), password=PASSWORD).status_code == 302
    assert set(Tries.objects.values_list("tries", flat=True)) <= {0}


def test_text_status_and_work_are_the_same_for_every_name(bench: Bench) -> None:
    """Work: how often the slow hash is computed. Times are measured in tests/speed."""
    bench.members["reviewer"].user.__class__.objects.filter(username="millrace-reviewer").update(
        is_active=False
    )
    seen = []
    slow = Argon2PasswordHasher
    with override_settings(PASSWORD_HASHERS=["django.contrib.auth.hashers.Argon2PasswordHasher"]):
        for name in (NAME, "millrace-reviewer"):
            user = bench.technician.user.__class__.objects.get(username=name)
            user.set_password(PASSWORD)
            user.save()
        for name in (NAME, "nobody-at-all", "millrace-reviewer", "\x00", "Ⅸ" * 150):
            with (
                mock.patch.object(slow, "encode", autospec=True, side_effect=slow.encode) as made,
                mock.patch.object(slow, "verify", autospec=True, side_effect=slow.verify) as seen_,
            ):
                answer = try_in(Client(), name=name)
            text = text_of(answer)
            seen.append((answer.status_code, text, made.call_count + seen_.call_count))
    # The form refuses NUL by itself, for every name alike, and looks nothing up.
    nul = seen.pop(3)
    assert nul[2] == 0
    assert len(seen) == 4
    assert {count for *_, count in seen} == {1}
    assert len({(status, text) for status, text, _ in seen}) == 1


def test_too_many_tries_are_told_alike_for_known_and_unknown_names(bench: Bench) -> None:
    answers = {}
    for name in (NAME, "nobody-at-all"):
        for _ in range(11):
            answers[name] = try_in(Client(), name=name)
    assert len({(one.status_code, text_of(one)) for one in answers.values()}) == 1


def test_names_are_not_kept(bench: Bench) -> None:
    try_in(Client(), name="my-password-typed-into-the-wrong-field")
    assert not [row for row in Tries.objects.values() if "password" in str(row)]


def test_a_device_cookie_is_out_of_reach_of_scripts_and_kept_as_a_hash(bench: Bench) -> None:
    client = Client()
    answer = try_in(client, password=PASSWORD)
    cookie = answer.cookies["device"]
    assert cookie["httponly"]
    assert cookie["samesite"] == "Lax"
    assert cookie["max-age"] == devices.KEPT_FOR.total_seconds()
    row = KnownDevice.objects.get()
    assert row.token_hash not in cookie.value
    assert cookie.value.split(":")[0] not in row.token_hash


def test_a_device_that_is_forgotten_is_a_stranger(bench: Bench) -> None:
    home = Client()
    try_in(home, password=PASSWORD)
    device = KnownDevice.objects.get()
    answer = home.post(reverse("account-device-forget", args=[device.pk]))
    assert answer.status_code == 302
    home.post(reverse("sign-out"))
    for _ in range(10):
        try_in(Client())
    assert try_in(home, password=PASSWORD).status_code == 429


def test_a_session_ends_with_the_next_request_when_the_password_changes(bench: Bench) -> None:
    here, there = Client(), Client()
    for client in (here, there):
        try_in(client, password=PASSWORD)
        assert in_(client)
    _, token = bench.api_token()
    new = "another-long-password"
    body = {"old": PASSWORD, "new": new, "again": new}
    assert here.post(reverse("account-password"), body).status_code == 302
    assert in_(here)
    assert not in_(there)
    assert KnownDevice.objects.count() == 1
    api = APIClient()
    api.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    assert api.get("/api/v1/jobs/").status_code == 401
    assert try_in(Client(), password=PASSWORD).status_code == 200
    assert try_in(Client(), password=new).status_code == 302


NEW = "another-long-password"


def set_new(bench: Bench, role: str = "owner") -> None:
    user = bench.members[role].user
    passwords.change(user=user, old=PASSWORD, new=NEW, now=timezone.now())


def test_an_open_invitation_ends_with_the_password(bench: Bench) -> None:
    _, token = bench.invitation("owner")
    assert Client().get(reverse("join", args=[token])).status_code == 200
    set_new(bench)
    assert Client().get(reverse("join", args=[token])).status_code == 404


def test_a_feed_ends_with_the_password(bench: Bench) -> None:
    token = choices.make_feed(member=bench.technician, now=timezone.now())
    others = choices.make_feed(member=bench.members["owner"], now=timezone.now())
    assert Client().get(reverse("feed", args=[token])).status_code == 200
    set_new(bench, "technician")
    assert Client().get(reverse("feed", args=[token])).status_code == 404
    assert Client().get(reverse("feed", args=[others])).status_code == 200


def test_a_request_from_before_the_new_password_makes_no_way_in(bench: Bench) -> None:
    stale = Member.of(bench.workshop).select_related("user").get(user__username="millrace-owner")
    set_new(bench)
    now = timezone.now()
    for make in (
        lambda: api_tokens.make_token(member=stale, name="x", scope="all", now=now),
        lambda: people.invite(member=stale, role="owner", note="", now=now),
        lambda: choices.make_feed(member=stale, now=now),
    ):
        with pytest.raises(Conflict, match="changed meanwhile"):
            make()


def test_all_else_is_ended_without_a_new_password(bench: Bench) -> None:
    here, there = Client(), Client()
    for client in (here, there):
        try_in(client, password=PASSWORD)
    bench.api_token()
    address = reverse("account-end-others")
    assert here.post(address, {"password": "wrong"}).status_code == 400
    assert in_(there)
    assert here.post(address, {"password": PASSWORD}).status_code == 302
    assert in_(here)
    assert not in_(there)
    assert ApiToken.of(bench.workshop).count() == 0
    assert KnownDevice.objects.count() == 1
    assert try_in(Client(), password=PASSWORD).status_code == 302


def test_the_command_that_sets_a_password_ends_what_the_old_one_let_in(bench: Bench) -> None:
    client = Client()
    try_in(client, password=PASSWORD)
    bench.api_token()
    with mock.patch("getpass.getpass", return_value=NEW):
        call_command("changepassword", NAME, stdout=io.StringIO())
    assert ApiToken.of(bench.workshop).count() == 0
    assert KnownDevice.objects.count() == 0
    assert not in_(client)
    assert try_in(Client(), password=NEW).status_code == 302
    with (
        mock.patch("getpass.getpass", return_value="short"),
        pytest.raises(CommandError, match="No password"),
    ):
        call_command("changepassword", NAME, stdout=io.StringIO(), stderr=io.StringIO())
    with pytest.raises(CommandError, match="Nobody"):
        call_command("changepassword", "nobody", stdout=io.StringIO())


@pytest.mark.parametrize(
    ("old", "new", "again", "says"),
    [
        ("wrong", "another-long-password", "another-long-password", "not your password"),
        (PASSWORD, "short", "short", "too short"),
        (PASSWORD, "another-long-password", "another-long-passwort", "differ"),
    ],
)
def test_a_password_is_not_changed_by_a_slip(
    bench: Bench, old: str, new: str, again: str, says: str
) -> None:
    client = Client()
    try_in(client, password=PASSWORD)
    answer = client.post(reverse("account-password"), {"old": old, "new": new, "again": again})
    assert answer.status_code == 400
    assert re.search(says, text_of(answer))
    assert in_(client)
    bench.technician.user.refresh_from_db()
    assert bench.technician.user.check_password(PASSWORD)


def test_a_session_that_was_stolen_cannot_guess_the_password(bench: Bench) -> None:
    client = Client()
    try_in(client, password=PASSWORD)
    body = {"new": "another-long-password", "again": "another-long-password"}
    for _ in range(tries.MOST):
        client.post(reverse("account-password"), {**body, "old": "wrong"})
    answer = client.post(reverse("account-password"), {**body, "old": PASSWORD})
    assert answer.status_code == 400
    assert "Too many" in text_of(answer)


def test_whoever_is_shut_out_is_out_with_the_next_request(bench: Bench) -> None:
    client, api = Client(), APIClient()
    try_in(client, password=PASSWORD)
    _, token = bench.api_token()
    api.credentials(HTTP_AUTHORIZATION=f"Token {token}")
    assert in_(client)
    assert api.get("/api/v1/jobs/").status_code == 200
    people.change(workshop=bench.workshop, member_id=bench.technician.pk, active=False)
    assert client.get(reverse("jobs")).status_code == 403
    assert api.get("/api/v1/jobs/").status_code == 401


def test_a_user_who_is_disabled_is_out_with_the_next_request(bench: Bench) -> None:
    client = Client()
    try_in(client, password=PASSWORD)
    user = bench.technician.user
    user.is_active = False
    user.save()
    assert client.get(reverse("jobs")).status_code == 302


def test_the_sweep_forgets_what_is_over(bench: Bench) -> None:
    now = timezone.now()
    tries.take("old", now=now - timedelta(hours=1))
    tries.take("new", now=now)
    assert tries.forget_old(now) == 1
    assert Tries.objects.get().key == "new"
