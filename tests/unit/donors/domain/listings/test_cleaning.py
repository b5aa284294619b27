"""Cleaning pasted text. HTML cases: WHATWG HTML Living Standard, 13.1 (raw text, entities)."""

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.listings.cleaning import (
    LARGEST_RAW,
    LARGEST_TEXT,
    LONGEST_LINE,
    cleaned,
    one_line,
    plain_text,
    safe_link,
)
from workshop.domain.refusals import ValueRefused


@pytest.mark.parametrize(
    ("raw", "text"),
    [
        ("plain &amp; simple", "plain & simple"),
        ("<p>Washer</p><p>40 &euro;</p>", "Washer\n\n40 €"),
        ("a<script>alert('x <b>')</script>b", "ab"),
        ("a<style>p{color:red}</style>b<!-- hidden -->c", "abc"),
        ("<b onclick=steal()>bold</b>", "bold"),
        ("5 < 6 and 7 > 2", "5 < 6 and 7 > 2"),
        ("spin\u202e9991\u202c speed\u200b up", "spin9991 speed up"),
        ("bell\x07 nul\x00 del\x7f", "bell nul del"),
        ("<template><p>never shown</p></template>shown", "shown"),
        ("line<br>break<br/>again", "line\nbreak\nagain"),
        ("<unclosed <b>text", "text"),
    ],
)
def test_plain_text(raw, text):
    assert plain_text(raw) == text


@pytest.mark.parametrize(
    "raw", ["", "   \n\t", "<script>only()</script>", "!!! ???", "\u202e\u200b", "<p></p>"]
)
def test_a_listing_without_words_is_refused(raw):
    with pytest.raises(ValueRefused) as refused:
        plain_text(raw)
    assert "no word" in refused.value.fields["text"]


@pytest.mark.parametrize("raw", ["x" * (LARGEST_RAW + 1), "word " * (LARGEST_TEXT // 4)])
def test_a_listing_beyond_the_limits_is_refused_not_cut(raw):
    with pytest.raises(ValueRefused) as refused:
        plain_text(raw)
    assert "at most" in refused.value.fields["text"]


@given(st.text(max_size=400))
def test_cleaning_twice_changes_nothing_and_nothing_hidden_is_left(text):
    once = cleaned(text)
    assert cleaned(once) == once
    assert all(c == "\n" or unicodedata.category(c)[0] != "C" for c in once)
    assert all(len(line) <= LONGEST_LINE for line in once.split("\n"))


@given(st.text(alphabet="<>/abscriptle!-=\"' &;", max_size=200))
def test_no_tag_is_left_of_any_markup(markup):
    try:
        text = plain_text(f"<p>word</p>{markup}")
    except ValueRefused:
        return
    assert "<p>" not in text


def test_a_long_line_is_broken():
    assert cleaned("a" * (LONGEST_LINE + 5)) == "a" * LONGEST_LINE + "\n" + "a" * 5


def test_one_line():
    assert one_line(" two\n lines ", most=20) == "two lines"
    assert one_line("a" * 30, most=10) == "a" * 9 + "…"


@pytest.mark.parametrize(
    ("link", "kept"),
    [
        ("https://example.test/offer/1", True),
        ("http://example.test/?a=1&b=2", True),
        ("javascript:alert(1)", False),
        ("JavaScript:alert(1)", False),
        ("java\nscript:alert(1)", False),
        ("data:text/html,<script>", False),
        ("//example.test/x", False),
        ("https://user:pw@example.test/", False),
        ("https:\\\\example.test", False),
        ("https://exa\u202emple.test/", False),
        ("https://[broken", False),
        ("vbscript:x", False),
        ("tag:example.test,2026:1", False),
        ("https://example.test/" + "a" * 600, False),
    ],
)
def test_only_web_addresses_become_links(link, kept):
    assert safe_link(link) == (link if kept else "")
