"""Where in a pasted text model numbers may stand: runs of neighbouring words."""

import re
from collections.abc import Iterator
from dataclasses import dataclass

from donors.domain.model_numbers import LONGEST, canonical

MOST_TEXT = 20_000  # characters; what comes behind is not read
MOST_WORDS = 400  # that could be part of a number
LONGEST_RUN = 5  # words printed apart that make one number
LEAST = 4  # characters of a number
_WORD = re.compile(r"[^\s,;:!?()\[\]{}<>\"'=|]+")


@dataclass(frozen=True, slots=True)
class Run:
    """Neighbouring words of a text: where they stand, and their canonical form."""

    start: int
    end: int
    number: str
    words: int


def runs(text: str) -> Iterator[Run]:
    """Yield runs of up to LONGEST_RUN words that could be a model number, longest first a place.

    A run holds a digit, begins and ends with a word that could be a piece of a number, and
    stays within one line. A long text is read as far as MOST_TEXT and MOST_WORDS.
    """
    words: list[tuple[int, int, str, int]] = []
    line = 0
    last = 0
    for found in _WORD.finditer(text[:MOST_TEXT]):
        line += text.count("\n", last, found.start())
        last = found.start()
        form = canonical(found.group().strip(".-_/"))
        words.append((found.start(), found.end(), form, line))
        if len(words) >= MOST_WORDS:
            break
    for i, (start, _, first, line) in enumerate(words):
        if not first:
            continue
        for j in range(min(len(words), i + LONGEST_RUN) - 1, i - 1, -1):
            here = words[i : j + 1]
            number = "".join(word[2] for word in here)
            if words[j][3] != line or not words[j][2] or len(number) > LONGEST:
                continue
            if len(number) >= LEAST and any(c.isdigit() for c in number):
                yield Run(start, words[j][1], number, j - i + 1)


def looks_like_number(run: Run) -> bool:
    """Whether a run that no exact key explains is worth a search: one word, or two, of letters
    and digits (or long enough), as plates print them."""
    digits = sum(c.isdigit() for c in run.number)
    if run.words > 2 or len(run.number) < LEAST + 1:
        return False
    return digits >= 2 and (digits < len(run.number) or digits >= 6)
