"""Correcting what stands on record of a donor; what was before is kept."""

from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

from django.db import transaction

from donors import corrections as plates
from donors import services as donor_services
from donors.corrections import PLATE, Changed
from donors.models import Donor, DonorChange
from parts import numbers, services
from workshop.errors import Conflict, InputRefused
from workshop.models import Member, Workshop


@transaction.atomic
def correct_donor(
    *,
    workshop: Workshop,
    ref: str,
    changes: Mapping[str, Any],
    member: Member,
    now: datetime,
    why: str = "",
    confirm_mismatch: bool = False,
) -> Donor:
    """Correct a donor: what is named of its plate, why it was scrapped, the note.

    The plate is read anew as at the intake; its parts are matched anew, and what rested on it
    follows. Raises NotFound, Conflict for another appliance (its parts were laid by it),
    InputRefused by field; nothing is stored then.
    """
    donor = services.lock_donor(workshop, ref)
    if changes.get("appliance", donor.appliance_id) != donor.appliance_id:
        raise Conflict(
            f"Donor {ref} was taken in with the parts of another appliance; take it in anew.",
            fields={"appliance": "Stays as it is: the parts were laid by it."},
        )
    changed = plates.set_plate(
        donor,
        changes,
        day=donor.received_on,
        may_be_blank=not donor.model_number,
        confirm_mismatch=confirm_mismatch,
    )
    _refuse_built_later(donor, donor.received_on)
    about_plate = any(what in _PLATE_WORDS for what, *_ in changed)
    changed += _set_rest(donor, changes)
    if not changed:
        return donor
    donor.save()
    plates.record(
        DonorChange,
        changed,
        member=member,
        now=now,
        why=why,
        workshop_id=workshop.pk,
        donor=donor,
    )
    if any(what != "note" for what, *_ in changed):
        services.read_anew(donor, corrected=about_plate)
        kinds = donor.parts.exclude(number_canonical="").values_list("kind_id", flat=True)
        numbers.announce_knowledge(workshop.pk, set(kinds))
    return donor


_PLATE_WORDS = {words for _, words in PLATE.values()}


def _refuse_built_later(donor: Donor, received: date) -> None:
    if donor.built_from and donor.built_from > received:
        raise InputRefused(
            f"Donor {donor.ref} came in on {received}, before it was built ({donor.built_from}).",
            fields={"built_from": f"Lies after the day it came in, {received}."},
        )


def _set_rest(donor: Donor, changes: Mapping[str, Any]) -> list[Changed]:
    changed: list[Changed] = []
    if "cause" in changes:
        before = donor.cause
        after = donor_services.find_cause(donor.appliance_id, str(changes["cause"]))
        if after != before:
            donor.cause = after
            changed.append(
                ("scrapped for", before.name if before else "", after.name if after else "")
            )
    note = str(changes.get("note", donor.note)).strip()
    if note != donor.note:
        changed.append(("note", donor.note, note))
        donor.note = note
    return changed


def list_changes(donor: Donor) -> list[DonorChange]:
    """Return what was corrected of a donor, newest first, with by whom: one query."""
    rows = DonorChange.of(donor.workshop_id).filter(donor=donor)
    return list(rows.select_related("by__user").order_by("-at", "-id"))
