"""Reading a saved feed: Atom 1.0 (RFC 4287) and RSS 2.0 (rssboard.org/rss-specification).

The parser refuses a document type declaration, and with it every entity of its own: neither
expansion (billion laughs, quadratic blow-up) nor an external file can be asked for. Depth,
elements and size are limited. Nothing is fetched.
"""

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, datetime
from email.utils import parsedate_to_datetime
from xml.parsers import expat

from workshop.domain.refusals import ValueRefused

LARGEST_FEED = 20 * 1024 * 1024  # bytes
MOST_DEPTH = 60
MOST_ELEMENTS = 1_000_000
MOST_ENTRIES = 20_000
LONGEST_FIELD = 80_000  # characters of one element; cleaning.py refuses less

ATOM = "http://www.w3.org/2005/Atom"
CONTENT = "http://purl.org/rss/1.0/modules/content/"
_ENCODINGS = {"utf-8", "utf8", "us-ascii", "ascii", "iso-8859-1", "latin1", "windows-1252"}
_DECLARED = re.compile(rb"""^\s*<\?xml[^>]{0,200}?encoding\s*=\s*["']([A-Za-z0-9._-]+)["']""")


@dataclass(slots=True)
class Entry:
    """One entry. html or plain, as the feed has it; link: its address, else its id."""

    title: str = ""
    text: str = ""
    link: str = ""
    id: str = ""

    @property
    def key(self) -> str:
        return self.link or self.id


@dataclass(slots=True)
class Feed:
    """Its entries in order, and the day it says it was made on."""

    entries: list[Entry] = field(default_factory=list)
    made_on: date | None = None


def read_feed(raw: bytes) -> Feed:
    """Return the entries of a feed. Raises ValueRefused with the reason."""
    text = decoded(raw, most=LARGEST_FEED)
    reader = _Reader()
    try:
        reader.parser.Parse(text.encode(), True)
    except expat.ExpatError as bad:
        where = f"line {bad.lineno}, column {bad.offset + 1}"
        raise _refused(f"is no well-formed XML: {expat.ErrorString(bad.code)} at {where}") from bad
    if not reader.is_feed:
        raise _refused("is neither an Atom 1.0 nor an RSS 2.0 feed")
    if not reader.feed.entries:
        raise _refused("holds no entry")
    return reader.feed


def decoded(raw: bytes, *, most: int) -> str:
    """Return the text of a file in a known encoding. Raises ValueRefused."""
    if len(raw) > most:
        raise _refused(f"has {len(raw)} bytes; at most {most} are read. Split it")
    if raw[:2] == b"\x1f\x8b" or raw[:4] == b"PK\x03\x04":
        raise _refused("is compressed; unpack it first")
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\x00" in raw[:4096]:
        raise _refused("is not UTF-8 (UTF-16 or a binary file); save it as UTF-8")
    declared = _DECLARED.match(raw[:400].removeprefix(b"\xef\xbb\xbf"))
    name = declared[1].decode().lower() if declared else "utf-8"
    if name not in _ENCODINGS:
        raise _refused(f"says that it is in {name}; save it as UTF-8")
    try:
        return raw.decode("utf-8-sig" if name.startswith("utf") else name)
    except UnicodeDecodeError as bad:
        raise _refused(f"is not {name} at byte {bad.start}; save it as UTF-8") from bad


def _refused(why: str) -> ValueRefused:
    return ValueRefused({"file": f"The feed {why}."})


class _Reader:
    """Takes what is needed while the parser goes through; the rest is passed over."""

    def __init__(self) -> None:
        self.feed = Feed()
        self.is_feed = False
        self.path: list[str] = []
        self.entry: Entry | None = None
        self.at = 0  # depth of the element whose text is taken, 0 for none
        self.take: Callable[[str], None] = _ignore
        self.texts: list[str] = []
        self.length = self.elements = 0
        self.parser = expat.ParserCreate("utf-8", namespace_separator=" ")
        self.parser.buffer_text = True
        self.parser.StartDoctypeDeclHandler = self._doctype
        self.parser.EntityDeclHandler = self._doctype
        self.parser.ExternalEntityRefHandler = self._doctype
        self.parser.StartElementHandler = self._start
        self.parser.EndElementHandler = self._end
        self.parser.CharacterDataHandler = self._data

    def _doctype(self, *_: object) -> int:
        raise _refused("declares a document type or entities, which no feed needs")

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        self.elements += 1
        if len(self.path) >= MOST_DEPTH:
            raise _refused(f"is nested more than {MOST_DEPTH} deep")
        if self.elements > MOST_ELEMENTS:
            raise _refused(f"has more than {MOST_ELEMENTS} elements; split it")
        space, _, local = name.rpartition(" ")
        if not self.path:
            self.is_feed = (space, local) == (ATOM, "feed") or (space, local) == ("", "rss")
        self.path.append(local)
        if self.at:
            self.texts.append("\n")  # XHTML inside: only its text is kept
        elif self.entry is None:
            self._start_of_feed(space, local)
        else:
            self._start_in_entry(self.entry, space, local, attributes)

    def _start_of_feed(self, space: str, local: str) -> None:
        if (space, local) in ((ATOM, "entry"), ("", "item")):
            if len(self.feed.entries) >= MOST_ENTRIES:
                raise _refused(f"has more than {MOST_ENTRIES} entries; split it")
            self.entry = Entry()
            self.feed.entries.append(self.entry)
        elif (space, local) == (ATOM, "updated"):
            self._take_text(self._made_on_iso)
        elif (space, local) == ("", "lastBuildDate"):
            self._take_text(self._made_on_mail)

    def _start_in_entry(
        self, entry: Entry, space: str, local: str, attributes: dict[str, str]
    ) -> None:
        if (space, local) == (ATOM, "link"):
            if attributes.get("rel", "alternate") == "alternate" and not entry.link:
                entry.link = attributes.get("href", "")[:2000].strip()
        elif (space, local) == ("", "link"):
            self._take_text(lambda text: setattr(entry, "link", text.strip()))
        elif local == "title" and space in (ATOM, ""):
            self._take_text(lambda text: setattr(entry, "title", text.strip()))
        elif (space, local) in ((ATOM, "id"), ("", "guid")):
            self._take_text(lambda text: setattr(entry, "id", text.strip()))
        elif (space, local) in (
            (ATOM, "summary"),
            (ATOM, "content"),
            ("", "description"),
            (CONTENT, "encoded"),
        ):
            self._take_text(lambda text: _longer(entry, text))

    def _take_text(self, take: Callable[[str], None]) -> None:
        self.at, self.take, self.texts, self.length = len(self.path), take, [], 0

    def _data(self, text: str) -> None:
        if self.at:
            self.length += len(text)
            if self.length > LONGEST_FIELD:
                raise _refused(f"has an element of more than {LONGEST_FIELD} characters")
            self.texts.append(text)

    def _end(self, name: str) -> None:
        if self.at == len(self.path):
            self.take("".join(self.texts))
            self.at, self.take = 0, _ignore
        elif self.at:
            self.texts.append("\n")
        local = self.path.pop()
        if not self.at and self.entry is not None and local in ("entry", "item"):
            self.entry = None

    def _made_on_iso(self, text: str) -> None:
        try:
            self.feed.made_on = datetime.fromisoformat(text.strip()).date()
        except ValueError:
            self.feed.made_on = None

    def _made_on_mail(self, text: str) -> None:
        try:
            self.feed.made_on = parsedate_to_datetime(text.strip()).date()
        except (ValueError, IndexError, TypeError):
            self.feed.made_on = None


def _ignore(_: str) -> None:
    return


def _longer(entry: Entry, text: str) -> None:
    """Keep the longer of summary and content."""
    if len(text) > len(entry.text):
        entry.text = text
