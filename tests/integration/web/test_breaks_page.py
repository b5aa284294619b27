"""The page of build changes: what it says and who decides."""

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from matching.models import BuildBreak
from parts import numbers
from tests.factories import Bench
from tests.integration.web.reading import text_of

pytestmark = pytest.mark.django_db


def test_it_says_where_when_and_which_numbers(bench: Bench, technician: Client) -> None:
    bench.build_break(revision="2")
    numbers.add_interchange(
        workshop=bench.workshop, kind="control-board", from_number="BRD-1", to_number="X-9"
    )
    page = text_of(technician.get("/breaks/"))
    for words in (
        "Velthane W7 revision 2",
        "2020-03-01 and 2020-05-31",
        "98 %",
        "BRD-1 seen 5",  # as printed, where that is known
        "BRD2 seen 6",
        "proposed",
        "Deciding needs the role reviewer.",
    ):
        assert words in page


def test_it_says_which_model_where_one_alone_changed(bench: Bench, technician: Client) -> None:
    bench.build_break(revision="2", model="W760R2W")
    page = text_of(technician.get("/breaks/"))
    assert "Velthane W7 revision 2 model W760R2W" in page
    assert "1 change " in f"{page} "


def test_a_reviewer_accepts_and_retires(bench: Bench, reviewer: Client) -> None:
    row = bench.build_break()
    for act, state in (("accept", "accepted"), ("retire", "retired")):
        assert reviewer.post(f"/breaks/{row.pk}/{act}/").status_code == 302
        row.refresh_from_db()
        assert (row.state, row.decided_by) == (state, bench.members["reviewer"])
    answer = reviewer.post(f"/breaks/{row.pk}/accept/")
    assert answer.status_code == 409
    assert "only proposed ones can be accepted" in text_of(answer)


def test_a_reviewer_rejects(bench: Bench, reviewer: Client) -> None:
    row = bench.build_break()
    reviewer.post(f"/breaks/{row.pk}/reject/")
    assert BuildBreak.of(bench.workshop).get().state == "rejected"


def test_the_same_queries_however_many_rows(bench: Bench, technician: Client) -> None:
    def queries() -> int:
        with CaptureQueriesContext(connection) as caught:
            assert technician.get("/breaks/").status_code == 200
        return len(caught)

    bench.build_break()
    first = queries()
    for month in range(1, 9):
        bench.build_break(changed_from=f"2019-0{month}-01", changed_to=f"2019-0{month}-20")
    assert queries() == first
