"""A member's alerts as an Atom feed (RFC 4287)."""

from collections.abc import Iterable
from datetime import UTC, datetime
from xml.etree import ElementTree

from django.urls import reverse

from matching.echo.choices import kinds_of
from matching.echo.mails import one_line
from matching.models import Alert, EchoSettings
from workshop.templatetags.shown import percent

ENTRIES = 50
ATOM = "http://www.w3.org/2005/Atom"
MEDIA_TYPE = "application/atom+xml; charset=utf-8"


def list_entries(settings: EchoSettings) -> list[Alert]:
    """Return the latest alerts a member wants in their feed, newest first."""
    left_out = [news for news, one in kinds_of(settings).items() if not one.in_feed]
    rows = Alert.of(settings.workshop_id).filter(recipient=settings.member_id)
    rows = rows.exclude(news__in=left_out).select_related("job")
    return list(rows.order_by("-told_at", "id")[:ENTRIES])


def updated_at(settings: EchoSettings, entries: Iterable[Alert]) -> datetime:
    """Return when a feed last changed: its newest entry, or its making."""
    made = settings.feed_made_at
    moments = [one.told_at for one in entries] or ([made] if made else [])
    return max(moments)


def atom(
    settings: EchoSettings, entries: list[Alert], *, own_address: str, site_address: str
) -> bytes:
    """Return the feed as XML. Entries are told apart by the alert's id, feeds by their own."""
    root = ElementTree.Element("feed", {"xmlns": ATOM, "xml:lang": "en"})
    workshop = settings.member.workshop.name
    _text(root, "id", settings.feed_id.urn)
    _text(root, "title", f"Alerts of {settings.member} in {workshop}")
    _text(root, "updated", _moment(updated_at(settings, entries)))
    ElementTree.SubElement(root, "link", {"rel": "self", "href": own_address})
    ElementTree.SubElement(root, "link", {"rel": "alternate", "href": f"{site_address}/alerts/"})
    _text(ElementTree.SubElement(root, "author"), "name", workshop)
    for alert in entries:
        _entry(root, alert, site_address)
    body: bytes = ElementTree.tostring(root, encoding="utf-8", xml_declaration=True)
    return body


def _entry(root: ElementTree.Element, alert: Alert, site_address: str) -> None:
    entry = ElementTree.SubElement(root, "entry")
    _text(entry, "id", alert.pk.urn)
    _text(entry, "title", alert.summary)
    _text(entry, "updated", _moment(alert.told_at))
    _text(entry, "published", _moment(alert.told_at))
    ElementTree.SubElement(
        entry, "category", {"term": alert.news, "label": str(alert.get_news_display())}
    )
    job = f"{site_address}{reverse('job', args=[alert.job.ref])}"
    ElementTree.SubElement(entry, "link", {"rel": "alternate", "href": job})
    _text(entry, "summary", _said(alert))


def _said(alert: Alert) -> str:
    if alert.p_fit is None or alert.p_good is None:
        return alert.summary
    return f"{alert.summary}; fits {percent(alert.p_fit)}, good {percent(alert.p_good)}"


def _text(parent: ElementTree.Element, name: str, text: str) -> None:
    # one_line: XML has no place for control characters, escaped or not (XML 1.0, 2.2).
    ElementTree.SubElement(parent, name).text = one_line(text)


def _moment(at: datetime) -> str:
    return at.astimezone(UTC).isoformat().replace("+00:00", "Z")
