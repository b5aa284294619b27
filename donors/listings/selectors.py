"""Reads on listings. Rows of the given workshop only."""

from django.db.models import Count, Q, QuerySet

from donors.models import Listing, ListingSighting
from workshop.errors import NotFound
from workshop.models import Workshop

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
