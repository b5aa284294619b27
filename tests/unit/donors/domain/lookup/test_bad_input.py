"""Whatever is typed gets an answer: no exception, nothing settled, nothing altered."""

import pytest

from donors.domain.model_numbers import LONGEST, canonical
from tests.speed import worlds
from tests.unit.donors.domain.lookup.shelves import ask, numbers_shelf

SHELF = numbers_shelf(canonical(number) for _, number in worlds.catalogue(range(700, 704), 2_000))
BAD = {
    "ten kilobytes": "AB12" * 2_560,
    "ten kilobytes of spaces": " " * 10_240,
    "control characters": "".join(map(chr, range(32))) + "\x7f\x85",
    "only separators": "-/. _–—·",
    "emoji": "🧺🫧🔧" * 40,
    "a lone surrogate": "AB\ud80012",
    "combining marks": "A\u0301\u0302\u0303" * 500,
    "right to left": "\u202eABC\u202c123",
    "widest expansion": "\ufdfa" * 600,  # one character becomes eighteen under NFKC
    "only wildcards": "*#" * 50,
    "one character": "7",
    "zeros": "0" * 4_000,
}


@pytest.mark.parametrize("text", BAD.values(), ids=BAD.keys())
def test_bad_input_gets_an_answer(text):
    number = canonical(text)
    assert len(number) <= LONGEST
    found = ask(SHELF, number)
    assert not any(one.how.certain for one in found)


@pytest.mark.parametrize("text", BAD.values(), ids=BAD.keys())
def test_bad_numbers_can_be_known_too(text):
    number = canonical(text)
    shelf = numbers_shelf([number, "HNX5104A"])
    if number:
        assert ask(shelf, number)[0].number == number
    assert ask(shelf, "HNX5104A")[0].number == "HNX5104A"
