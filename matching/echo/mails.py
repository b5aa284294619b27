"""The mail itself: text and HTML, a subject in one line, a link that stops it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlsplit

from django.conf import settings as site
from django.core.mail import EmailMultiAlternatives, get_connection
from django.template.loader import render_to_string
from django.urls import reverse

from matching.echo.choices import CONFIRM_WITHIN, confirm_token, stop_token
from matching.models import Alert, Delivery, EchoSettings
from workshop.templatetags.shown import percent

LONGEST_SUBJECT = 120


@dataclass(frozen=True)
class Line:
    """One alert as a mail shows it."""

    what: str
    summary: str
    odds: str
    address: str


def link(name: str, *args: Any) -> str:
    """Return the full address of a page of ours."""
    return f"{site.SITE_ADDRESS}{reverse(name, args=args)}"


def one_line(text: str) -> str:
    """Return text as it may stand in a header: no line breaks, no control characters."""
    return " ".join("".join(sign if sign.isprintable() else " " for sign in text).split())


def message(
    mail: Delivery, settings: EchoSettings, alerts: Sequence[Alert]
) -> EmailMultiAlternatives:
    """Return the mail of a delivery. Its Message-ID is the same each time it is sent."""
    stop = link("mail-stop", stop_token(settings))
    shown = {
        "lines": [_line(one) for one in alerts],
        "workshop": settings.member.workshop.name,
        "inbox": link("alerts"),
        "choices": link("my-alerts"),
        "stop": stop,
    }
    built = EmailMultiAlternatives(
        subject=_subject(alerts, settings.member.workshop.name),
        body=render_to_string("matching/echo/mail.txt", shown),
        from_email=site.DEFAULT_FROM_EMAIL,
        to=[settings.address],
        headers={
            "Message-ID": message_id(mail),
            "List-Unsubscribe": f"<{stop}>",  # RFC 2369
            "List-Unsubscribe-Post": "List-Unsubscribe=One-Click",  # RFC 8058
            "Auto-Submitted": "auto-generated",  # RFC 3834
        },
    )
    built.attach_alternative(render_to_string("matching/echo/mail.html", shown), "text/html")
    return built


def asking(mail: Delivery, settings: EchoSettings) -> EmailMultiAlternatives:
    """Return the mail that asks an address whether a member's alerts may come to it."""
    shown = {
        "workshop": settings.member.workshop.name,
        "who": str(settings.member),
        "confirm": link("mail-confirm", confirm_token(settings)),
        "days": CONFIRM_WITHIN.days,
    }
    name = one_line(settings.member.workshop.name)[:40]
    return EmailMultiAlternatives(
        subject=f"[{name}] May alerts come to this address?",
        body=render_to_string("matching/echo/confirm.txt", shown),
        from_email=site.DEFAULT_FROM_EMAIL,
        to=[mail.asks],
        headers={"Message-ID": message_id(mail), "Auto-Submitted": "auto-generated"},  # RFC 3834
    )


def message_id(mail: Delivery) -> str:
    host = urlsplit(site.SITE_ADDRESS).hostname or "localhost"
    return f"<{mail.pk.hex}@{host}>"


def _subject(alerts: Sequence[Alert], workshop: str) -> str:
    if len(alerts) == 1:
        said = one_line(alerts[0].summary)
    else:
        said = f"{len(alerts)} alerts: {one_line(alerts[0].summary)}"
    name = one_line(workshop)[:40]
    if len(said) > LONGEST_SUBJECT:
        said = f"{said[: LONGEST_SUBJECT - 1]}…"
    return f"[{name}] {said}"


def _line(alert: Alert) -> Line:
    odds = ""
    if alert.p_fit is not None and alert.p_good is not None:
        odds = f"fits {percent(alert.p_fit)}, good {percent(alert.p_good)}"
    return Line(
        what=str(alert.get_news_display()),
        summary=one_line(alert.summary),
        odds=odds,
        address=link("job", alert.job.ref),
    )


def send(built: EmailMultiAlternatives) -> None:
    """Hand a mail to the mail server. Raises what smtplib or the connection raises."""
    sent = get_connection(fail_silently=False).send_messages([built])
    if sent != 1:
        raise OSError("the mail server took nothing")
