"""The inbox by machine: one entry for a machine, whoever is served anyhow behind."""

import pytest
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

from matching import inbox_groups
from matching.models import Alert, Match
from parts import services as part_services
from parts.models import Part
from tests.factories import NOW, TODAY, Bench
from tests.integration.web.reading import text_of

pytestmark = pytest.mark.django_db


def groups_of(bench: Bench, **how: bool) -> list[inbox_groups.Group]:
    keys = list(inbox_groups.list_keys(bench.technician, **how))
    return inbox_groups.read_groups(bench.technician, keys)


@pytest.fixture
def three_jobs(bench: Bench) -> list[str]:
    """Three jobs of the technician, then one machine that may serve them all."""
    refs = [bench.job(technician=bench.technician).ref for _ in range(3)]
    bench.drain()
    bench.donor()
    bench.drain()
    return refs


def test_a_machine_is_one_entry_with_all_it_may_serve(bench: Bench, three_jobs: list[str]) -> None:
    one = groups_of(bench).pop()
    assert (one.count, one.unread, one.open_needs, one.more) == (3, 3, 3, 0)
    assert {alert.job.ref for alert in one.open} == set(three_jobs)
    assert one.donor is not None
    assert one.donor.ref == "D-0001"
    assert len(one.unread_ids) == 3


def test_whoever_is_served_anyhow_stands_behind(
    bench: Bench, three_jobs: list[str], technician: Client
) -> None:
    part = bench.part(bench.donor(), "control-board")
    Part.of(bench.workshop).filter(pk=part.pk).update(state=Part.State.SHELVED)
    bench.drain()
    Match.of(bench.workshop).filter(part=part).update(worth=0.95)
    match = Match.of(bench.workshop).filter(part=part, need__job__ref=three_jobs[1]).get()
    bench.proposal(part, match.need)
    first = next(one for one in groups_of(bench) if one.donor and one.donor.ref == "D-0001")
    assert {alert.job.ref for alert in first.served} == {three_jobs[1]}
    # The machine whose part is proposed is itself what serves the job.
    second = next(one for one in groups_of(bench) if one.donor and one.donor.ref == "D-0002")
    assert three_jobs[1] in {alert.job.ref for alert in second.open}
    words = text_of(technician.get(reverse("alerts")))
    assert "May serve 2 waiting needs that nothing else of ours serves" in words
    assert "1 that has a part promised or on the shelf" in words


def test_closed_jobs_and_what_became_of_a_part_are_no_offers(
    bench: Bench, three_jobs: list[str], technician: Client
) -> None:
    """A refused job waits no more, and "gone" is no part that may serve somebody."""
    bench.refuse(three_jobs[0], now=NOW)
    part = Part.of(bench.workshop).get(donor__ref="D-0001", kind="control-board")
    part_services.scrap_part(workshop=bench.workshop, ref=part.ref, why="cracked", on=TODAY)
    bench.drain()
    one = groups_of(bench).pop()
    assert [alert.job.ref for alert in one.over] == [three_jobs[0]]
    assert {alert.news for alert in one.news} == {"gone"}
    assert one.open_needs == 2
    words = text_of(technician.get(reverse("alerts")))
    assert "May serve 2 waiting needs" in words
    assert "1 that waits no more" in words
    assert all(alert.summary in words for alert in one.news)


def test_one_press_marks_the_whole_entry(
    bench: Bench, three_jobs: list[str], technician: Client
) -> None:
    ids = ",".join(str(pk) for pk in groups_of(bench)[0].unread_ids)
    technician.post(reverse("alerts-read-all"), {"ids": ids})
    assert groups_of(bench, unread=True) == []
    assert groups_of(bench)[0].unread == 0


def test_of_very_many_the_likeliest_unread_are_read_and_the_rest_counted(bench: Bench) -> None:
    for _ in range(inbox_groups.SHOWN + 2):
        bench.job(technician=bench.technician)
    bench.drain()
    bench.donor()
    bench.drain()
    lowest = list(Alert.of(bench.workshop).order_by("id")[:2])
    Alert.of(bench.workshop).filter(pk__in=[one.pk for one in lowest]).update(p_fit=0.01)
    one = groups_of(bench).pop()
    assert len(one.open) == inbox_groups.SHOWN
    assert one.more == 2
    assert not {alert.pk for alert in one.open} & {alert.pk for alert in lowest}


def test_nobody_sees_the_entries_of_another(bench: Bench, three_jobs: list[str]) -> None:
    assert list(inbox_groups.list_keys(bench.members["reviewer"])) == []


def test_queries_do_not_grow(bench: Bench, three_jobs: list[str], technician: Client) -> None:
    def counted() -> int:
        with CaptureQueriesContext(connection) as seen:
            technician.get(reverse("alerts"))
        return len(seen)

    bench.donor()
    bench.drain()
    few = counted()
    for _ in range(4):
        bench.donor()
        bench.job(technician=bench.technician)
    bench.drain()
    assert counted() == few
