"""Finding rules: filters, order, pages; and how often the database is asked."""

from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from rest_framework.test import APIClient

from matching.models import Rule
from tests.factories import Bench

pytestmark = pytest.mark.django_db

RULES: list[dict[str, Any]] = [
    {
        "kind": "control-board",
        "says": "fits",
        "donor_side": {"make": "Velthane", "part_numbers": ["BRD-1.22", "X9"]},
        "job_side": {"make": "Borsund", "family": "B4"},
        "evidence": "Tried in three machines",
    },
    {
        "kind": "drain-pump",
        "says": "fits-with-conditions",
        "donor_side": {"attributes": {"mount": "3-lug"}},
        "job_side": {"make": "Velthane", "family": "K3", "fields": {"revision": "1"}},
        "conditions": "Move the hose clip ÄÖ",
    },
    {
        "kind": "control-board",
        "says": "does-not-fit",
        "donor_side": {"part_numbers": ["BRD-1"]},
        "job_side": {"family": "W7", "built_from": "2017-03-01"},
        "source": "notes, page 100%_",
    },
]


@pytest.fixture
def ids(bench: Bench, api: APIClient, sign_in) -> list[int]:
    found = [api.post("/api/v1/rules/", rule, format="json").data["id"] for rule in RULES]
    sign_in("owner").post(f"/api/v1/rules/{found[1]}/approve/", {}, format="json")
    Rule.of(bench.workshop).filter(pk=found[2]).update(flag="3 of 3 went against it", disagree=3)
    return found


@pytest.mark.parametrize(
    ("query", "found"),
    [
        ({}, [0, 1, 2]),
        ({"kind": "control-board"}, [0, 2]),
        ({"state": "approved"}, [1]),
        ({"state": ["approved", "proposed"]}, [0, 1, 2]),
        ({"says": "does-not-fit"}, [2]),
        ({"make": "Velthane"}, [0, 1]),
        ({"make": "Borsund"}, [0]),
        ({"make": "Velt"}, []),
        ({"family": "W7"}, [2]),
        ({"part_number": "brd 1"}, [2]),  # canonical: not BRD-1.22
        ({"part_number": "BRD-122"}, [0]),
        ({"part_number": "X9"}, [0]),
        ({"flagged": "true"}, [2]),
        ({"flagged": "false"}, [0, 1]),
        ({"from_evidence": "true"}, []),
        ({"text": "three machines"}, [0]),
        ({"text": "HOSE clip äö"}, [1]),
        ({"text": "built from 2017"}, [2]),
        ({"text": "100%_"}, [2]),
        ({"text": "100_"}, []),
        ({"text": "1", "kind": "drain-pump", "make": "Velthane"}, [1]),
        ({"ordering": "-id"}, [2, 1, 0]),
        ({"ordering": "-disagree,-id"}, [2, 1, 0]),
        ({"ordering": "kind"}, [0, 2, 1]),
        ({"ordering": "disagree"}, [0, 1, 2]),
    ],
)
def test_filters_and_order(query: dict[str, Any], found: list[int], api: APIClient, ids) -> None:
    answer = api.get("/api/v1/rules/", query)
    assert answer.status_code == 200, answer.data
    assert [row["id"] for row in answer.data["results"]] == [ids[number] for number in found]


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({"state": "perhaps"}, "state"),
        ({"says": "perhaps"}, "says"),
        ({"flagged": "perhaps"}, "flagged"),
        ({"from_evidence": "yes"}, "from_evidence"),
        ({"ordering": "evidence"}, "ordering"),
        ({"part_number": "--"}, "part_number"),
        ({"text": "x" * 201}, "text"),
    ],
)
def test_a_filter_that_makes_no_sense_is_refused(
    query: dict[str, str], field: str, api: APIClient, ids
) -> None:
    answer = api.get("/api/v1/rules/", query)
    assert answer.status_code == 400
    assert answer["Content-Type"] == "application/problem+json"
    assert [error["field"] for error in answer.data["errors"]] == [field]


def test_pages_neither_repeat_nor_lose_a_rule(api: APIClient, ids) -> None:
    seen = []
    for page in (1, 2, 3):
        query = {"ordering": "-proposed_at", "page": page, "page_size": 1}
        answer = api.get("/api/v1/rules/", query).data
        assert answer["count"] == 3
        seen += [row["id"] for row in answer["results"]]
    assert sorted(seen) == ids
    assert api.get("/api/v1/rules/", {"page": 4, "page_size": 1}).status_code == 404


def test_a_rule_is_told_in_words(api: APIClient, ids) -> None:
    said = [api.get(f"/api/v1/rules/{one}/").data["in_words"] for one in ids]
    assert said == [
        "Control board: part number BRD-1.22 or X9, Velthane fits Borsund B4.",
        "Drain pump: mount 3-lug fits with conditions Velthane K3, revision 1. "
        "Move the hose clip ÄÖ",
        "Control board: part number BRD-1 does not fit W7, built from 2017-03-01.",
    ]


def test_the_list_asks_no_more_often_as_rules_grow(bench: Bench, api: APIClient, ids) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as seen:
            assert api.get("/api/v1/rules/").status_code == 200
        return len(seen)

    few = queries()
    for number in range(12):
        rule = {**RULES[0], "job_side": {"family": f"N{number}"}}
        assert api.post("/api/v1/rules/", rule, format="json").status_code == 201
    assert queries() == few
