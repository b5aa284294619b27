"""What happens on news of listings, and what the sweep does about them."""

from datetime import datetime

from donors import events as donor_events
from donors.listings import services
from matching import events
from matching.listings import serving
from workshop.dispatcher import handles, sweeps
from workshop.models import OutboxEvent


@handles(donor_events.LISTINGS_CHANGED)
def listings_changed(event: OutboxEvent, now: datetime) -> None:
    serving.match_listings(event.workshop_id, event.payload["listing_ids"], now=now)


@handles(donor_events.CATALOGUE_CHANGED)
def catalogue_changed(event: OutboxEvent, now: datetime) -> None:
    """A number that came in may stand in a listing that waits."""
    services.ask_to_read_unrecognised(event.workshop_id)


@handles(donor_events.LISTINGS_UNREAD)
def listings_unread(event: OutboxEvent, now: datetime) -> None:
    services.read_unrecognised(event.workshop_id, event.payload["listing_ids"])


@handles(events.NEEDS_OPENED, events.NEEDS_REMATCH)
def needs_changed(event: OutboxEvent, now: datetime) -> None:
    serving.match_needs(event.workshop_id, event.payload["need_ids"], now=now)


@sweeps
def expire_listings(now: datetime) -> int:
    return services.expire_listings(now=now)
