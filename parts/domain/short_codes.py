"""Short codes of parts: what is written on a tag, with a check character, and what was meant.

A code is a running number in base 32 without I, L, O and U, padded to four places, and one check
character of ISO/IEC 7064 MOD 37-36. Numbers whose check would be one of those letters are left
out, so that a reader may always take I and L for 1 and O for 0.
"""

from collections.abc import Callable, Collection, Iterator
from itertools import count

from donors.domain.lookup.costs import ALIKE, ALIKE_PAIRS, CONFUSED, REPLACED, SWAPPED
from donors.domain.model_numbers import FOLD
from workshop.domain.check_characters import BASE_32, base_32, holds, mod_37_36
from workshop.domain.refusals import ValueRefused

PLACES = 4
MOST_NUMBER = 32**8 - 1
_READ_AS = str.maketrans("ILO", "110", " -./_")


def code_of(number: int) -> str:
    """Return the code of a running number from 1, such as "001AK".

    Raises ValueRefused for a number that is left out (see next_number) or out of range.
    """
    if isinstance(number, bool) or not 1 <= number <= MOST_NUMBER:
        raise ValueRefused({"number": f"{number} is no running number; they begin with 1"})
    body = base_32(number).rjust(PLACES, "0")
    check = mod_37_36(body)
    if check not in BASE_32:
        raise ValueRefused({"number": f"{number} is left out: its check would be {check}"})
    return body + check


def next_number(after: int) -> int:
    """Return the first number above `after` (from 0) that has a code."""
    return next(n for n in count(after + 1) if mod_37_36(base_32(n).rjust(PLACES, "0")) in BASE_32)


def codes_after(after: int, count: int) -> tuple[list[str], int]:
    """Return the next `count` codes above the running number `after`, and the last number."""
    found: list[str] = []
    while len(found) < count:
        after = next_number(after)
        found.append(code_of(after))
    return found, after


def read(text: str) -> str:
    """Return a code as it is kept, from what somebody typed: any case, spaces and hyphens.

    Raises ValueRefused when the check does not hold; `nearest` says what may have been meant.
    """
    code = tidy(text)
    if not is_code(code):
        raise ValueRefused({"code": f"{text!r} is no code: a character is wrong, lost or added"})
    return code


def in_scan(text: str) -> str:
    """Return the code in what was typed or scanned: an address on a label ends with it."""
    return text.strip().rstrip("/").rpartition("/")[2] if "://" in text else text.strip()


def is_code(code: str) -> bool:
    """Return True for a whole code in its kept form."""
    known = len(code) > PLACES and set(code) <= set(BASE_32)
    return known and holds(code, mod_37_36)


def tidy(text: str) -> str:
    """Return text as codes are kept: upper case, no separators, I and L as 1, O as 0."""
    return text.upper().translate(_READ_AS)


def nearest(
    text: str, existing: Callable[[Collection[str]], Collection[str]], *, most: int = 5
) -> list[str]:
    """Return right codes one slip away from what was typed, the likeliest first.

    A slip: a character misread, two neighbours swapped, one lost, one added, or two misread
    for ones they are commonly taken for. existing: which of some codes there are, asked once
    (a few dozen at most). A text that is a right code itself comes first.
    """
    typed = tidy(text)
    if len(typed) > 2 * PLACES + 5:
        return []
    costs: dict[str, float] = {}
    for code, cost in _slips(typed):
        if is_code(code):
            costs[code] = min(cost, costs.get(code, cost))
    ranked = sorted(costs, key=lambda code: (costs[code], code))
    there = frozenset(existing(ranked)) if ranked else frozenset()
    return [code for code in ranked if code in there][:most]


def _slips(typed: str) -> Iterator[tuple[str, float]]:
    """Yield what may have been meant, with a cost; most of it is no code at all."""
    yield typed, 0.0
    for place, seen in enumerate(typed):
        before, after = typed[:place], typed[place + 1 :]
        yield before + after, REPLACED
        if after:
            yield before + after[0] + seen + after[1:], SWAPPED
        for meant in BASE_32:
            yield before + meant + after, _cost(seen, meant)
    for place in range(len(typed) + 1):
        for meant in BASE_32:
            yield typed[:place] + meant + typed[place:], REPLACED
    yield from _two_misread(typed)


def _two_misread(typed: str) -> Iterator[tuple[str, float]]:
    alike = [[m for m in BASE_32 if m != s and _cost(s, m) < REPLACED] for s in typed]
    for right in range(len(typed)):
        for left in range(right):
            for one in alike[left]:
                for two in alike[right]:
                    meant = typed[:left] + one + typed[left + 1 : right] + two + typed[right + 1 :]
                    yield meant, _cost(typed[left], one) + _cost(typed[right], two)


def _cost(seen: str, meant: str) -> float:
    """Return what it costs to have read `meant` as `seen`, in the lookup's own costs."""
    if seen.translate(FOLD) == meant.translate(FOLD):
        return CONFUSED
    return ALIKE if (seen, meant) in ALIKE_PAIRS else REPLACED
