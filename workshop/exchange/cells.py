"""What one cell may hold. Each parser takes the trimmed text, never blank, or raises ValueError."""

import re
import unicodedata
from collections.abc import Callable
from datetime import date
from typing import Any

from workshop.domain import money

LONGEST_CELL = 4000
LONGEST_WORD = 80
Parser = Callable[[str], Any]

# A spreadsheet runs a cell that begins like this (the last four are full-width forms); exports
# put an apostrophe before it.
_RUNNABLE = re.compile(r"'*[=+\-@\t\r\n＝＋－＠]")

# What comes along unseen when text is copied: zero-width spaces and joiners, marks of direction.
_UNSEEN = (0xAD, *range(0x200B, 0x2010), *range(0x2060, 0x2065), 0xFEFF)
_NO_WIDTH = dict.fromkeys(_UNSEEN)


def armour(value: str) -> str:
    """Return the cell so that no spreadsheet runs it; `disarm` gives the original back."""
    return f"'{value}" if _RUNNABLE.match(value) else value


def disarm(cell: str) -> str:
    """Undo `armour`."""
    return cell[1:] if cell.startswith("'") and _RUNNABLE.match(cell) else cell


def _may_stand(character: str) -> bool:
    """Return True for what prints, for line ends and tabs, and for spaces of every width."""
    if character.isprintable() or character in "\n\t":
        return True
    return unicodedata.category(character) == "Zs"


def clean(value: str) -> str:
    """Return the text with plain line ends and without characters of no width."""
    return value.replace("\r\n", "\n").translate(_NO_WIDTH).strip()


def text(most: int = 200) -> Parser:
    """Return a parser of plain text of at most `most` characters."""

    def parse(cell: str) -> str:
        cell = clean(cell)
        if len(cell) > most:
            raise ValueError(f"has {len(cell)} characters; at most {most} are kept")
        if not cell.isprintable() and not all(map(_may_stand, cell)):
            raise ValueError("holds a control character")
        return cell

    return parse


def reference(most: int) -> Parser:
    """Return a parser of a reference people write on tags and addresses hold: D-0042, P-1."""

    def parse(cell: str) -> str:
        if len(cell) > most or not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", cell):
            raise ValueError(
                f"is no reference; use letters, digits, '-', '.' and '_', at most {most}"
            )
        if cell in {"new", "find"}:
            raise ValueError("is a word the site uses itself; choose another reference")
        return cell

    return parse


def day(cell: str) -> date:
    """Parse an ISO 8601 calendar date."""
    try:
        if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", cell):
            raise ValueError
        found = date.fromisoformat(cell)
    except ValueError as bad:
        raise ValueError("is no date; write it like 2026-03-31") from bad
    if not 1950 <= found.year <= 2100:
        raise ValueError("lies outside the years 1950 to 2100")
    return found


def cents(cell: str) -> int:
    """Parse an amount of money into minor units."""
    return money.to_cents(cell)


def whole(cell: str) -> int:
    """Parse a whole number from 0 to 100,000."""
    if not re.fullmatch(r"\d{1,6}", cell) or int(cell) > 100_000:
        raise ValueError("is no whole number between 0 and 100000")
    return int(cell)


def yes_no(cell: str) -> bool:
    """Parse 0 or 1."""
    if cell not in {"0", "1"}:
        raise ValueError("must be 0 or 1")
    return cell == "1"


def one_of(*allowed: str) -> Parser:
    """Return a parser of a word from a fixed list."""

    def parse(cell: str) -> str:
        if cell not in allowed:
            raise ValueError(f"is none of: {', '.join(allowed)}")
        return cell

    return parse


def word_list(cell: str) -> list[str]:
    """Parse `a|b|c` into words, without blanks and repeats."""
    words = [word.strip() for word in text(LONGEST_CELL)(cell).split("|")]
    for word in words:
        if len(word) > LONGEST_WORD:
            raise ValueError(f"holds a name of {len(word)} characters; at most {LONGEST_WORD}")
    return list(dict.fromkeys(word for word in words if word))


def attributes(cell: str) -> dict[str, str]:
    """Parse `name=value;name=value`. Names are lower-case words with underscores."""
    found: dict[str, str] = {}
    for pair in filter(None, (pair.strip() for pair in text(2000)(cell).split(";"))):
        name, mark, value = (side.strip() for side in pair.partition("="))
        if not mark or not value:
            raise ValueError(f"holds {pair!r}; write attributes as name=value;name=value")
        if not re.fullmatch(r"[a-z][a-z0-9_]{0,40}", name):
            raise ValueError(f"holds the attribute name {name!r}; use lower-case words like mount")
        if name in found:
            raise ValueError(f"names {name} twice")
        found[name] = value
    return found


def attributes_text(found: dict[str, str]) -> str:
    """Return attributes as `name=value;name=value`, in alphabetical order."""
    return ";".join(f"{name}={found[name]}" for name in sorted(found))
