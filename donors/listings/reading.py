"""What a listing's text says: make and model number, kind of machine, fault, price, age.

Every finding carries the words it came from. Nothing is stored here.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date

from donors.catalogue import Catalogue
from donors.domain.listings.cleaning import one_line, plain_text
from donors.domain.listings.prices import Price, read_price, spans_of_no_number
from donors.domain.listings.wording import (
    AgeSaid,
    CauseSaid,
    age_said,
    appliance_said,
    cause_said,
    is_elsewhere,
    is_plated,
)
from donors.domain.lookup import texts
from donors.domain.model_numbers import canonical
from donors.listings.words import appliance_words, cause_words
from donors.models import Make
from donors.plates import certainty
from donors.recognition import Mention, Recognition

MOST_SEARCHED = 4  # runs of a text searched beyond their exact keys
LONGEST_NUMBER = 80
# How far a number that stands in a text is this machine's own, by what stands beside it. Measured
# on invented texts (docs/listings.md), where it was right more often: what is left open is for
# what real sellers write and those texts do not.
PLATED, BESIDE_MAKE, ALONE, ELSEWHERE = 0.99, 0.985, 0.98, 0.3
# A reading that the lookup itself doubts is doubted more in running text, where any word of
# letters and digits may be taken for a number; behind a plate word it is not. Measured likewise.
SURE_FROM, DOUBTED = 0.9, 0.65
BESIDE = 30  # characters between a make's name and its number


@dataclass(frozen=True, slots=True)
class NumberRead:
    """A model number in the text. odds: that this machine is that model, 0..1."""

    words: str
    seen: Recognition
    odds: float
    because: str


@dataclass(frozen=True, slots=True)
class Reading:
    """What was found. Blank, None and () mean that nothing said it."""

    title: str
    text: str
    make: Make | None = None
    make_words: str = ""
    number: NumberRead | None = None
    others: tuple[NumberRead, ...] = ()
    appliance: str = ""
    appliance_words: str = ""
    appliance_by: str = ""  # "words", "number"
    cause: CauseSaid = field(default_factory=lambda: CauseSaid(""))
    price: Price | None = None
    refused: tuple[str, ...] = ()
    age: AgeSaid | None = None

    @property
    def built(self) -> tuple[date, date] | None:
        """First and last day it may have been built on."""
        if self.age is None:
            return None
        return date(self.age.first_year, 1, 1), date(self.age.last_year, 12, 31)


def read_listing(catalogue: Catalogue, title: str, raw: str, *, on: date) -> Reading:
    """Return what a listing says. on: the day it was seen. Raises ValueRefused (cleaning.py)."""
    heading = one_line(title, most=200) if title else ""
    text = plain_text(raw)
    if not heading:
        heading = one_line(text.split("\n", 1)[0], most=200)
    whole = text if text.startswith(heading) else f"{heading}\n{text}"
    makes = _makes_in(catalogue, whole)
    make, make_words = makes[0] if makes else (None, "")
    only = make if len({one.pk for one, _ in makes}) == 1 else None
    numbers = _numbers_in(catalogue, whole, only, [words for _, words in makes])
    number = max(numbers, key=lambda one: one.odds, default=None)
    if number is not None and number.odds <= ELSEWHERE:
        number = None
    appliance, words, by = _appliance(heading, text, number)
    price, refused = read_price(whole)
    cause = CauseSaid("")
    if appliance:
        # "Heat pump dryer" names a machine, not what is wrong with it.
        named = _without(whole, ((one.start, one.end) for one in appliance_words().find(whole)))
        cause = cause_said(named, cause_words()[appliance])
    return Reading(
        title=heading,
        text=text,
        make=make,
        make_words=make_words,
        number=number,
        others=tuple(_others(numbers, number))[:5],
        appliance=appliance,
        appliance_words=words,
        appliance_by=by,
        cause=cause,
        price=price,
        refused=tuple(refused[:5]),
        age=age_said(whole, year=on.year),
    )


def _makes_in(catalogue: Catalogue, text: str) -> list[tuple[Make, str]]:
    """Return the makes a text names with the words, in its order."""
    found: list[tuple[Make, str]] = []
    words = [(match.group(), match.start(), match.end()) for match in texts.words(text)]
    forms = [canonical(word) for word, _, _ in words]
    at = 0
    while at < len(words):
        for size in range(min(texts.LONGEST_NAME, len(words) - at), 0, -1):
            make = catalogue.find_make("".join(forms[at : at + size])) if forms[at] else None
            if make is not None:
                found.append((make, text[words[at][1] : words[at + size - 1][2]]))
                at += size - 1
                break
        at += 1
    return found


def _numbers_in(
    catalogue: Catalogue, text: str, make: Make | None, make_words: list[str]
) -> list[NumberRead]:
    """Return the model numbers of a text, in its order."""
    bare = _without(text, spans_of_no_number(text))
    mentions = catalogue.find_all(bare, make=make, most=MOST_SEARCHED)
    if not mentions:
        mentions = _unknown_number(catalogue, bare, make, make_words)
    return [_number(text, one, make, make_words) for one in mentions]


def _others(numbers: list[NumberRead], chosen: NumberRead | None) -> Iterable[NumberRead]:
    """Yield the numbers that are not the chosen one, each once."""
    told = {chosen.seen.likely_number} if chosen else set()
    for one in numbers:
        if one.seen.likely_number not in told:
            told.add(one.seen.likely_number)
            yield one


def _without(text: str, spans: Iterable[tuple[int, int]]) -> str:
    """Return the text with some places blanked; nothing moves."""
    marks = list(text)
    for start, end in spans:
        marks[start:end] = " " * (end - start)
    return "".join(marks)


def _number(text: str, one: Mention, make: Make | None, make_words: list[str]) -> NumberRead:
    words = text[one.start : one.end][:LONGEST_NUMBER]
    sure = certainty(one.seen)
    if is_elsewhere(text, one.start):
        return NumberRead(words, one.seen, sure * ELSEWHERE, "the text seems to say another has it")
    if is_plated(text, one.start):
        return NumberRead(words, one.seen, sure * PLATED, "the text calls it the model")
    if _is_beside(text, one.start, make_words):
        return NumberRead(
            words, one.seen, _doubted(sure) * BESIDE_MAKE, "it stands beside the make"
        )
    return NumberRead(words, one.seen, _doubted(sure) * ALONE, "it stands in the text")


def _doubted(sure: float) -> float:
    return sure if sure >= SURE_FROM else sure * DOUBTED


def _is_beside(text: str, start: int, make_words: list[str]) -> bool:
    before = text[max(0, start - BESIDE) : start]
    return any(words in before for words in make_words)


def _unknown_number(
    catalogue: Catalogue, text: str, make: Make | None, make_words: list[str]
) -> list[Mention]:
    """Return what is called the model, or stands beside the make, though it is not known.

    A make's pattern may read it all the same; without one it is kept as it was read.
    """
    for run in texts.runs(text):
        if not texts.looks_like_number(run) or is_elsewhere(text, run.start):
            continue
        if is_plated(text, run.start) or _is_beside(text, run.start, make_words):
            seen = catalogue.recognise(text[run.start : run.end], make=make)
            return [Mention(run.start, run.end, seen)]
    return []


def _appliance(title: str, text: str, number: NumberRead | None) -> tuple[str, str, str]:
    """Return the kind of machine, the words that said so, and by what it is known.

    A known number's own kind goes first; words are believed where there is none.
    """
    known = number.seen.likely if number else None
    if known is not None and known.appliance and number is not None and number.odds >= 0.5:
        return known.appliance, number.words, "number"
    said = appliance_said(title, text, appliance_words())
    if said is None or not said.what:
        return "", said.words if said else "", ""
    return said.what, said.words, "words"
