"""Events given up on: seen by their owner in plain words, tried again, each time on record."""

import io
from datetime import timedelta

import pytest
from django.core.management import call_command
from django.test import Client
from django.urls import reverse
from django.utils import timezone
from rest_framework.test import APIClient

from tests.factories import NOW, Bench
from tests.integration.web.reading import text_of
from tests.integration.web.test_page_queries import count_queries
from workshop import dead_letters, dispatcher
from workshop.errors import Conflict, NotFound
from workshop.models import OutboxEvent, Replay

pytestmark = pytest.mark.django_db
LATER = NOW + timedelta(hours=1)


def owner(bench: Bench) -> Client:
    client = Client()
    client.force_login(bench.members["owner"].user)
    return client


def test_an_event_is_given_up_on_after_eight_tries_and_handled_once_tried_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The whole way: eight failures, a dead letter, a replay by the owner, the effect."""
    acted: list[object] = []
    broken = [True]

    def handler(event: OutboxEvent, now: object) -> None:
        if broken[0]:
            raise ZeroDivisionError("a row that cannot be")
        acted.append(event.pk)

    OutboxEvent.objects.unscoped().delete()
    monkeypatch.setitem(dispatcher._handlers, "parts.parts-arrived", [handler])
    event = OutboxEvent.objects.create(
        workshop=bench.workshop, kind="parts.parts-arrived", recorded_at=NOW, available_at=NOW
    )
    now = NOW
    for _ in range(dispatcher.MOST_ATTEMPTS):
        assert dispatcher.run_once(now=now).failed == 1
        now += timedelta(hours=1)
    assert dispatcher.run_once(now=now).idle
    (dead,) = dead_letters.list_dead(bench.workshop)
    assert dead_letters.cause(dead.last_error) == dead_letters.UNKNOWN
    broken[0] = False
    dead_letters.replay(
        workshop=bench.workshop, event_id=event.pk, member=bench.members["owner"], now=now
    )
    assert dispatcher.run_once(now=now).handled == 1
    assert acted == [event.pk]
    note = Replay.of(bench.workshop).get()
    assert (note.member, note.at, note.event_id) == (bench.members["owner"], now, event.pk)
    assert note.error == "ZeroDivisionError: a row that cannot be"


def test_the_page_says_what_why_and_lets_the_owner_try_again(bench: Bench) -> None:
    event = bench.dead_letter("OperationalError: <b>the connection is closed</b>")
    client = owner(bench)
    text = text_of(client.get(reverse("dead-letters")))
    assert "Parts arrived" in text
    assert dead_letters.UNDONE["parts"] in text
    assert dead_letters.CAUSES["OperationalError"] in text
    assert "<b>the connection" in text  # as text
    answer = client.post(reverse("dead-letter-replay", args=[event.pk]), follow=True)
    text = text_of(answer)
    assert "Parts arrived: it is tried again now." in text
    assert "Nothing. All news has been acted on" in text
    assert "waiting" in text
    again = client.post(reverse("dead-letter-replay", args=[event.pk]))
    assert again.status_code == 409
    assert Replay.of(bench.workshop).count() == 1


def test_only_the_owner_sees_the_page(bench: Bench) -> None:
    client = Client()
    client.force_login(bench.members["reviewer"].user)
    answer = client.get(reverse("dead-letters"))
    assert answer.status_code == 403
    assert "This needs the role owner" in text_of(answer)


def test_all_at_once_touches_no_other_workshop(bench: Bench, other_bench: Bench) -> None:
    for one in (bench, bench, other_bench):
        one.dead_letter()
    answer = owner(bench).post(reverse("dead-letters-replay"), follow=True)
    assert "2 tried again now." in text_of(answer)
    assert dead_letters.list_dead(other_bench.workshop).count() == 1
    assert Replay.of(bench.workshop).count() == 2
    assert Replay.of(other_bench.workshop).count() == 0
    theirs = dead_letters.list_dead(other_bench.workshop).get()
    with pytest.raises(NotFound):
        dead_letters.replay(
            workshop=bench.workshop, event_id=theirs.pk, member=bench.technician, now=LATER
        )


def test_what_was_never_given_up_on_cannot_be_tried_again(bench: Bench) -> None:
    event = bench.dead_letter(dead_at=None, done_at=NOW)
    with pytest.raises(Conflict, match="never given up on"):
        dead_letters.replay(
            workshop=bench.workshop, event_id=event.pk, member=bench.technician, now=LATER
        )


def test_a_clock_put_back_keeps_nobody_from_trying_again(bench: Bench) -> None:
    bench.dead_letter()
    before = NOW - timedelta(days=1)
    done = dead_letters.replay_all(workshop=bench.workshop, member=bench.technician, now=before)
    assert done == 1


def test_the_api_does_what_the_page_does(bench: Bench) -> None:
    event = bench.dead_letter("IntegrityError: twice")
    bench.dead_letter()
    api = APIClient()
    api.force_authenticate(bench.members["owner"].user)
    listed = api.get("/api/v1/dead-letters/").data
    assert listed["count"] == 2
    row = next(one for one in listed["results"] if one["id"] == str(event.pk))
    assert row["about"] == "Parts arrived"
    assert row["cause"] == dead_letters.CAUSES["IntegrityError"]
    one = api.post(f"/api/v1/dead-letters/{event.pk}/replay/")
    assert (one.status_code, one.data) == (200, {"replayed": 1})
    assert api.post(f"/api/v1/dead-letters/{event.pk}/replay/").status_code == 409
    assert api.post("/api/v1/dead-letters/replay-all/").data == {"replayed": 1}
    notes = api.get("/api/v1/dead-letters/replays/").data
    assert notes["count"] == 2
    assert {note["member"] for note in notes["results"]} == {str(bench.members["owner"])}
    api.force_authenticate(bench.members["reviewer"].user)
    for path in ("dead-letters/", "dead-letters/replays/"):
        assert api.get(f"/api/v1/{path}").status_code == 403
    assert api.post("/api/v1/dead-letters/replay-all/").status_code == 403


def test_the_command_says_whose_and_notes_it_too(bench: Bench, other_bench: Bench) -> None:
    bench.dead_letter("MemoryError: full")
    other_bench.dead_letter()
    out = io.StringIO()
    call_command("dispatch", "--retry-dead", stdout=out)
    said = out.getvalue()
    assert "millrace parts.parts-arrived: MemoryError: full" in said
    assert "2 made due again." in said
    assert not OutboxEvent.objects.unscoped().filter(dead_at__isnull=False).exists()
    assert Replay.objects.unscoped().filter(member=None).count() == 2


def test_the_page_asks_no_more_as_its_rows_grow(bench: Bench) -> None:
    client = owner(bench)

    def grow() -> None:
        for _ in range(3):
            bench.dead_letter()
        dead_letters.replay(
            workshop=bench.workshop,
            event_id=bench.dead_letter().pk,
            member=bench.members["owner"],
            now=timezone.now(),
        )

    grow()
    small = count_queries(client, reverse("dead-letters"))
    for _ in range(4):
        grow()
    assert count_queries(client, reverse("dead-letters")) == small


@pytest.mark.parametrize("error", [*dead_letters.CAUSES, "KeyError", ""])
def test_a_cause_is_a_sentence_without_the_program_s_words(error: str) -> None:
    said = dead_letters.cause(f"{error}: detail" if error else "")
    assert said.endswith(".")
    assert "Error" not in said
