"""Which number goes in for which: services, API, page, and re-matching."""

import pytest
from django.test import Client

from matching.models import Match
from parts import numbers
from parts.models import Interchange
from tests.factories import Bench
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

KIND = "control-board"


def add(bench: Bench, from_number: str, to_number: str, both_ways: bool = False) -> Interchange:
    return numbers.add_interchange(
        workshop=bench.workshop,
        kind=KIND,
        from_number=from_number,
        to_number=to_number,
        both_ways=both_ways,
    )


@pytest.mark.parametrize(
    ("known", "bad", "path"),
    [
        ([("A-1", "B-1", False)], ("B-1", "A-1", False), "B1 > A1 > B1"),
        (
            [("A-1", "B-1", False), ("B-1", "C-1", False)],
            ("C-1", "A-1", False),
            "C1 > A1 > B1 > C1",
        ),
        ([("A-1", "B-1", True)], ("B-1", "A-1", False), "B1 > A1 <> B1"),
        ([("A-1", "B-1", False)], ("B-1", "A-1", True), "B1 <> A1 > B1"),
        (
            [("A-1", "B-1", False), ("B-1", "C-1", True)],
            ("C-1", "A-1", False),
            "C1 > A1 > B1 <> C1",
        ),
    ],
)
def test_what_contradicts_is_refused_with_the_path(bench: Bench, sign_in, known, bad, path) -> None:
    for edge in known:
        add(bench, *edge)
    with pytest.raises(InputRefused, match="circle") as refused:
        add(bench, *bad)
    assert path in refused.value.message
    body = {"kind": KIND, "from_number": bad[0], "to_number": bad[1], "both_ways": bad[2]}
    answer = sign_in("reviewer").post("/api/v1/interchanges/", body, format="json")
    assert answer.status_code == 400
    assert path in str(answer.data)
    assert Interchange.of(bench.workshop).count() == len(known)


def test_a_number_supersedes_not_itself_and_nothing_is_noted_twice(bench: Bench) -> None:
    with pytest.raises(InputRefused, match="itself"):
        add(bench, "A-1", "a 1")
    add(bench, "A-1", "B-1")
    with pytest.raises(Conflict, match="already on record"):
        add(bench, "a1", "B 1")
    with pytest.raises(Conflict, match="already on record"):
        add(bench, "a1", "B 1", both_ways=True)


def test_adding_and_removing_move_matches_through_the_outbox(bench: Bench, sign_in) -> None:
    need = bench.need("K3-60 R1 W", part_number="OLD-1")
    donor = bench.donor("W7-60 R1 W")
    from parts import services as part_services
    from parts.services import PartFacts

    part = bench.part(donor)
    facts = PartFacts(part_number="NEW-1")
    part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
    bench.drain()

    def levels() -> list[object]:
        rows = Match.of(bench.workshop).filter(need=need, part=part)
        return [one["level"] for m in rows for one in m.reasons if one["evidence"] == "part number"]

    assert "interchange" not in levels()
    client = sign_in("reviewer")
    body = {"kind": KIND, "from_number": "OLD-1", "to_number": "NEW-1", "note": "bulletin"}
    made = client.post("/api/v1/interchanges/", body, format="json")
    assert made.status_code == 201
    assert "interchange" not in levels()  # nothing is matched in the request
    bench.drain()
    assert levels() == ["interchange"]
    path = f"/api/v1/interchanges/{made.data['id']}/"
    assert client.get(path).data["note"] == "bulletin"
    assert client.delete(path).status_code == 204
    assert client.delete(path).status_code == 404
    bench.drain()
    assert "interchange" not in levels()


def test_the_api_lists_and_only_reviewers_write(bench: Bench, sign_in) -> None:
    row = add(bench, "A-1", "B-1")
    add(bench, "C-1", "D-1", both_ways=True)
    client = sign_in("technician")
    assert client.get("/api/v1/interchanges/").data["count"] == 2
    [found] = client.get("/api/v1/interchanges/", {"number": "b 1"}).data["results"]
    assert (found["from_number"], found["to_number"], found["both_ways"]) == ("A-1", "B-1", False)
    body = {"kind": KIND, "from_number": "E", "to_number": "F"}
    assert client.post("/api/v1/interchanges/", body, format="json").status_code == 403
    assert client.delete(f"/api/v1/interchanges/{row.pk}/").status_code == 403
    body = {"kind": "flux-pump", "from_number": "E", "to_number": "F"}
    answer = sign_in("reviewer").post("/api/v1/interchanges/", body, format="json")
    assert (answer.status_code, "kind" in str(answer.data)) == (400, True)


def test_the_page_lists_adds_and_removes(bench: Bench) -> None:
    client = Client()
    client.force_login(bench.members["reviewer"].user)
    given = {"kind": KIND, "from_number": "A-1", "to_number": "B-1", "both_ways": ""}
    assert client.post("/interchanges/new/", given).status_code == 302
    page = client.get("/interchanges/", {"text": "a-1"}).content.decode()
    assert "A-1" in page
    assert "does not hold" in page
    again = client.post("/interchanges/new/", {**given, "from_number": "B-1", "to_number": "A-1"})
    assert again.status_code == 400
    assert "B1 &gt; A1 &gt; B1" in again.content.decode()
    row = Interchange.of(bench.workshop).get()
    assert OutboxEvent.of(bench.workshop).filter(kind="parts.knowledge-changed").count() == 1
    assert client.post(f"/interchanges/{row.pk}/remove/").status_code == 302
    assert not Interchange.of(bench.workshop).exists()


def test_a_foreign_relation_cannot_be_removed(bench: Bench, other_bench: Bench) -> None:
    row = add(bench, "A-1", "B-1")
    with pytest.raises(NotFound):
        numbers.remove_interchange(workshop=other_bench.workshop, interchange_id=row.pk)
