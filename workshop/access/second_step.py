"""A second step of signing in: codes of an app (RFC 6238), each good once, and recovery codes."""

import base64
import hmac
import logging
import secrets
from datetime import datetime, timedelta
from urllib.parse import quote, urlencode

from django.db import transaction
from django.db.models import F
from django_otp.oath import hotp

from workshop import secret_tokens
from workshop.access import tries
from workshop.errors import InputRefused
from workshop.models import KnownDevice, RecoveryCode, SecondStep, User

log = logging.getLogger("workshop.access")

PURPOSE = b"second step "
STEP_SECONDS = 30  # RFC 6238, section 5.2, recommends 30 s and at most one step of delay
DRIFT = 1
CODES = 10
LETTERS = "ABCDEFGHJKMNPQRSTVWXYZ23456789"  # none taken for another
CODE_LENGTH = 16  # of 30 letters: 78 bits, so that a fast hash is enough
SET_UP_WITHIN = timedelta(minutes=15)  # a secret shown longer ago may have been seen by others
# NIST SP 800-63B, 5.2.2, from memory: no more than 100 failed tries in a row on one account.
MOST_IN_A_ROW = 100

TOO_MANY = "Too many wrong codes. Wait a quarter of an hour, then try again."
WRONG = "That code does not count: it is wrong, too old, or was used before. Wait for the next."
TOO_MANY_IN_A_ROW = (
    f"{MOST_IN_A_ROW} codes in a row were wrong, so that codes of the app count only on a device "
    "you have signed in with before. Use one, or a recovery code."
)
UNREADABLE = (
    "Codes of the app cannot be checked: the server's secret key is not the one it was set up "
    "with. Use a recovery code, or have whoever runs the server turn the second step off "
    "(manage.py second_step_off)."
)
TOO_LATE = "That took longer than a quarter of an hour. Begin again with the code shown now."


def is_on(user: User) -> bool:
    return SecondStep.objects.filter(user=user, on_since__isnull=False).exists()


def begin(*, user: User, now: datetime) -> SecondStep:
    """Return the step being set up, with a fresh secret if none is begun of late.

    Raises InputRefused.
    """
    row = SecondStep.objects.filter(user=user).first()
    if row is not None and row.on_since:
        raise InputRefused("The second step is on already. Turn it off before you set it up anew.")
    if row is not None and _is_fresh(row, now) and secret_of(row) is not None:
        return row
    seed, check_sum = secret_tokens.new_seed(PURPOSE)
    row, _ = SecondStep.objects.update_or_create(
        user=user, defaults={"seed": seed, "check_sum": check_sum, "begun_at": now, "last_step": -1}
    )
    return row


def _is_fresh(row: SecondStep, now: datetime) -> bool:
    return now - row.begun_at <= SET_UP_WITHIN


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
    row = SecondStep.objects.filter(user=user).first()
    if row is not None and row.on_since is None and not _is_fresh(row, now):
        raise InputRefused(TOO_LATE, fields={"code": TOO_LATE})
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
    log.info("second step turned off", extra={"user": user.pk})


def wrong_codes(user: User) -> int:
    """Return how many codes were wrong since the last right one."""
    rows = SecondStep.objects.filter(user=user, on_since__isnull=False)
    return rows.values_list("wrong_in_a_row", flat=True).first() or 0


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
        _say_refused(user, "too many tries")
        return TOO_MANY
    typed = code.replace(" ", "").replace("-", "").upper()
    may_use_app = _count_one_more(user, known=bool(own))
    right = (may_use_app and _uses_up_code(user, typed, now)) or (
        recovery and _uses_up_recovery(user, typed)
    )
    if right:
        SecondStep.objects.filter(user=user).update(wrong_in_a_row=0)
        tries.give_back(purse)
        return ""
    _say_refused(user, "wrong code")
    if not may_use_app:
        return TOO_MANY_IN_A_ROW
    return UNREADABLE if _is_unreadable(user) else WRONG


def _say_refused(user: User, why: str) -> None:
    said = {"why": why, "purse": "code", "user": user.pk}
    log.warning("second step refused: %s", why, extra=said)


def _count_one_more(user: User, *, known: bool) -> bool:
    """Count a code as wrong before it is looked at. Returns False when the app's no longer count.

    A device known counts without end: its tries within a quarter of an hour are limited.
    """
    rows = SecondStep.objects.filter(user=user)
    if not rows.exists():
        return True
    if not known:
        rows = rows.filter(wrong_in_a_row__lt=MOST_IN_A_ROW)
    return bool(rows.update(wrong_in_a_row=F("wrong_in_a_row") + 1))


def _is_unreadable(user: User) -> bool:
    row = SecondStep.objects.filter(user=user).first()
    return row is not None and secret_of(row) is None


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
