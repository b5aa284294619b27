"""Parts that leave the stock by hand: sold over the counter, or scrapped."""

from datetime import date, datetime

from django.db import transaction

from matching import holds, standing_proposals, warranty
from parts import services as part_services
from parts.models import Part
from parts.services import Sale
from workshop.errors import Conflict
from workshop.models import Workshop


@transaction.atomic
def sell_part(*, workshop: Workshop, ref: str, sale: Sale, now: datetime) -> Part:
    """Sell a part nobody is promised. Raises Conflict naming the job it is held or proposed for."""
    part = part_services.lock_part(workshop, ref)
    hold = holds.standing_hold(part)
    if hold is not None and hold.expires_at > now:
        raise Conflict(
            f"Part {ref} is held for job {hold.need.job.ref} by {hold.held_by} and cannot be "
            "sold. Ask them to release it, or sell another part."
        )
    proposal = standing_proposals.standing_for(part, now=now)
    if proposal is not None:
        raise Conflict(
            f"Part {ref} is proposed to job {proposal.need.job.ref} until "
            f"{proposal.expires_at:%Y-%m-%d %H:%M} and cannot be sold. Decline it there first."
        )
    sold = part_services.sell_part(workshop=workshop, ref=ref, sale=sale)
    warranty.give(sold, on=sale.sold_on)
    return sold


def scrap_part(*, workshop: Workshop, ref: str, why: str, on: date, was_bad: bool = False) -> Part:
    """Scrap a part, held or not: who was told of it or holds it is told."""
    return part_services.scrap_part(workshop=workshop, ref=ref, why=why, on=on, was_bad=was_bad)
