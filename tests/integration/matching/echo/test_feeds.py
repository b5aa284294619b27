"""The Atom feed: valid by RFC 4287 and feedparser, secret, one member's own alerts only."""

import re
import uuid
from datetime import datetime, timedelta
from typing import Any
from xml.etree import ElementTree

import feedparser
import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from matching.echo import choices, feeds
from matching.echo.choices import Choices, KindChoice
from matching.models import EchoSettings
from tests.factories import NOW, Bench
from tests.integration.matching.echo.conftest import Tell
from workshop.models import Member

pytestmark = pytest.mark.django_db

ATOM = "{http://www.w3.org/2005/Atom}"
# RFC 3339 as RFC 4287, 3.3 wants it: capital T and Z.
MOMENT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)")


def made(bench: Bench, member: Member | None = None) -> str:
    return choices.make_feed(member=member or bench.technician, now=NOW)


def fetch(token: str, **headers: str) -> Any:
    return Client().get(reverse("feed", args=[token]), headers=headers)


def check(root: ElementTree.Element) -> None:
    """Check what RFC 4287 demands: 4.1.1 (feed), 4.1.2 (entry), 3.3 (dates), 4.2.6 (ids)."""
    assert root.tag == f"{ATOM}feed"
    for one in (root, *root.findall(f"{ATOM}entry")):
        for name in ("id", "title", "updated"):
            assert len(one.findall(f"{ATOM}{name}")) == 1, name
        identity = one.findtext(f"{ATOM}id") or ""
        uuid.UUID(identity.removeprefix("urn:uuid:"))
        for name in ("updated", "published"):
            for moment in one.findall(f"{ATOM}{name}"):
                assert MOMENT.fullmatch(moment.text or "")
        kinds = [(link.get("rel"), link.get("type")) for link in one.findall(f"{ATOM}link")]
        assert len(kinds) == len(set(kinds))
        assert all(link.get("href") for link in one.findall(f"{ATOM}link"))
        for category in one.findall(f"{ATOM}category"):
            assert category.get("term")
    # 4.1.1: every entry has an author, its own or the feed's; 4.2.1.1: with a name.
    assert root.find(f"{ATOM}author/{ATOM}name") is not None
    assert any(link.get("rel") == "self" for link in root.findall(f"{ATOM}link"))
    ids = [one.findtext(f"{ATOM}id") for one in root.iter(f"{ATOM}entry")]
    assert len(ids) == len(set(ids))


def test_the_feed_is_valid_and_says_what_the_inbox_says(bench: Bench, tell: Tell) -> None:
    nasty = "J-1: <b>&amp; \x0b\x00 ]]> \ud83d\ude00".encode("utf-16", "surrogatepass").decode(
        "utf-16"
    )
    alerts = [*tell(2), *tell(1, news="over", summary=nasty.replace("\x00", ""))]
    token = made(bench)
    answer = fetch(token)
    assert answer["Content-Type"] == "application/atom+xml; charset=utf-8"
    root = ElementTree.fromstring(answer.content)
    check(root)
    read = feedparser.parse(answer.content)
    assert not read.bozo
    assert read.version == "atom10"
    assert {one.id for one in read.entries} == {alert.pk.urn for alert in alerts}
    titles = {one.findtext(f"{ATOM}title") for one in root.iter(f"{ATOM}entry")}
    assert "J-1: <b>&amp; ]]> 😀" in titles
    assert read.feed.links[0].href == f"https://bench.example{reverse('feed', args=[token])}"
    assert read.entries[0].link.startswith("https://bench.example/jobs/")


def test_an_empty_feed_is_valid_too(bench: Bench) -> None:
    root = ElementTree.fromstring(fetch(made(bench)).content)
    check(root)
    assert root.find(f"{ATOM}entry") is None
    assert datetime.fromisoformat(root.findtext(f"{ATOM}updated") or "") == NOW


def test_it_holds_the_member_s_own_alerts_of_the_kinds_they_want(
    bench: Bench, other_bench: Bench, tell: Tell
) -> None:
    tell(1, to=bench.members["owner"], summary="for the owner")
    tell(1, summary="mine")
    tell(1, news="over", summary="not wanted")
    choices.save_choices(
        member=bench.technician,
        choices=Choices(kinds={"over": KindChoice(in_feed=False)}),
        now=NOW,
    )
    assert [one.title for one in feedparser.parse(fetch(made(bench)).content).entries] == ["mine"]
    theirs = fetch(made(other_bench, other_bench.technician)).content
    assert feedparser.parse(theirs).entries == []


def test_its_length_and_its_queries_are_limited(bench: Bench, tell: Tell) -> None:
    token = made(bench)

    def count() -> int:
        with CaptureQueriesContext(connection) as seen:
            fetch(token)
        return len(seen)

    tell(2)
    few = count()
    tell(feeds.ENTRIES + 10, now=NOW + timedelta(days=1))
    assert count() == few <= 4
    assert len(feedparser.parse(fetch(token).content).entries) == feeds.ENTRIES


def test_a_reader_that_has_it_already_gets_no_body(bench: Bench, tell: Tell) -> None:
    tell()
    token = made(bench)
    first = fetch(token)
    known = {"If-None-Match": first["ETag"], "If-Modified-Since": first["Last-Modified"]}
    again = fetch(token, **known)
    assert (again.status_code, again.content) == (304, b"")
    assert again["ETag"] == first["ETag"]
    assert fetch(token, **{"If-Modified-Since": first["Last-Modified"]}).status_code == 304
    tell(1, now=NOW + timedelta(seconds=5))
    assert fetch(token, **known).status_code == 200
    assert fetch(token, **{"If-Modified-Since": first["Last-Modified"]}).status_code == 200


def test_it_is_kept_out_of_stores_and_searches(bench: Bench) -> None:
    token = made(bench)
    for answer in (fetch(token), fetch(token, **{"If-None-Match": fetch(token)["ETag"]})):
        assert answer["Cache-Control"] == "private, no-store"
        assert answer["Referrer-Policy"] == "no-referrer"
        assert "noindex" in answer["X-Robots-Tag"]
        assert "Set-Cookie" not in answer
    assert Client().post(reverse("feed", args=[token])).status_code == 405


def test_only_a_hash_of_the_address_is_stored(bench: Bench) -> None:
    token = made(bench)
    assert len(token) >= 43  # 256 bits
    assert token not in str(EchoSettings.of(bench.workshop).values().get())


def test_a_renewed_an_ended_and_a_guessed_address_lead_nowhere(bench: Bench, tell: Tell) -> None:
    tell()
    old = made(bench)
    before = ElementTree.fromstring(fetch(old).content).findtext(f"{ATOM}id")
    new = made(bench)
    assert fetch(old).status_code == 404
    assert ElementTree.fromstring(fetch(new).content).findtext(f"{ATOM}id") == before
    choices.end_feed(member=bench.technician)
    assert fetch(new).status_code == 404
    for guess in ("x", "a" * 43, "%00", "é", "a" * 5000):
        assert fetch(guess).status_code in {400, 404}


def test_the_feed_of_someone_who_left_is_gone(bench: Bench, tell: Tell) -> None:
    tell()
    token = made(bench)
    user = bench.technician.user
    user.is_active = False
    user.save()
    assert fetch(token).status_code == 410
    user.is_active = True
    user.save()
    assert fetch(token).status_code == 200
    Member.of(bench.workshop).filter(pk=bench.technician.pk).update(active=False)
    gone = fetch(token)
    assert (gone.status_code, b"J-0001" in gone.content) == (410, False)
