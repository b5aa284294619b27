"""Reading an e-mail file (RFC 5322, MIME: RFC 2045 to 2047) by the standard library.

The text part is read, else the HTML part; attachments are passed over.
"""

from dataclasses import dataclass
from datetime import date
from email import message_from_bytes, policy
from email.message import EmailMessage
from email.utils import parsedate_to_datetime

from workshop.domain.refusals import ValueRefused

LARGEST_MAIL = 5 * 1024 * 1024  # bytes, attachments and all
MOST_PARTS = 100


@dataclass(frozen=True, slots=True)
class Mail:
    """What an e-mail says. id: its Message-ID; sent_on: its date, None when it has none."""

    subject: str
    text: str
    id: str
    sent_on: date | None


def read_mail(raw: bytes) -> Mail:
    """Return subject and text of an e-mail. Raises ValueRefused with the reason."""
    if len(raw) > LARGEST_MAIL:
        raise _refused(f"has {len(raw)} bytes; at most {LARGEST_MAIL} are read")
    if b"\x00" in raw[:4096]:
        raise _refused("is a binary file")
    message = message_from_bytes(raw, policy=policy.default)
    assert isinstance(message, EmailMessage)
    if not (message["Subject"] or message["From"] or message["Message-ID"]):
        raise _refused("has none of the headers Subject, From and Message-ID")
    try:
        for number, _ in enumerate(message.walk(), start=1):
            if number > MOST_PARTS:
                raise _refused(f"has more than {MOST_PARTS} parts")
        return Mail(
            str(message["Subject"] or ""),
            _text(message),
            str(message["Message-ID"] or "").strip().strip("<>")[:400],
            _day(message),
        )
    except RecursionError as deep:
        raise _refused("is nested too deep") from deep


def _text(message: EmailMessage) -> str:
    body = message.get_body(preferencelist=("plain", "html"))
    if body is None:
        raise _refused("holds no text")
    charset = str(body.get_content_charset("utf-8")).lower()
    if charset.replace("_", "-") in ("utf-7", "unicode-1-1-utf-7"):
        raise _refused("is in UTF-7, which hides what it says; save its text as UTF-8")
    try:
        return str(body.get_content())
    except (LookupError, ValueError) as bad:
        raise _refused(f"is in {charset}, which cannot be read here") from bad


def _day(message: EmailMessage) -> date | None:
    try:
        return parsedate_to_datetime(str(message["Date"] or "")).date()
    except (ValueError, IndexError, TypeError):
        return None


def _refused(why: str) -> ValueRefused:
    return ValueRefused({"file": f"The e-mail {why}."})
