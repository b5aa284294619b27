"""How unlike two numbers are beyond what noise explains: the trigrams and the beginning they share.

A machine whose number is not known yet has siblings that are: they share its beginning and most
of its trigrams, however many characters its suffix replaces. A misread number shares most of
them too, so this tells little between misreadings and much between variants.
"""

from collections.abc import Sequence

from rapidfuzz.distance import OSA, Postfix, Prefix

GRAM = 3
# Nats for nothing in common. Measured on open lists of printers and drives asked for variants
# left out of them; on noise they change nothing (test_open_data.py holds the gain).
NO_GRAM_SHARED = 4.0
NO_BEGINNING_SHARED = 4.0
MOST = NO_GRAM_SHARED + NO_BEGINNING_SHARED


def unlike(query: str, numbers: Sequence[str], from_end: Sequence[bool]) -> list[float]:
    """Return 0 (equal) to MOST (nothing shared) nats for each folded number.

    from_end: whether the beginning of a number was not read, so that ends are compared.
    """
    own = _grams(query)
    return [
        0.0 if _swapped(query, number) else _unlike(query, own, number, backward)
        for number, backward in zip(numbers, from_end, strict=True)
    ]


def _swapped(query: str, number: str) -> bool:
    """Return whether one swap explains all: it takes four trigrams with it, and tells nothing."""
    if len(query) != len(number) or sorted(query) != sorted(number):
        return False
    return OSA.distance(query, number, score_cutoff=1) <= 1


def _unlike(query: str, own: set[str], number: str, backward: bool) -> float:
    fewer_grams = 1 - _dice(own, number)
    less_of_it = 1 - _shared(query, number, backward)
    return NO_GRAM_SHARED * fewer_grams + NO_BEGINNING_SHARED * less_of_it


def _grams(text: str) -> set[str]:
    return {text[at : at + GRAM] for at in range(len(text) - GRAM + 1)}


def _dice(own: set[str], number: str) -> float:
    """Return Dice's coefficient of two sets of trigrams, 0..1."""
    theirs = _grams(number)
    both = len(own) + len(theirs)
    return 2 * len(own & theirs) / both if both else 0.0


def _shared(query: str, number: str, backward: bool) -> float:
    """Return the length of the common beginning (or end) as a share of the longer text, 0..1."""
    return float((Postfix if backward else Prefix).normalized_similarity(query, number))
