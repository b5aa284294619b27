"""Examples of waits, keeping, sharing out, warranty and triage for the API's description.

A test sends the requests to the API and holds each answer against its schema.
"""

from typing import Any

from matching.api.rule_examples import answered, sent

WAIT = [sent("Three weeks more", {"wait_until": "2026-12-18"})]
WAITED = [
    answered(
        "Made longer once",
        {
            "before": "2026-11-27",
            "until": "2026-12-18",
            "extended_on": "2026-11-27",
            "by": "tarn",
            "at": "2026-11-27T09:00:00Z",
        },
        "200",
    )
]
_MAY = {"may_keep": "yes", "said_by": "owner", "how": "signed"}
_PERMISSION = {
    "job_ref": "J-0041",
    "may_keep": True,
    "said_by": "owner",
    "how": "signed",
    "said_on": "2026-11-27",
    "in_writing": True,
    "noted_by": "tarn",
    "noted_at": "2026-11-27T09:00:00Z",
}
_KEPT = {
    "job_ref": "J-0041",
    "donor_ref": "D-0017",
    "kept_by": "tarn",
    "kept_at": "2026-11-27T09:30:00Z",
}
PERMISSION = [
    sent("The owner signed", _MAY),
    sent("It goes back", {"may_keep": "no", "said_by": "owner", "how": "phone"}),
    answered("On record", _PERMISSION, "201"),
]
KEEPING = [
    answered(
        "Asked, not kept yet",
        {"permission": _PERMISSION, "kept": None, "why_not": "", "caution": ""},
        "200",
    )
]
KEEP = [
    sent("Scrapped for its bearings", {"cause": "bearing-drum"}),
    answered("Kept", _KEPT, "201"),
]

_ALLOCATION = {
    "made_at": "2026-11-27T09:00:00Z",
    "due": False,
    "jobs": 41,
    "completed": 17,
    "at_most": 17,
    "proven": True,
    "pairs": 320,
}
ALLOCATION = [answered("All that can be done", _ALLOCATION, "200", "202")]
PASSED = [
    answered(
        "Another job came first",
        {
            "job_ref": "J-0044",
            "need": 91,
            "kind": "drain-pump",
            "why": "P-0190 goes to J-0041, which has waited 12 days longer.",
            "part_ref": "P-0190",
            "to_job": "J-0041",
        },
        "200",
    )
]
PROPOSAL: dict[str, Any] = {
    "id": 7,
    "part_ref": "P-0190",
    "job_ref": "J-0041",
    "need": 88,
    "kind": "drain-pump",
    "state": "open",
    "p_fit": 0.93,
    "p_good": 0.81,
    "proposed_at": "2026-11-27T09:00:00Z",
    "expires_at": "2026-11-29T09:00:00Z",
    "ended_at": None,
    "ended_by": "",
    "note": "",
    "reopened_at": None,
}
_DECLINED = {
    **PROPOSAL,
    "state": "declined",
    "ended_at": "2026-11-27T10:00:00Z",
    "ended_by": "tarn",
    "note": "The clips are broken.",
}
ACCEPT = [
    answered(
        "Held",
        {
            "id": 12,
            "part_ref": "P-0190",
            "job_ref": "J-0041",
            "need": 88,
            "held_by": "tarn",
            "held_at": "2026-11-27T10:00:00Z",
            "expires_at": "2026-12-04T10:00:00Z",
            "released_at": None,
            "ended": "",
            "note": "",
        },
        "201",
    )
]
DECLINE = [
    sent("What is wrong with it", {"note": "The clips are broken."}),
    answered("It goes to the next", _DECLINED, "200"),
]
REOPEN = [
    answered("May be proposed again", {**_DECLINED, "reopened_at": "2026-11-28T08:00:00Z"}, "200")
]
KEPT_OUT = {
    "id": 3,
    "part_ref": "",
    "need": 88,
    "job_ref": "J-0041",
    "note": "The customer wants a new one.",
    "by": "tarn",
    "at": "2026-11-27T09:00:00Z",
    "undone_at": None,
}
KEEP_OUT = [
    sent("A need", {"need": 88, "note": "The customer wants a new one."}),
    answered("Kept out", KEPT_OUT, "201"),
]
UNDO = [answered("In again", {**KEPT_OUT, "undone_at": "2026-11-28T08:00:00Z"}, "200")]
_PROMISE = {"grade": "tested-good", "kind": "", "days": 120, "guide_days": 90, "own": True}
WARRANTIES = [answered("One of this workshop's own", _PROMISE, "200")]
WARRANTY = [
    sent("A grade", {"grade": "tested-good", "days": 120}),
    sent("The guide again", {"grade": "tested-good", "days": None}),
    *WARRANTIES,
]

TRIAGE_FIGURES = [
    answered(
        "Labour of an hour",
        {"name": "labour_per_hour", "value": "62.00", "source": "this workshop"},
        "200",
    )
]
SET_FIGURES = [
    sent(
        "Labour, a new dishwasher, the usual wait",
        {"labour_per_hour": "62", "new_machines": {"dishwasher": "410"}, "wait_days": 30},
    ),
    *TRIAGE_FIGURES,
]
_THUMB = {
    "slug": "share-old",
    "words": "Over 8 years old: repair below 30 to 40 % of an equal new machine. Here: 0.4.",
    "figure": 0.4,
    "advises": "repair",
    "shown": True,
    "own": True,
    "refused": "",
    "source": "common practice gives 30 to 40 %; the middle is our own choice",
}
THUMBS = [answered("One changed here", _THUMB, "200")]
SET_THUMB = [sent("Two fifths", {"figure": 0.4, "advises": "repair"}), *THUMBS]
WAITING = [
    answered(
        "One machine in seven weeks",
        {
            "days": 30,
            "chance": 0.38,
            "median_days": 41.2,
            "ahead": 0,
            "came": 5,
            "since": "2026-03-02",
            "span_days": 270,
            "sentence": "A donor comes in within 30 days with a chance of 38 %: 5 machines that "
            "could have served came in since 2026-03-02 (270 days); nobody waits before it.",
            "curve": [{"days": 30, "chance": 0.38, "low": 0.21, "high": 0.57}],
        },
        "200",
    )
]
