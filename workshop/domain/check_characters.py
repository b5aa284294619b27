"""Check characters: what is added to a tag or a code so that a misreading shows.

ISO/IEC 7064: the hybrid system MOD 37-36 (letters and digits only, so it can be written by hand)
and the pure systems MOD 37-2, MOD 11-2 and MOD 97-10; the GS1 digit of a trade item number; and
base 32 with the check symbol of its author, D. Crockford.
Every function takes the text without its check characters and returns these alone. Text is read
as it stands: upper case, no separators. Raises ValueError when empty or outside the alphabet.
"""

from collections.abc import Callable

DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
BASE_32 = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"  # no I, L, O, U
BASE_32_CHECKS = BASE_32 + "*~$=U"
_READ_AS = str.maketrans("ILO", "110", "-")


def mod_37_36(text: str) -> str:
    """Return the check letter or digit of `text` (digits and letters). ISO 7064 hybrid system."""
    carried = 36
    for value in _values(text, DIGITS + LETTERS):
        carried = 2 * ((carried + value) % 36 or 36) % 37
    return (DIGITS + LETTERS)[(1 - carried) % 36]


def mod_37_2(text: str) -> str:
    """Return the check character of `text` (digits and letters): 0-9, A-Z or `*`."""
    return (DIGITS + LETTERS + "*")[_pure(_values(text, DIGITS + LETTERS), radix=2, modulus=37)]


def mod_11_2(text: str) -> str:
    """Return the check character of `text` (digits): 0-9 or X."""
    return (DIGITS + "X")[_pure(_values(text, DIGITS), radix=2, modulus=11)]


def mod_97_10(text: str) -> str:
    """Return the two check digits of `text` (digits): 02 to 98."""
    _values(text, DIGITS)
    return f"{98 - int(text) * 100 % 97:02d}"


def gs1(text: str) -> str:
    """Return the check digit of a trade item number: weights 3, 1, 3 ... from the right."""
    values = _values(text, DIGITS)[::-1]
    return str(-(3 * sum(values[::2]) + sum(values[1::2])) % 10)


def base_32(number: int) -> str:
    """Return a whole number >= 0 in Crockford's base 32; 0 is "0"."""
    if number < 0:
        raise ValueError(f"{number} is below zero; only whole numbers from 0 can be written")
    text = ""
    while number or not text:
        number, place = divmod(number, 32)
        text = BASE_32[place] + text
    return text


def from_base_32(text: str) -> int:
    """Return the number. Case does not count, hyphens are dropped, I and L are 1, O is 0."""
    number = 0
    for value in _values(text.upper().translate(_READ_AS), BASE_32):
        number = number * 32 + value
    return number


def base_32_check(number: int) -> str:
    """Return the check symbol of a number written in base 32: number modulo 37."""
    return BASE_32_CHECKS[number % 37]


def holds(whole: str, system: Callable[[str], str], *, width: int = 1) -> bool:
    """Return True when the last `width` characters are the check of those before.

    False, never an error, for text that cannot carry one: it is what somebody typed.
    """
    try:
        return system(whole[:-width]) == whole[-width:]
    except ValueError:
        return False


def _pure(values: list[int], *, radix: int, modulus: int) -> int:
    """Return the check value c of a pure system: the weighted sum with c is 1 modulo M."""
    total = 0
    for value in values:
        total = (total + value) * radix % modulus
    return (1 - total) % modulus


def _values(text: str, alphabet: str) -> list[int]:
    if not text:
        raise ValueError("there is nothing to check: the text is empty")
    strange = sorted(set(text) - set(alphabet))
    if strange:
        raise ValueError(f"{text!r} holds {strange[0]!r}; only {alphabet} can be checked")
    return [alphabet.index(character) for character in text]
