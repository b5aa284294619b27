"""Signatures of webhooks, judged by the specification's reference library."""

import base64
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from standardwebhooks import Webhook, WebhookVerificationError

from matching.domain.echo import signing

AT = datetime(2023, 1, 19, 0, 20, 31, tzinfo=UTC)


def test_the_worked_example_of_the_reference_library() -> None:
    """Secret, id and payload of the library's own tests (standardwebhooks 1.1.0, tests, read from
    memory); what it must give is computed by the library here, not copied.
    """
    secret = base64.b64decode("MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
    judge = Webhook(signing.secret_text(secret))
    body = '{"test": 2432232314}'
    ours = signing.signature(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", AT, body.encode())
    assert ours == judge.sign("msg_p5jXN8AQM9LWM0D4loKWxJek", AT, body)


@given(
    st.binary(min_size=24, max_size=64),
    st.from_regex(r"msg_[0-9a-f]{32}", fullmatch=True),
    st.text(max_size=200),
)
def test_the_judge_takes_what_we_sign_and_nothing_else(
    secret: bytes, message_id: str, text: str
) -> None:
    now = datetime.now(UTC)
    body = text.encode("utf-8", "replace")
    headers = signing.headers([secret], message_id, now, body)
    judge = Webhook(signing.secret_text(secret))
    judge.verify(body, headers, json_parse=False)
    for forged in (
        {**headers, "webhook-id": f"{message_id}0"},
        {**headers, "webhook-timestamp": str(int(headers["webhook-timestamp"]) - 1)},
    ):
        with pytest.raises(WebhookVerificationError):
            judge.verify(body, forged, json_parse=False)
    with pytest.raises(WebhookVerificationError):
        judge.verify(body + b" ", headers, json_parse=False)


def test_while_a_secret_is_replaced_both_are_good() -> None:
    now, body = datetime.now(UTC), b"{}"
    new, old = b"n" * 32, b"o" * 32
    headers = signing.headers([new, old], "msg_1", now, body)
    for secret in (new, old):
        Webhook(signing.secret_text(secret)).verify(body, headers)
    with pytest.raises(WebhookVerificationError):
        Webhook(signing.secret_text(b"x" * 32)).verify(body, headers)


@pytest.mark.parametrize("size", [0, 23, 65])
def test_a_secret_has_24_to_64_bytes(size: int) -> None:
    """Standard Webhooks 1.0.0: "at least 24 bytes (192 bits, 512 maximum)"."""
    with pytest.raises(ValueError, match="24 to 64"):
        signing.secret_text(b"x" * size)


def test_an_id_with_a_dot_could_be_mistaken() -> None:
    with pytest.raises(ValueError, match="dot"):
        signing.signature(b"x" * 32, "msg.1", AT, b"")
