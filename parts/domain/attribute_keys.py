"""Keys by which parts and needs that agree in an attribute find each other.

Stored keys stand beside a part or need; asked keys are looked up for the other side. Two values
that `compare_attributes` (matching/domain/comparisons.py) finds to agree, or to be within the
kind's tolerance, share a key: measured values fall into steps as wide as the tolerance, and all
steps within reach are asked for. Ratings that only count against a part (hard attributes, the
mains voltage) are no keys: nearly every part of a kind shares them.
"""

import math
from collections.abc import Iterator, Mapping
from hashlib import blake2b

from parts.domain.kinds import Attribute, Kind
from parts.domain.quantities import as_number, as_quantity

_SPARE = 1e-6  # rounding: reach a little further than the tolerance
_MOST_STEPS = 400
_LARGEST = 1e12


def stored_keys(kind: Kind, attributes: Mapping[str, str], position: str) -> set[int]:
    """Return the keys a part or need is found by; a number of 64 bits each."""
    found = {_hashed(kind, text) for text in _texts(kind, attributes, reach=False)}
    return found | _position_key(kind, position)


def asked_keys(kind: Kind, attributes: Mapping[str, str], position: str) -> set[int]:
    """Return the keys of all that agrees with these attributes or is within tolerance."""
    found = {_hashed(kind, text) for text in _texts(kind, attributes, reach=True)}
    return found | _position_key(kind, position)


def _position_key(kind: Kind, position: str) -> set[int]:
    return {_hashed(kind, f"position|{position.casefold()}")} if position else set()


def _hashed(kind: Kind, text: str) -> int:
    digest = blake2b(f"{kind.slug}|{text}".encode(), digest_size=8).digest()
    return int.from_bytes(digest, "big", signed=True)


def _texts(kind: Kind, attributes: Mapping[str, str], *, reach: bool) -> Iterator[str]:
    for name, value in attributes.items():
        attribute = kind.attributes.get(name, Attribute(name))
        if attribute.hard or not value.strip():
            continue
        for text in _values(value, attribute, reach=reach):
            yield f"{name}|{text}"


def _values(value: str, attribute: Attribute, *, reach: bool) -> Iterator[str]:
    plain = value.strip().casefold()
    number, unit = as_number(value), ""
    if attribute.number:
        number, unit = as_quantity(value, attribute) or (None, "")
    if number is None or not math.isfinite(number):
        yield plain
        return
    for step in _steps(number, attribute, reach=reach):
        yield f"{step}|{unit}"


def _steps(number: float, attribute: Attribute, *, reach: bool) -> Iterator[str]:
    """Return the step a value falls into, or all steps its tolerance reaches."""
    number = max(-_LARGEST, min(_LARGEST, number))
    absolute, relative = attribute.tolerance_abs or 0.0, attribute.tolerance_rel or 0.0
    if not absolute and not relative:
        yield repr(number + 0.0)  # -0.0 is 0.0
        return
    # Either side may be the wanted one, of which the tolerance is a share.
    away = max(absolute, abs(number) * relative / (1 - relative)) * (1 + _SPARE) if reach else 0.0
    low, high = (_step(end, absolute, relative) for end in (number - away, number + away))
    for step in range(low, min(high, low + _MOST_STEPS) + 1):
        yield str(step)


def _step(number: float, absolute: float, relative: float) -> int:
    if absolute:
        return math.floor(number / absolute)
    if number == 0:
        return 0
    size = math.floor(math.log(abs(number)) / math.log1p(relative))
    # Offset by far more than any size, so that no two signs meet and zero stands between.
    return int(math.copysign(size + 100_000, number))
