"""What decisions on rules and on build breaks share: who takes one, from where, and its record."""

from collections.abc import Mapping
from datetime import datetime
from typing import Any

from workshop.errors import Conflict, NotAllowed
from workshop.members import covers
from workshop.models import Member, Role


def require_reviewer(member: Member, what: str) -> None:
    """Raise NotAllowed below reviewer. `what` is decided on, in the plural."""
    if not covers(member, Role.REVIEWER):
        raise NotAllowed(f"Only a reviewer or the owner decides on {what}.")


def require_state(row: Any, name: str, state: Any, decided_from: Mapping[Any, Any]) -> None:
    """Raise Conflict when `row` (called `name`) is not where the decision is taken from."""
    if row.state != decided_from[state]:
        raise Conflict(
            f"{name} is {row.get_state_display()}; only {decided_from[state].label} ones can be "
            f"{state.label}."
        )


def settle(row: Any, state: Any, member: Member, now: datetime, **more: Any) -> None:
    """Store the decision on a row, with who took it and when, and `more` columns."""
    values = {"state": state, "decided_by": member, "decided_at": now, **more}
    for name, value in values.items():
        setattr(row, name, value)
    row.save(update_fields=list(values))
