"""What a past fitting is found by: set when it is stored, from what it states."""

from collections.abc import Mapping
from typing import Any

from donors.domain.model_numbers import folded
from matching.models import Outcome

COLUMNS = ("part_key", "job_key", "donor_group", "job_group")


def keyed(outcome: Outcome) -> Outcome:
    """Set what a past fitting is found by, from what it states, and return it."""
    for column, value in keys_of(outcome).items():
        setattr(outcome, column, value)
    return outcome


def keys_of(outcome: Outcome) -> dict[str, str]:
    """Return the folded numbers of both sides, and make and family of both machines."""
    return {
        "part_key": folded(outcome.part_number),
        "job_key": folded(outcome.job_part_number),
        **{f"{side}_group": group_key(outcome.learned.get(side, {})) for side in ("donor", "job")},
    }


def group_key(machine: Mapping[str, Any]) -> str:
    """Return make and family as one text; "" when either is not known."""
    make, family = machine.get("make", ""), machine.get("family", "")
    return f"{make}|{family}" if make and family else ""
