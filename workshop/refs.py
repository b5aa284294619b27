"""Short references people write on tags: D-0042, J-0007, P-00123."""

from django.db import transaction
from django.db.models import QuerySet

from workshop.errors import InputRefused
from workshop.exchange.cells import reference
from workshop.models import RefCounter


def refuse_bad_ref(ref: str) -> None:
    """Raise InputRefused when a reference could not stand on a tag or in an address."""
    try:
        reference(40)(ref)
    except ValueError as bad:
        raise InputRefused(f"The reference {ref!r} {bad}.", fields={"ref": str(bad)}) from bad


def next_ref(rows: "QuerySet", *, workshop_id: int, prefix: str, width: int = 4) -> str:
    """Return the next free reference among `rows`, skipping those an import brought along.

    Must run inside a transaction: the counter row is locked until the caller commits.
    """
    return next_refs(rows, workshop_id=workshop_id, prefix=prefix, width=width, count=1)[0]


def next_refs(
    rows: "QuerySet", *, workshop_id: int, prefix: str, count: int, width: int = 4
) -> list[str]:
    """Return `count` free references in order. See next_ref."""
    counter = lock_counter(workshop_id, prefix)
    found: list[str] = []
    while len(found) < count:
        page = [f"{prefix}-{counter.last + n:0{width}d}" for n in range(1, count - len(found) + 1)]
        counter.last += len(page)
        taken = set(rows.filter(ref__in=page).values_list("ref", flat=True))
        found += [ref for ref in page if ref not in taken]
    counter.save(update_fields=["last"])
    return found


def lock_counter(workshop_id: int, prefix: str) -> RefCounter:
    """Return a counter, locked until the caller's transaction ends."""
    if not transaction.get_connection().in_atomic_block:
        raise RuntimeError("A counter needs a transaction; two requests could get one number.")
    counter, _ = (
        RefCounter.of(workshop_id)
        .select_for_update()
        .get_or_create(prefix=prefix, defaults={"workshop_id": workshop_id})
    )
    return counter
