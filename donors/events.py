"""What the donors app announces through the outbox. Payloads hold ids, never rows."""

CATALOGUE_CHANGED = "donors.catalogue-changed"
PATTERN_CHANGED = "donors.pattern-changed"  # {"make_id": int}: stored, guessed or taken away
DONOR_RECEIVED = "donors.donor-received"  # {"donor_id": int}
LISTINGS_CHANGED = "donors.listings-changed"  # {"listing_ids": [int]}: new, read again, closed
LISTINGS_UNREAD = "donors.listings-unread"  # {"listing_ids": [int]}: newer numbers may be in them
# {"donor_id": int, "corrected": True where its plate was wrong}: read again, confirmed, edited
DONOR_CHANGED = "donors.donor-changed"
