"""The second step: RFC's own figures, each code once, recovery codes, turning it on and off."""

import base64
import io
import re
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import parse_qs, unquote, urlsplit

import pytest
from django.core.management import CommandError, call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from django_otp.oath import hotp

from tests.factories import PASSWORD, Bench
from tests.integration.web.reading import text_of
from workshop.access import second_step, tries
from workshop.errors import InputRefused
from workshop.models import RecoveryCode, SecondStep, User

pytestmark = pytest.mark.django_db

AT = datetime(2026, 11, 20, 9, 0, 10, tzinfo=UTC)
STEP = timedelta(seconds=30)


def code_at(user: User, moment: datetime) -> str:
    secret = second_step.secret_of(SecondStep.objects.get(user=user))
    assert secret is not None
    return f"{hotp(secret, int(moment.timestamp()) // 30):06d}"


def set_up(bench: Bench, now: datetime = AT) -> tuple[User, list[str]]:
    user = bench.technician.user
    second_step.begin(user=user, now=now)
    return user, second_step.turn_on(user=user, code=code_at(user, now), now=now)


# RFC 6238, appendix B, SHA-1, of which an app of six digits shows the last six.
RFC_6238 = {59: 94287082, 1111111109: 7081804, 1111111111: 14050471, 1234567890: 89005924}


@pytest.mark.parametrize(("seconds", "eight_digits"), RFC_6238.items())
def test_codes_are_those_of_the_standard(
    seconds: int, eight_digits: int, bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    user = bench.technician.user
    second_step.begin(user=user, now=AT)
    monkeypatch.setattr(second_step, "secret_of", lambda row: b"12345678901234567890")
    now = datetime.fromtimestamp(seconds, UTC)
    code = f"{eight_digits:08d}"[-6:]
    assert second_step.refusal(user=user, code=code, now=now) == ""


def test_a_code_counts_once_and_none_before_it_counts_after_it(bench: Bench) -> None:
    user, _ = set_up(bench)
    later = AT + 4 * STEP
    code, before = code_at(user, later), code_at(user, later - STEP)
    assert second_step.refusal(user=user, code=code, now=later) == ""
    assert second_step.refusal(user=user, code=code, now=later) == second_step.WRONG
    assert second_step.refusal(user=user, code=before, now=later) == second_step.WRONG


@pytest.mark.parametrize(("steps", "counts"), [(-2, False), (-1, True), (0, True), (2, False)])
def test_a_clock_may_be_one_step_off(bench: Bench, steps: int, counts: bool) -> None:
    user, _ = set_up(bench)
    now = AT + 10 * STEP
    refused = second_step.refusal(user=user, code=code_at(user, now + steps * STEP), now=now)
    assert (refused == "") is counts


@pytest.mark.parametrize(
    "typed", ["", "0", "12345", "1234567", "١٢٣٤٥٦", "\x00", "abcdef", "²³²³²³"]
)
def test_what_is_no_code_is_refused(bench: Bench, typed: str) -> None:
    user, _ = set_up(bench)
    assert second_step.refusal(user=user, code=typed, now=AT + 4 * STEP) == second_step.WRONG


def test_ten_wrong_codes_and_then_none_for_a_quarter_of_an_hour(bench: Bench) -> None:
    user, _ = set_up(bench)
    now = AT + 4 * STEP
    for _ in range(tries.MOST):
        assert second_step.refusal(user=user, code="000000", now=now) == second_step.WRONG
    right = code_at(user, now)
    assert second_step.refusal(user=user, code=right, now=now) == second_step.TOO_MANY
    now += tries.QUIET
    assert second_step.refusal(user=user, code=code_at(user, now), now=now) == ""


def test_recovery_codes_are_hashed_and_good_once(bench: Bench) -> None:
    user, codes = set_up(bench)
    assert len(set(codes)) == second_step.CODES
    kept = set(RecoveryCode.objects.values_list("code_hash", flat=True))
    assert not kept & {code.replace("-", "") for code in codes}
    typed = codes[3].lower().replace("-", " ")
    assert second_step.refusal(user=user, code=typed, now=AT) == ""
    assert second_step.refusal(user=user, code=typed, now=AT) == second_step.WRONG
    assert RecoveryCode.objects.count() == second_step.CODES - 1


def test_a_recovery_code_of_somebody_else_is_none(bench: Bench) -> None:
    _, codes = set_up(bench)
    other = bench.members["owner"].user
    assert second_step.refusal(user=other, code=codes[0], now=AT) == second_step.WRONG


def test_the_database_holds_no_secret(bench: Bench) -> None:
    set_up(bench)
    row = SecondStep.objects.get()
    secret = second_step.secret_of(row)
    assert secret is not None
    for text in (secret.hex(), base64.b32encode(secret).decode()):
        assert text[:16].lower() not in str(SecondStep.objects.values().get()).lower()


def test_another_key_of_the_site_keeps_codes_while_the_old_one_is_named(
    bench: Bench, settings: Any
) -> None:
    user, codes = set_up(bench)
    now = AT + 4 * STEP
    code = code_at(user, now)
    old = settings.SECRET_KEY
    settings.SECRET_KEY = "another-" * 9
    assert second_step.refusal(user=user, code=code, now=now) == second_step.UNREADABLE
    assert second_step.refusal(user=user, code=codes[0], now=now) == ""
    settings.SECRET_KEY_FALLBACKS = [old]
    assert second_step.refusal(user=user, code=code, now=now) == ""


def test_what_the_qr_code_says(bench: Bench) -> None:
    row = second_step.begin(user=bench.technician.user, now=AT)
    said = urlsplit(second_step.address_for_app(row, site="bench.example"))
    assert (said.scheme, said.netloc) == ("otpauth", "totp")
    assert unquote(said.path) == "/bench.example:millrace-technician"
    secret = parse_qs(said.query)["secret"][0]
    assert base64.b32decode(secret) == second_step.secret_of(row)
    assert second_step.secret_text(row).replace(" ", "") == secret


# -- on the site


def sign_in(client: Client) -> Any:
    body = {"username": "millrace-technician", "password": PASSWORD, "next": "/jobs/"}
    return client.post(reverse("sign-in"), body)


def test_from_turning_it_on_to_signing_in_with_it(bench: Bench) -> None:
    client, user = Client(), bench.technician.user
    sign_in(client)
    assert "data:image" not in client.get(reverse("account-second-step")).content.decode()
    assert not SecondStep.objects.exists()
    assert client.post(reverse("account-second-step"), {"password": PASSWORD}).status_code == 302
    page = client.get(reverse("account-second-step"))
    assert "data:image/svg+xml" in page.content.decode()
    wrong = client.post(reverse("account-second-step"), {"code": "000000"})
    assert wrong.status_code == 400
    assert not second_step.is_on(user)
    now = timezone.now()
    done = client.post(reverse("account-second-step"), {"code": code_at(user, now)})
    codes = re.findall(r"<code>([A-Z0-9-]{19})</code>", done.content.decode())
    assert len(codes) == 10
    assert second_step.is_on(user)

    other = Client()
    assert sign_in(other).url == reverse("sign-in-code")
    assert other.get(reverse("jobs")).status_code == 302  # not in yet
    assert other.post(reverse("sign-in-code"), {"code": "000000"}).status_code == 400
    let_in = other.post(reverse("sign-in-code"), {"code": codes[0]})
    assert let_in.url == "/jobs/"
    assert other.get(reverse("jobs")).status_code == 200
    assert Client().get(reverse("sign-in-code")).url == reverse("sign-in")


def test_it_is_not_turned_on_without_the_password(bench: Bench) -> None:
    client, user = Client(), bench.technician.user
    sign_in(client)
    second_step.begin(user=user, now=timezone.now())
    body = {"code": code_at(user, timezone.now())}
    for more in ({}, {"password": "wrong"}):
        assert client.post(reverse("account-second-step"), {**body, **more}).status_code == 400
    assert not second_step.is_on(user)


def test_a_secret_shown_long_ago_is_not_shown_again_nor_turned_on(bench: Bench) -> None:
    user = bench.technician.user
    first = second_step.secret_text(second_step.begin(user=user, now=AT))
    soon, late = AT + timedelta(minutes=14), AT + timedelta(minutes=16)
    assert second_step.secret_text(second_step.begin(user=user, now=soon)) == first
    with pytest.raises(InputRefused, match="Begin again"):
        second_step.turn_on(user=user, code=code_at(user, late), now=late)
    assert second_step.secret_text(second_step.begin(user=user, now=late)) != first


def test_whoever_runs_the_server_turns_it_off(bench: Bench) -> None:
    user, _ = set_up(bench)
    call_command("second_step_off", user.username, stdout=io.StringIO())
    assert not second_step.is_on(user)
    assert not RecoveryCode.objects.exists()
    with pytest.raises(CommandError, match="Nobody"):
        call_command("second_step_off", "nobody", stdout=io.StringIO())


def test_after_a_hundred_wrong_in_a_row_only_a_known_device_or_a_recovery_code_counts(
    bench: Bench,
) -> None:
    """However slowly they come. NIST SP 800-63B, 5.2.2, from memory: at most 100 in a row."""
    user, codes = set_up(bench)
    client = Client()
    sign_in(client)
    client.post(reverse("sign-in-code"), {"code": codes[0]})
    device = user.known_devices.get()
    now = AT
    for number in range(second_step.MOST_IN_A_ROW):
        now += timedelta(minutes=16)
        said = second_step.refusal(user=user, code="000000", now=now)
        assert said == second_step.WRONG, number
    assert second_step.wrong_codes(user) == second_step.MOST_IN_A_ROW
    assert "100 wrong codes" in text_of(client.get(reverse("account")))
    now += timedelta(minutes=16)
    right = code_at(user, now)
    assert second_step.refusal(user=user, code=right, now=now) == second_step.TOO_MANY_IN_A_ROW
    assert second_step.refusal(user=user, code=right, now=now, device=device) == ""
    assert second_step.wrong_codes(user) == 0
    SecondStep.objects.update(wrong_in_a_row=second_step.MOST_IN_A_ROW)
    assert second_step.refusal(user=user, code=codes[1], now=now) == ""
    assert second_step.wrong_codes(user) == 0


def test_who_signs_in_hears_of_wrong_codes(bench: Bench) -> None:
    user, codes = set_up(bench)
    second_step.refusal(user=user, code="000000", now=timezone.now())
    client = Client()
    sign_in(client)
    client.post(reverse("sign-in-code"), {"code": codes[0]})
    assert "1 wrong code was typed" in text_of(client.get(reverse("jobs")))


def test_a_wrong_code_stands_in_the_log_without_the_code(
    bench: Bench, caplog: pytest.LogCaptureFixture
) -> None:
    user, _ = set_up(bench)
    second_step.refusal(user=user, code="918273", now=AT)
    said = [one for one in caplog.records if one.name == "workshop.access"]
    assert said[-1].__dict__["why"] == "wrong code"
    assert "918273" not in str([one.__dict__ for one in said])


def test_a_password_changed_meanwhile_ends_the_waiting(bench: Bench) -> None:
    user, codes = set_up(bench)
    client = Client()
    sign_in(client)
    user.set_password("another-long-password")
    user.save()
    assert client.post(reverse("sign-in-code"), {"code": codes[0]}).url == reverse("sign-in")


def test_the_way_on_leads_nowhere_else(bench: Bench) -> None:
    _, codes = set_up(bench)
    client = Client()
    body = {"username": "millrace-technician", "password": PASSWORD}
    client.post(reverse("sign-in"), {**body, "next": "https://elsewhere.example/"})
    assert client.post(reverse("sign-in-code"), {"code": codes[0]}).url == "/"


def test_turning_it_off_and_new_codes_need_the_password(bench: Bench) -> None:
    user, codes = set_up(bench)
    client = Client()
    sign_in(client)
    client.post(reverse("sign-in-code"), {"code": codes[0]})
    for route in ("account-second-step-off", "account-codes"):
        assert client.post(reverse(route), {"password": "wrong"}).status_code == 400
    assert second_step.is_on(user)
    made = client.post(reverse("account-codes"), {"password": PASSWORD})
    assert "Recovery codes" in text_of(made)
    assert second_step.refusal(user=user, code=codes[1], now=AT) == second_step.WRONG
    client.post(reverse("account-second-step-off"), {"password": PASSWORD})
    assert not second_step.is_on(user)
    assert not RecoveryCode.objects.exists()


def test_the_api_asks_for_the_code_too(bench: Bench) -> None:
    _, codes = set_up(bench)
    basic = base64.b64encode(f"millrace-technician:{PASSWORD}".encode()).decode()
    headers = {"Authorization": f"Basic {basic}"}
    without = Client().post("/api/v1/token/", {}, content_type="application/json", headers=headers)
    assert without.status_code == 400
    body = {"code": codes[0]}
    given = Client().post("/api/v1/token/", body, content_type="application/json", headers=headers)
    assert given.status_code == 201
    wrong = {"code": "000000"}
    answers = [
        Client().post("/api/v1/token/", wrong, content_type="application/json", headers=headers)
        for _ in range(tries.MOST + 1)
    ]
    assert [one.status_code for one in answers] == [400] * (tries.MOST - 1) + [429] * 2
    assert answers[-1]["Retry-After"] == "900"
