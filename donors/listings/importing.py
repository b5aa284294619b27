"""From a file a person saved to the listings in it: a feed, a CSV file, an e-mail, plain text."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from enum import StrEnum

from django.db import transaction

from donors.catalogue import Catalogue
from donors.domain.listings.cleaning import LARGEST_RAW
from donors.domain.listings.feeds import decoded, read_feed
from donors.domain.listings.mail import read_mail
from donors.listings.services import Offered, Stored, add_listings
from donors.models import Listing
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row, read_text, refuse_if_bad
from workshop.models import Member, Workshop

LARGEST_FILE = 20 * 1024 * 1024
COLUMNS = (
    Column("id_or_link", cells.text(500)),
    Column("title", cells.text(200)),
    Column("text", cells.text(cells.LONGEST_CELL)),
    Column("price", cells.cents),
    Column("currency", cells.text(3)),
    Column("seen_on", cells.day),
)


class Kind(StrEnum):
    """What a file is taken for."""

    AUTO = "auto"
    TEXT = "text"
    FEED = "feed"
    CSV = "csv"
    EMAIL = "email"


SOURCES = {
    Kind.TEXT: Listing.Source.TEXT,
    Kind.FEED: Listing.Source.FEED,
    Kind.CSV: Listing.Source.CSV,
    Kind.EMAIL: Listing.Source.EMAIL,
}


class _DryRun(Exception):
    """Takes back what a trial wrote."""


@dataclass(frozen=True, slots=True)
class Imported:
    """What a file brought."""

    kind: Kind
    stored: Sequence[Stored]

    @property
    def new(self) -> int:
        return sum(one.is_new for one in self.stored)

    @property
    def again(self) -> int:
        return len(self.stored) - self.new

    @property
    def prices(self) -> int:
        return sum(one.price_changed for one in self.stored)

    def __str__(self) -> str:
        return f"{self.new} new, {self.again} seen again, {self.prices} of them at another price"


def import_file(
    *,
    workshop: Workshop,
    raw: bytes,
    name: str,
    member: Member | None,
    on: date,
    kind: Kind = Kind.AUTO,
    dry_run: bool = False,
    catalogue: Catalogue | None = None,
) -> Imported:
    """Store the listings of a file: all, or none with the reasons. dry_run: say what would be.

    Raises InputRefused, FileRefused.
    """
    found = taken_for(raw, name) if kind is Kind.AUTO else kind
    offered = read_listings(raw, name=name, kind=found, on=on)
    stored: list[Stored] = []
    try:
        with transaction.atomic():
            stored = add_listings(
                workshop=workshop,
                offered=offered,
                source=SOURCES[found],
                member=member,
                on=on,
                catalogue=catalogue,
            )
            if dry_run:
                raise _DryRun
    except _DryRun:
        pass
    return Imported(found, stored)


def taken_for(raw: bytes, name: str) -> Kind:
    """Return what a file is, by what it begins with; its name decides where that says nothing."""
    head = raw[:2000].removeprefix(b"\xef\xbb\xbf").lstrip()
    first = head.split(b"\n", 1)[0].lower()
    if head.startswith(b"<?xml") or head[:4].lower() == b"<rss" or head[:5].lower() == b"<feed":
        return Kind.FEED
    if b"id_or_link" in first and b"," in first:
        return Kind.CSV
    ending = name.lower().rpartition(".")[2]
    by_name = {"xml": Kind.FEED, "atom": Kind.FEED, "rss": Kind.FEED, "csv": Kind.CSV}
    by_name["eml"] = Kind.EMAIL
    return by_name.get(ending, Kind.TEXT)


def read_listings(raw: bytes, *, name: str, kind: Kind, on: date) -> list[Offered]:
    """Return the listings of a file. Raises InputRefused, FileRefused for CSV."""
    if len(raw) > LARGEST_FILE:
        raise InputRefused(
            f"{name} has {len(raw)} bytes; at most {LARGEST_FILE} are read. Split it.",
            fields={"file": f"At most {LARGEST_FILE // 1024 // 1024} MB."},
        )
    try:
        match kind:
            case Kind.FEED:
                return _of_feed(raw, on)
            case Kind.CSV:
                return [_of_row(row) for row in _rows(raw, name, on)]
            case Kind.EMAIL:
                return [_of_mail(raw, on)]
            case _:
                return [Offered(decoded(raw, most=4 * LARGEST_RAW))]
    except ValueRefused as bad:
        said = " ".join(bad.fields.values())
        raise InputRefused(f"{name}: nothing was imported. {said}", fields=bad.fields) from bad


def _of_feed(raw: bytes, on: date) -> list[Offered]:
    feed = read_feed(raw)
    made_on = feed.made_on if feed.made_on and feed.made_on <= on else None
    return [
        Offered(entry.text, title=entry.title, link=entry.key, seen_on=made_on)
        for entry in feed.entries
    ]


def _of_mail(raw: bytes, on: date) -> Offered:
    mail = read_mail(raw)
    sent_on = mail.sent_on if mail.sent_on and mail.sent_on <= on else None
    return Offered(mail.text, title=mail.subject, link=mail.id, seen_on=sent_on)


def _rows(raw: bytes, name: str, on: date) -> list[Row]:
    rows = read_text(raw, COLUMNS, name=name)
    for row in rows:
        if not row["text"] and not row["title"]:
            row.refuse("text", "is blank, and so is the title; give one of them")
        if row["seen_on"] is not None and row["seen_on"] > on:
            row.refuse("seen_on", f"lies ahead of today, {on}")
        currency = row["currency"]
        if currency and not (len(currency) == 3 and currency.isascii() and currency.isalpha()):
            row.refuse("currency", "is no ISO 4217 code; write it like EUR")
    refuse_if_bad(rows, name)
    return rows


def _of_row(row: Row) -> Offered:
    return Offered(
        row["text"] or row["title"],
        title=row["title"] or "",
        link=row["id_or_link"] or "",
        price_cents=row["price"],
        currency=(row["currency"] or "").upper(),
        seen_on=row["seen_on"],
    )
