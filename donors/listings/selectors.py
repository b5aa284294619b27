"""Reads on listings. Rows of the given workshop only."""

from django.db.models import Count, Q, QuerySet

from donors import events
from donors.models import Listing, ListingSighting
from workshop.errors import NotFound
from workshop.models import OutboxEvent, Workshop

LOADED = ("make", "cause", "appliance", "recognised", "donor", "added_by__user")


def list_listings(
    workshop: Workshop, *, state: str = "", appliance: str = "", text: str = ""
) -> "QuerySet[Listing]":
    """Return listings, latest seen first, each with how often it was seen."""
    rows = Listing.of(workshop).select_related(*LOADED)
    if state:
        rows = rows.filter(state=state)
    if appliance:
        rows = rows.filter(appliance=appliance)
    if text:
        rows = rows.filter(
            Q(title__icontains=text) | Q(model_number__icontains=text) | Q(ref__iexact=text)
        )
    rows = rows.annotate(times_seen=Count("sightings", distinct=True))
    return rows.order_by("-last_seen_on", "-id")


def get_listing(workshop: Workshop, ref: str) -> Listing:
    """Return the listing or raise NotFound."""
    row = Listing.of(workshop).select_related(*LOADED).filter(ref=ref).first()
    if row is None:
        raise NotFound(f"There is no listing {ref} in this workshop.")
    return row


def list_sightings_of(listing: Listing) -> list[ListingSighting]:
    """Return when it was seen and what was asked, oldest first."""
    return list(ListingSighting.of(listing.workshop_id).filter(listing=listing))


def not_matched_yet(workshop: Workshop) -> set[int]:
    """Return the listings whose news no handler has worked off: one query.

    An event ends in the transaction that stores what was found, so a listing is here exactly as
    long as its matches are not those of what it says now. One that failed for good stays here.
    """
    news = OutboxEvent.of(workshop).filter(kind=events.LISTINGS_CHANGED).order_by()
    # Two halves, for each has an index and both together have none.
    waiting = news.filter(done_at__isnull=True, dead_at__isnull=True).values_list("payload")
    failed = news.filter(dead_at__isnull=False).values_list("payload")
    rows = waiting.union(failed, all=True)
    return {pk for (payload,) in rows for pk in payload["listing_ids"]}
