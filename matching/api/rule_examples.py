"""Examples of rule review for the API's description. A test sends them to the API."""

from typing import Any

from drf_spectacular.utils import OpenApiExample

FITS: dict[str, Any] = {
    "kind": "control-board",
    "says": "fits",
    "donor_side": {"make": "Velthane", "part_numbers": ["BRD-2041.11"]},
    "job_side": {
        "make": "Velthane",
        "family": "W7",
        "fields": {"revision": "2"},
        "built_from": "2017-03-01",
    },
    "evidence": "Tried on the bench in three machines; the connectors are the same.",
    "source": "workshop notes, March",
}
WITH_CONDITIONS: dict[str, Any] = {
    "kind": "drain-pump",
    "says": "fits-with-conditions",
    "donor_side": {"attributes": {"mount": "3-lug"}},
    "job_side": {"make": "Velthane", "family": "K3"},
    "both_ways": True,
    "conditions": "Move the hose clip to the new pump.",
}
DOES_NOT_FIT: dict[str, Any] = {
    "kind": "heater",
    "says": "does-not-fit",
    "donor_side": {"part_numbers": ["H-771"]},
    "job_side": {"make": "Velthane", "built_to": "2015-12-31"},
    "evidence": "The flange is 4 mm wider on the newer tub.",
}
DECISION: dict[str, Any] = {"note": "Checked against the two boards in bin 4."}
COMMENT: dict[str, Any] = {"note": "Which index was on the board you tried?"}
RULE: dict[str, Any] = {
    "id": 17,
    **FITS,
    "both_ways": False,
    "conditions": "",
    "in_words": "Control board: part number BRD-2041.11, Velthane fits Velthane W7, revision 2, "
    "built from 2017-03-01.",
    "state": "proposed",
    "replaces": None,
    "proposed_by": "anna",
    "from_evidence": False,
    "proposed_at": "2026-03-02T09:12:00Z",
    "decided_by": "",
    "decided_at": None,
    "agree": 0,
    "disagree": 0,
    "counted_at": None,
    "flagged": False,
    "flag": "",
    "record": [{"act": "proposed", "by": "anna", "at": "2026-03-02T09:12:00Z", "note": ""}],
}
IMPACT: dict[str, Any] = {
    "gained": [
        {
            "job_ref": "J-0031",
            "kind": "control-board",
            "part_ref": "D-0007-control-board",
            "p_fit_before": 0.12,
            "p_fit_after": 0.97,
            "verdict_before": "check-first",
            "verdict_after": "known-to-fit",
        }
    ],
    "lost": [],
    "gained_count": 1,
    "lost_count": 0,
    "agree": 13,
    "disagree": 3,
    "interval": [0.5699, 0.9341],
    "contradicts": [],
    "flagged": False,
    "flag": "",
}


def sent(name: str, value: dict[str, Any]) -> OpenApiExample:
    return OpenApiExample(name, value=value, request_only=True)


def answered(name: str, value: dict[str, Any], *statuses: str) -> OpenApiExample:
    return OpenApiExample(name, value=value, response_only=True, status_codes=list(statuses))


PROPOSING = [
    sent("A part number fits some machines", FITS),
    sent("Fits with conditions, both ways", WITH_CONDITIONS),
    sent("Does not fit", DOES_NOT_FIT),
    answered("Proposed", RULE, "201"),
]
COMMENTING = [sent("A question", COMMENT)]
DECIDING = [sent("With a note for the record", DECISION)]
IMPACTS = [answered("One job would be served", IMPACT, "200")]
