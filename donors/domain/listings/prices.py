"""The price asked in a text: what stands beside a currency or a word that names a price.

A year, a phone number, a size, what the machine cost new or what delivery costs is no price
asked. Where the text can be read two ways, both readings are told.
"""

import re
from collections.abc import Iterator
from dataclasses import dataclass

CURRENCIES = {
    "€": "EUR",
    "eur": "EUR",
    "euro": "EUR",
    "euros": "EUR",
    "£": "GBP",
    "gbp": "GBP",
    "pounds": "GBP",
    "quid": "GBP",
    "$": "USD",
    "usd": "USD",
    "dollars": "USD",
    "chf": "CHF",
    "sek": "SEK",
    "nok": "NOK",
    "dkk": "DKK",
    "pln": "PLN",
}
MOST_CENTS = 10_000_000  # a household machine for more is a slip
MOST_AMOUNTS = 200  # amounts looked at in one text
AROUND = 28  # characters before and behind an amount that say what it is

_NUMBER = r"\d{1,3}(?:[.,'\u2019 ]\d{3}){1,4}(?:[.,]\d{1,2})?|\d{1,7}(?:[.,]\d{1,3})?"
_SIGN = r"€|£|\$|(?<![a-z])(?:euros?|eur|gbp|pounds|quid|usd|dollars|chf|sek|nok|dkk|pln)(?![a-z])"
_AMOUNT = re.compile(
    rf"(?<![\w.,])(?P<minus>[-\N{{MINUS SIGN}}]\s?)?(?P<before>{_SIGN})?\s?"
    rf"(?P<minus2>[-\N{{MINUS SIGN}}])?(?P<number>{_NUMBER})(?P<dash>,-+|\.-+|,\N{{EN DASH}})?"
    rf"(?:\s?(?:-|\N{{EN DASH}}|to|or)\s?(?:{_SIGN})?\s?(?P<upper>{_NUMBER})(?![\w]))?"
    rf"\s?(?P<after>{_SIGN})?(?![\w%])",
    re.IGNORECASE,
)
_ASKED = re.compile(
    r"\b(asking|price|priced|asked|now|sell(?:ing)?(?: it)? for|yours for|for only|only|"
    r"want|wanting|looking for|take|offers? (?:around|over|above)|o\.?n\.?o\.?|o\.?b\.?o\.?|"
    r"vb|vhb|fixed|open to offers|or (?:nearest|best) offer|negotiable)\b",
    re.IGNORECASE,
)
_NAMES_PRICE = re.compile(
    r"\b(asking(?: price)?|price|yours for|sell(?:ing)?(?: it)? for|offers? (?:around|over))"
    r"\s*(?:is|:|=|-)?\s*$",
    re.IGNORECASE,
)
_TERMS_BEHIND = re.compile(
    r"^\s*(o\.?n\.?o\b|o\.?b\.?o\b|vb\b|vhb\b|or nearest offer|or best)", re.IGNORECASE
)
_NOT_ASKED = re.compile(
    r"\b((?<!as )(?<!like )new(?: price)?|rrp|cost(?:s|ed)?|paid|worth|was|"
    r"originally|retail(?:s|ed)?|deposit|deliver(?:y|ed)?|postage|shipping|carriage|repair|quote[d]?|part|spare|save|voucher|"
    r"installation|a month|per month|instead of|list price)\b[^.;,\n\d]{0,16}$|"
    r"\b(bought|purchased)\b[^.;,\n]{0,24}$",
    re.IGNORECASE,
)
_NOT_ASKED_BEHIND = re.compile(
    r"^[^.;,\n\d]{0,4}\b(new|when new|deliver(?:y|ed)|postage|shipping|extra|deposit|to repair|"
    r"per month|a month|rrp)\b",
    re.IGNORECASE,
)
_FREE = re.compile(
    r"\b(free to (?:a )?(?:collector|collect|good home|whoever|take|anyone|uplift)|"
    r"free (?:for|on) (?:collection|uplift|pick[- ]?up)|(?:for|it'?s|is|going) free\b(?! ?stand)|"
    r"give ?away|giving (?:it )?away|gratis|no charge|zu verschenken|"
    r"free (?:if|when) (?:you )?collect(?:ed)?|price\s*:?\s*free)\b",
    re.IGNORECASE,
)
_HAGGLE = re.compile(
    r"\b(o\.?n\.?o\.?|o\.?b\.?o\.?|or nearest offer|or best offer|negotiable|open to offers|"
    r"vb|vhb|offers)(?!\w)",
    re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Price:
    """What is asked. low == high unless a range is named; free is 0. Money in cents.

    words: text[start:end] it was read from. also: other readings of the text, in cents.
    refused: why something that looked like a price is none ("-5: below zero").
    """

    low: int
    high: int
    currency: str
    words: str
    start: int
    end: int
    negotiable: bool = False
    also: tuple[int, ...] = ()

    @property
    def ambiguous(self) -> bool:
        return bool(self.also)

    @property
    def cents(self) -> int:
        """The price to reckon with: of a range the upper end, the dearer reading."""
        return self.high


@dataclass(frozen=True, slots=True)
class Amount:
    """One amount of a text with a currency or a price word beside it."""

    price: Price
    rank: int  # how surely it is the one asked


def amounts_in(text: str) -> tuple[list[Amount], list[str]]:
    """Return the amounts that may be asked, in the order of the text, and what was refused."""
    found: list[Amount] = []
    refused: list[str] = []
    for number, match in enumerate(_AMOUNT.finditer(text)):
        if number >= MOST_AMOUNTS:
            break
        one = _amount(text, match, refused)
        if one is not None:
            found.append(one)
    return found, refused


def read_price(text: str) -> tuple[Price | None, list[str]]:
    """Return the price asked, None when the text names none, and what was refused with reasons."""
    found, refused = amounts_in(text)
    free = _FREE.search(text)
    best = max(found, key=lambda one: (one.rank, -one.price.start), default=None)
    if free is not None and (best is None or best.rank < 3):
        words = free.group()
        return Price(0, 0, "", words, free.start(), free.end()), refused
    if best is None:
        return None, refused
    rivals = {
        one.price.high
        for one in found
        if one.rank == best.rank and one.price.high != best.price.high
    }
    return _with_others(best.price, tuple(sorted(rivals))[:3]), refused


def _with_others(price: Price, rivals: tuple[int, ...]) -> Price:
    return Price(
        price.low,
        price.high,
        price.currency,
        price.words,
        price.start,
        price.end,
        price.negotiable,
        (*price.also, *rivals),
    )


def _amount(text: str, match: "re.Match[str]", refused: list[str]) -> Amount | None:
    before = text[max(0, match.start() - AROUND) : match.start()]
    behind = text[match.end() : match.end() + AROUND]
    sign = (match["before"] or match["after"] or "").lower()
    named = bool(_NAMES_PRICE.search(before) or _TERMS_BEHIND.match(behind))
    if not (sign or match["dash"] or named):
        return None
    if _NOT_ASKED.search(before) or _NOT_ASKED_BEHIND.match(behind):
        return None
    if (match["minus"] and not re.search(r"\d\s?$", before)) or match["minus2"]:
        refused.append(f"{match.group().strip()}: a price below zero")
        return None
    readings = _readings(match["number"])
    upper = _readings(match["upper"]) if match["upper"] else readings
    if not readings or not upper or max(readings[0], upper[0]) > MOST_CENTS:
        return None
    if not sign and not match["dash"] and _is_year(match["number"]):
        return None
    low, high = sorted((readings[0], upper[0]))
    price = Price(
        low,
        high,
        CURRENCIES.get(sign, ""),
        " ".join(match.group().split()),
        match.start(),
        match.end(),
        bool(_HAGGLE.search(behind) or _HAGGLE.search(before)),
        tuple(readings[1:] if low == high else ()),
    )
    rank = 1 + bool(sign) + 2 * bool(named or _ASKED.search(before) or _TERMS_BEHIND.match(behind))
    return Amount(price, rank)


def _is_year(number: str) -> bool:
    return bool(re.fullmatch(r"(19[5-9]|20[0-4])\d", number))


def _readings(number: str) -> list[int]:
    """Return an amount in cents, the likelier reading first: 1.200 is 1200, perhaps 1.20."""
    digits = re.sub(r"['\u2019 ]", "", number)
    marks = [c for c in digits if c in ".,"]
    if not marks:
        return [int(digits) * 100]
    last = max(digits.rfind("."), digits.rfind(","))
    behind = digits[last + 1 :]
    whole = re.sub(r"[.,]", "", digits[:last])
    if len(behind) == 3:
        thousands = int(whole + behind) * 100
        alone = len(marks) == 1 and len(whole) <= 2
        # Whoever writes 1.200 means thousands; three decimals are rare but cannot be ruled out.
        return [thousands, round(float(f"{whole}.{behind}") * 100)] if alone else [thousands]
    return [int(whole or "0") * 100 + int(behind.ljust(2, "0"))]


_PHONE = re.compile(r"(?<![\w.])(?:\+|00)?\(?\d{2,5}\)?(?:[ /.-]?\d{2,5}){2,5}(?!\w)")
_SIZE = re.compile(
    r"\b\d+(?:[.,]\d+)?\s?(?:x\s?\d+(?:[.,]\d+)?\s?){0,4}(?:cm|mm|m|kg|kgs|litres?|ltr|l|rpm|w|kw|v|"
    r"watts?|volts?|hz|years?|yrs?|months?|place|settings?|bar|db|kwh|miles?|km|min|mins|pm|am)\b",
    re.IGNORECASE,
)


def spans_of_no_number(text: str) -> Iterator[tuple[int, int]]:
    """Yield where phone numbers, sizes and amounts stand: no model number is sought in them."""
    for pattern in (_SIZE,):
        for match in pattern.finditer(text):
            yield match.span()
    for match in _PHONE.finditer(text):
        digits = sum(c.isdigit() for c in match.group())
        before = text[max(0, match.start() - 16) : match.start()].lower()
        called = re.search(r"(tel|phone|call|text|mob|ring|whatsapp|fon|contact)[^a-z]*$", before)
        if digits >= 9 and (called or match.group()[0] in "+0"):
            yield match.span()
    for amount in amounts_in(text)[0]:
        yield amount.price.start, amount.price.end
