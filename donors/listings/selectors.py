"""Reads on listings. Rows of the given workshop only."""

from dataclasses import dataclass
from datetime import datetime

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


@dataclass(frozen=True, slots=True)
class NotMatched:
    """Ids of listings: waiting jobs are still looked through, or could not be."""

    waiting: frozenset[int]
    failed: frozenset[int]

    def __contains__(self, listing_id: int) -> bool:
        return listing_id in self.waiting or listing_id in self.failed


def not_matched_yet(workshop: Workshop) -> NotMatched:
    """Return the listings whose news no handler has worked off: at most two queries.

    An event ends in the transaction that stores what was found, so a listing is here exactly as
    long as its matches are not those of what it says now. One whose news failed for good stays
    here until newer news of it, such as a correction, is done; where that event is forgotten
    (KEEP_EVENTS_DAYS) while the failed one still stands on the page, it comes back.
    """
    news = OutboxEvent.of(workshop).filter(kind=events.LISTINGS_CHANGED).order_by()
    columns = ("payload", "recorded_at", "dead_at")
    # Two halves, for each has an index and both together have none.
    open_ones = news.filter(done_at__isnull=True, dead_at__isnull=True).values_list(*columns)
    rows = list(open_ones.union(news.filter(dead_at__isnull=False).values_list(*columns), all=True))
    waiting = {pk for payload, _, dead in rows if not dead for pk in payload["listing_ids"]}
    failed: dict[int, datetime] = {}
    for payload, at, dead in rows:
        if dead:
            failed |= {pk: max(at, failed.get(pk, at)) for pk in payload["listing_ids"]}
    if failed:
        first = min(failed.values())
        done = news.filter(done_at__gte=first, recorded_at__gt=first)
        for payload, at in done.values_list("payload", "recorded_at"):
            for pk in payload["listing_ids"]:
                if pk in failed and failed[pk] < at:
                    del failed[pk]
    return NotMatched(frozenset(waiting), frozenset(failed.keys() - waiting))
