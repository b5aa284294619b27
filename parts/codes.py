"""Short codes of parts: given when the row is made, and what a typed or scanned one stands for."""

from collections.abc import Sequence

from parts.domain import short_codes
from parts.models import Part
from workshop import refs

COUNTER = "code"


def give_codes(parts: Sequence[Part]) -> None:
    """Set the codes of new parts of one workshop, in order. Needs a transaction.

    The counter row stays locked until the caller commits, so two intakes never share a number.
    It is taken after the counter of references, always: no two writers wait for each other.
    """
    if not parts:
        return
    counter = refs.lock_counter(parts[0].workshop_id, COUNTER)
    codes, counter.last = short_codes.codes_after(counter.last, len(parts))
    counter.save(update_fields=["last"])
    for part, code in zip(parts, codes, strict=True):
        part.short_code = code
