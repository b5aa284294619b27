"""A second step of signing in: codes of an app (RFC 6238), each good once, and recovery codes."""

import base64
import hmac
import secrets
from datetime import datetime
from urllib.parse import quote, urlencode

from django.db import transaction
from django_otp.oath import hotp

from workshop import secret_tokens
from workshop.access import tries
from workshop.errors import InputRefused
from workshop.models import KnownDevice, RecoveryCode, SecondStep, User

PURPOSE = b"second step "
STEP_SECONDS = 30  # RFC 6238, section 5.2, recommends 30 s and at most one step of delay
DRIFT = 1
CODES = 10
LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"  # none taken for another
CODE_LENGTH = 16  # of 30 letters: 78 bits, so that a fast hash is enough

TOO_MANY = "Too many wrong codes. Wait a quarter of an hour, then try again."
WRONG = "That code does not count: it is wrong, too old, or was used before. Wait for the next."


def is_on(user: User) -> bool:
    return SecondStep.objects.filter(user=user, on_since__isnull=False).exists()


def begin(*, user: User, now: datetime) -> SecondStep:
    """Return the step being set up, with a fresh secret if none is. Raises InputRefused."""
    row = SecondStep.objects.filter(user=user).first()
    if row is not None and row.on_since:
        raise InputRefused("The second step is on already. Turn it off before you set it up anew.")
    if row is not None and secret_of(row) is not None:
        return row
    seed, check_sum = secret_tokens.new_seed(PURPOSE)
    row, _ = SecondStep.objects.update_or_create(
        user=user, defaults={"seed": seed, "check_sum": check_sum, "begun_at": now, "last_step": -1}
    )
    return row


def secret_of(row: SecondStep) -> bytes | None:
    """Return the 20 bytes the app shares with us (RFC 4226, R6: 160 bits)."""
    whole = secret_tokens.secret_of(PURPOSE, row.seed, row.check_sum)
    return whole[:20] if whole is not None else None


def secret_text(row: SecondStep) -> str:
    """Return the secret as it is typed into an app: base 32, in groups of four."""
    text = base64.b32encode(secret_of(row) or b"").decode()
    return " ".join(text[at : at + 4] for at in range(0, len(text), 4))


def address_for_app(row: SecondStep, *, site: str) -> str:
    """Return what the QR code says to an app."""
    secret = base64.b32encode(secret_of(row) or b"").decode()
    label = quote(f"{site}:{row.user.get_username()}", safe="")
    return f"otpauth://totp/{label}?{urlencode({'secret': secret, 'issuer': site})}"


def turn_on(*, user: User, code: str, now: datetime) -> list[str]:
    """Turn the step on by a first code of the app. Returns recovery codes, shown once.

    Raises InputRefused.
    """
    refused = refusal(user=user, code=code, now=now, recovery=False)
    if refused:
        raise InputRefused(refused, fields={"code": refused})
    with transaction.atomic():
        changed = SecondStep.objects.filter(user=user, on_since__isnull=True).update(on_since=now)
        if not changed:
            raise InputRefused("The second step is on already.")
        return new_codes(user)


def turn_off(*, user: User) -> None:
    """Turn the step off; who asks has stated the password (access/passwords.py)."""
    with transaction.atomic():
        SecondStep.objects.filter(user=user).delete()
        RecoveryCode.objects.filter(user=user).delete()


@transaction.atomic
def new_codes(user: User) -> list[str]:
    """Give a user fresh recovery codes; those before lead nowhere from now on."""
    RecoveryCode.objects.filter(user=user).delete()
    found = ["".join(secrets.choice(LETTERS) for _ in range(CODE_LENGTH)) for _ in range(CODES)]
    RecoveryCode.objects.bulk_create(
        RecoveryCode(user=user, code_hash=secret_tokens.token_hash(code)) for code in found
    )
    return ["-".join(code[at : at + 4] for at in range(0, CODE_LENGTH, 4)) for code in found]


def refusal(
    *,
    user: User,
    code: str,
    now: datetime,
    device: KnownDevice | None = None,
    recovery: bool = True,
) -> str:
    """Return why a code does not count, "" when it does. A code that counts is used up."""
    own = device.pk if device is not None and device.user_id == user.pk else ""
    purse = tries.key_of("code", user.pk, own)
    if not tries.take(purse, now=now, most=tries.MOST):
        return TOO_MANY
    typed = code.replace(" ", "").replace("-", "").upper()
    if _uses_up_code(user, typed, now) or (recovery and _uses_up_recovery(user, typed)):
        tries.give_back(purse)
        return ""
    return WRONG


def _uses_up_code(user: User, typed: str, now: datetime) -> bool:
    row = SecondStep.objects.filter(user=user).first()
    secret = secret_of(row) if row is not None else None
    if secret is None or len(typed) != 6 or not (typed.isascii() and typed.isdigit()):
        return False
    step = int(now.timestamp()) // STEP_SECONDS
    for near in range(step - DRIFT, step + DRIFT + 1):
        if hmac.compare_digest(f"{hotp(secret, near):06d}", typed):
            # One statement: of two who send the same code at once, one gets in.
            rows = SecondStep.objects.filter(user=user, last_step__lt=near)
            return bool(rows.update(last_step=near))
    return False


def _uses_up_recovery(user: User, typed: str) -> bool:
    rows = RecoveryCode.objects.filter(user=user, code_hash=secret_tokens.token_hash(typed))
    gone, _ = rows.delete()
    return bool(gone)
