"""A listed machine is bought: it becomes a donor in the same transaction, once."""

from datetime import date

from django.db import transaction

from donors.listings.services import announce, lock_listing, refuse_if_closed
from donors.models import Donor, Listing
from donors.plates import Plate
from parts.services import take_in_donor
from workshop import days
from workshop.domain import money
from workshop.errors import InputRefused
from workshop.models import Workshop


@transaction.atomic
def buy_listing(
    *, workshop: Workshop, ref: str, paid_cents: int, received_on: date, note: str = ""
) -> Donor:
    """Take a bought machine in as a donor, as its listing describes it, and close the listing.

    Its parts are laid and waiting jobs told as for any machine that comes in. Raises NotFound,
    Conflict when it is closed or bought already, InputRefused when its kind is not known.
    """
    row = lock_listing(workshop, ref)
    refuse_if_closed(row)
    if not row.appliance_id:
        raise InputRefused(
            f"What kind of machine {ref} is, is not known. Say so first.",
            fields={"appliance": "Choose the kind of machine."},
        )
    days.refuse_implausible(received_on=received_on)
    donor = take_in_donor(
        confirm_mismatch=True,  # what the listing says was looked at before
        workshop=workshop,
        plate=plate_of(row),
        received_on=received_on,
        cause=row.cause.slug if row.cause else "",
        note="\n".join(filter(None, (_bought(row, paid_cents), note.strip()))),
        no_plate=not row.model_number,
    )
    row.state, row.donor, row.paid_cents = Listing.State.BOUGHT, donor, paid_cents
    row.closed_on = max(received_on, row.seen_on)
    row.save(update_fields=["state", "donor", "paid_cents", "closed_on"])
    announce(workshop.pk, [row.pk])
    return donor


def plate_of(row: Listing) -> Plate:
    """Return what the listing says of the plate; a guessed make is guessed again."""
    return Plate(
        appliance=row.appliance_id or "",
        make=row.make.name if row.make and not row.make_is_guess else "",
        model_number=row.model_number,
        built_from=row.built_from,
        built_to=row.built_to,
    )


def _bought(row: Listing, paid_cents: int) -> str:
    place = f" ({row.link})" if row.link else ""
    return f"Bought as listing {row.ref}{place} for {money.to_text(paid_cents)}: {row.title}"
