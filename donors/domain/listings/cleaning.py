"""From what was pasted or fetched by a person to plain text: tags, scripts and hidden marks go.

Nothing is followed or fetched. What is longer than the limits is refused, not cut.
"""

import html
import re
import unicodedata
from html.parser import HTMLParser
from urllib.parse import urlsplit

from workshop.domain.refusals import ValueRefused

LARGEST_RAW = 60_000  # characters as given, tags and all: what is kept
LARGEST_TEXT = 20_000  # characters of plain text: what is read (lookup/texts.py reads as much)
LONGEST_LINE = 2_000
LONGEST_LINK = 500

# What is in these is no text of the page (HTML Living Standard, metadata and scripting content).
_DROPPED = frozenset({"script", "style", "template", "head", "title", "noscript", "svg", "object"})
_BREAKS = frozenset(
    {"p", "div", "br", "li", "tr", "h1", "h2", "h3", "h4", "h5", "h6", "td", "th", "dd", "dt"}
    | {"ul", "ol", "table", "section", "article", "hr", "blockquote", "pre"}
)
_TAG = re.compile(r"<\s{0,9}/?\s{0,9}[a-zA-Z!][^<>]{0,2000}>|<!--")
_SPACES = re.compile(r"[^\S\n]+")
_LINES = re.compile(r"\n{3,}")
# Cc but for line ends and tabs, Cf (marks of direction, zero width), Co, Cs.
_KEPT = frozenset("\n\t")


class _Text(HTMLParser):
    """Collects the text of a page; broken markup is read as far as it goes."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.found: list[str] = []
        self._inside: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        if tag in _DROPPED:
            self._inside.append(tag)
        elif tag in _BREAKS:
            self.found.append("\n")

    def handle_endtag(self, tag: str) -> None:
        if tag in self._inside:
            while self._inside and self._inside.pop() != tag:
                pass
        elif tag in _BREAKS:
            self.found.append("\n")

    def handle_startendtag(self, tag: str, attrs: object) -> None:
        if tag in _BREAKS:
            self.found.append("\n")

    def handle_data(self, data: str) -> None:
        if not self._inside:
            self.found.append(data)


def plain_text(raw: str, *, field: str = "text") -> str:
    """Return what a person would read. Raises ValueRefused when blank or longer than the limits."""
    if len(raw) > LARGEST_RAW:
        raise ValueRefused(
            {field: f"has {len(raw)} characters; at most {LARGEST_RAW} are kept. Paste less of it."}
        )
    text = cleaned(_without_tags(raw))
    if not any(character.isalnum() for character in text):
        raise ValueRefused({field: "holds no word that can be read. Paste the listing's text."})
    if len(text) > LARGEST_TEXT:
        raise ValueRefused(
            {field: f"has {len(text)} characters of text; at most {LARGEST_TEXT} are read."}
        )
    return text


def _without_tags(raw: str) -> str:
    if not _TAG.search(raw):
        return html.unescape(raw)
    reader = _Text()
    reader.feed(_without_comments(raw))
    reader.close()
    return "".join(reader.found)


def _without_comments(raw: str) -> str:
    """Return markup without comments; one that never ends takes the rest with it.

    The parser would look for the end of each anew: seconds for a text of nothing else.
    """
    kept, at = [], 0
    while (start := raw.find("<!--", at)) >= 0:
        kept.append(raw[at:start])
        end = raw.find("-->", start + 4)
        if end < 0:
            return "".join(kept)
        at = end + 3
    return "".join([*kept, raw[at:]])


def cleaned(text: str) -> str:
    """Return text in NFC without control and direction marks; spaces are one, long lines broken."""
    whole = text.replace("\r\n", "\n").replace("\r", "\n").replace("\N{NO-BREAK SPACE}", " ")
    if not whole.isascii():
        whole = unicodedata.normalize("NFC", whole)
    seen = "".join(c for c in whole if c in _KEPT or unicodedata.category(c)[0] != "C")
    lines = (_SPACES.sub(" ", line).strip() for line in seen.split("\n"))
    return _LINES.sub("\n\n", "\n".join(_broken(line) for line in lines)).strip()


def _broken(line: str) -> str:
    starts = range(0, len(line), LONGEST_LINE)
    return "\n".join(line[start : start + LONGEST_LINE] for start in starts)


def one_line(text: str, *, most: int) -> str:
    """Return text on one line, shortened with an ellipsis when longer than `most`."""
    line = " ".join(cleaned(text[: most * 20]).split())
    return line if len(line) <= most else line[: most - 1].rstrip() + "…"


def safe_link(text: str) -> str:
    """Return an http or https address that may stand behind a link, "" for any other."""
    if not text or len(text) > LONGEST_LINK or any(c.isspace() or ord(c) < 33 for c in text):
        return ""
    if any(unicodedata.category(c)[0] == "C" for c in text) or "\\" in text:
        return ""
    try:
        parts = urlsplit(text)
        fine = parts.scheme in ("http", "https") and parts.hostname and not parts.username
    except ValueError:
        return ""
    return text if fine else ""
