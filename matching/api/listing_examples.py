"""Examples of listings for the API's description. A test sends them to the API."""

from typing import Any

from matching.api.rule_examples import answered, sent

LISTING: dict[str, Any] = {
    "ref": "L-0007",
    "state": "open",
    "source": "text",
    "title": "Washing machine",
    "link": "https://example.test/offer/7",
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 W",
    "likely_number": "W760R1W",
    "certainty": 0.97,
    "cause": "drain-blocked",
    "price": "45.00",
    "currency": "EUR",
    "built_from": None,
    "built_to": None,
    "seen_on": "2026-11-27",
    "last_seen_on": "2026-11-27",
    "expires_on": "2026-12-27",
    "donor_ref": "",
    "stated": {},
    "findings": [
        {
            "what": "model number",
            "found": "Velthane W7-60 R1 W",
            "words": "W7-60 R1 W",
            "why": "a known number, letter for letter",
        }
    ],
}
_TERMS = {"days_kept": 30, "collection": "20.00", "margin_percent": 25}
STORED = [answered("New", {"is_new": True, "price_changed": False, "listing": LISTING}, "201")]
IMPORTED = [answered("A feed", {"kind": "feed", "new": 12, "again": 3, "prices": 1}, "201")]
CORRECT = [
    sent("Another number and price", {"model_number": "W7-60 R2 W", "price": "40"}),
    sent("Its own terms", {"collection": "35", "margin_percent": 30}),
]
CLOSE = [
    sent("Sold to somebody else", {"state": "gone"}),
    sent("Not worth it", {"state": "declined", "why": "Rust at the motor."}),
    answered("Closed", {**LISTING, "state": "gone"}, "200"),
]
REOPENED = [answered("Open again", LISTING, "200")]
READ = [answered("Read again", LISTING, "200")]
BUY = [
    sent("Collected and paid", {"paid": "40", "received_on": "2026-11-20", "note": "No hoses."}),
    answered("A donor now", {"donor_ref": "D-0018"}, "201"),
]
TERMS = [answered("The usual terms", _TERMS, "200")]
SET_TERMS = [sent("A quarter as margin", _TERMS), *TERMS]
