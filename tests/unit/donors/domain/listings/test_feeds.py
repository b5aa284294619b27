"""Saved feeds. Examples: RFC 4287 section 1.1 (the brief Atom document) and the RSS 2.0
specification's sample item; attacks: the entity expansions of CVE-2003-1564 and kin."""

import gzip
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.listings.feeds import LONGEST_FIELD, MOST_DEPTH, read_feed
from workshop.domain.refusals import ValueRefused

# RFC 4287, 1.1, verbatim but for white space.
RFC_4287 = b"""<?xml version="1.0" encoding="utf-8"?>
<feed xmlns="http://www.w3.org/2005/Atom">
  <title>Example Feed</title>
  <link href="http://example.org/"/>
  <updated>2003-12-13T18:30:02Z</updated>
  <author><name>John Doe</name></author>
  <id>urn:uuid:60a76c80-d399-11d9-b93C-0003939e0af6</id>
  <entry>
    <title>Atom-Powered Robots Run Amok</title>
    <link href="http://example.org/2003/12/13/atom03"/>
    <id>urn:uuid:1225c695-cfb8-4ebb-aaaa-80da344efa6a</id>
    <updated>2003-12-13T18:30:02Z</updated>
    <summary>Some text.</summary>
  </entry>
</feed>"""
RSS = b"""<?xml version="1.0"?>
<rss version="2.0"><channel><title>Lift Off News</title>
<lastBuildDate>Tue, 10 Jun 2003 09:41:01 GMT</lastBuildDate>
<item><title>Star City</title><link>http://example.test/news.asp</link>
<description>How do &lt;b&gt;they&lt;/b&gt; train?</description>
<guid>http://example.test/2003/06/03.html#item573</guid></item>
<item><description>Sky watchers</description><guid>only-an-id</guid></item>
</channel></rss>"""
ENTRY = '<entry xmlns="http://www.w3.org/2005/Atom"><title>t</title>{}</entry>'


def feed_of(inside: str, head: str = "") -> bytes:
    return f'{head}<feed xmlns="http://www.w3.org/2005/Atom">{inside}</feed>'.encode()


def test_the_example_of_the_standard():
    feed = read_feed(RFC_4287)
    (entry,) = feed.entries
    assert (entry.title, entry.text) == ("Atom-Powered Robots Run Amok", "Some text.")
    assert entry.key == "http://example.org/2003/12/13/atom03"
    assert str(feed.made_on) == "2003-12-13"


def test_rss():
    feed = read_feed(RSS)
    assert [entry.key for entry in feed.entries] == ["http://example.test/news.asp", "only-an-id"]
    assert feed.entries[0].text == "How do <b>they</b> train?"
    assert str(feed.made_on) == "2003-06-10"


def test_xhtml_content_is_read_as_its_text():
    inside = (
        '<content type="xhtml"><div xmlns="http://www.w3.org/1999/xhtml">'
        "<p>One <b>washer</b></p><p>two</p></div></content>"
    )
    (entry,) = read_feed(feed_of(ENTRY.format(inside))).entries
    assert entry.text.split() == ["One", "washer", "two"]


LAUGHS = '<!DOCTYPE l [<!ENTITY a "ha">' + "".join(
    f'<!ENTITY {new} "{f"&{old};" * 10}">'
    for old, new in zip("abcdefghi", "bcdefghij", strict=True)
)


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (feed_of(ENTRY.format("<summary>&j;</summary>"), LAUGHS + "]>"), "document type"),
        (feed_of(ENTRY.format(""), f'<!DOCTYPE x [<!ENTITY a "{"x" * 9999}">]>'), "document type"),
        (
            feed_of(
                ENTRY.format("<summary>&e;</summary>"),
                '<!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/passwd">]>',
            ),
            "document type",
        ),
        (feed_of("", '<!DOCTYPE x SYSTEM "http://example.test/x.dtd">'), "document type"),
        (feed_of(ENTRY.format("&nbsp;")), "well-formed"),
        (b"<feed><entry>", "well-formed"),
        (b"<html/>", "neither"),
        (feed_of(""), "no entry"),
        (b"", "well-formed"),
        (feed_of("<a>" * (MOST_DEPTH + 5) + "</a>" * (MOST_DEPTH + 5)), "nested"),
        (gzip.compress(RFC_4287), "compressed"),
        (RFC_4287.decode().encode("utf-16"), "UTF-16"),
        (RFC_4287.replace(b"utf-8", b"utf-7"), "utf-7"),
        (RFC_4287.replace(b"utf-8", b"utf-16"), "utf-16"),
        (RFC_4287.replace(b"Some", b"\xff\xfe"), "not utf-8"),
        (feed_of(ENTRY.format(f"<summary>{'x' * (LONGEST_FIELD + 1)}</summary>")), "characters"),
        (b"x" * (21 * 1024 * 1024), "at most"),
    ],
)
def test_what_is_broken_or_hostile_is_refused_with_the_reason(raw, why):
    with pytest.raises(ValueRefused) as refused:
        read_feed(raw)
    assert why in refused.value.fields["file"]


@given(st.binary(max_size=300) | st.text(max_size=200).map(str.encode))
def test_any_bytes_are_read_or_refused(raw):
    for whole in (raw, RSS[: len(RSS) // 2] + raw):
        with suppress(ValueRefused):
            assert read_feed(whole).entries
