"""An attempt is counted when an event is begun, and a closed event stays closed."""

import pytest

from matching.models import Alert
from tests.factories import NOW, Bench
from workshop import dispatcher
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db


def test_events_behind_one_that_ends_its_process_are_not_given_up_on_untried(bench: Bench) -> None:
    """Eight processes die after they claimed a batch and before they began it."""
    bench.job(technician=bench.technician)
    bench.drain()
    bench.donor()
    for turn in range(dispatcher.MOST_ATTEMPTS + 1):
        assert dispatcher._claim(now=NOW + turn * 2 * dispatcher.LEASE, batch=20).ids
    events = OutboxEvent.objects.unscoped().filter(done_at__isnull=True)
    assert set(events.values_list("attempts", flat=True)) == {0}
    late = NOW + 60 * dispatcher.LEASE
    dispatcher.drain(now=lambda: late)
    assert Alert.of(bench.workshop).filter(news="found").exists()
    assert not OutboxEvent.objects.unscoped().filter(dead_at__isnull=False).exists()


def test_a_failure_noted_late_does_not_open_what_another_closed(bench: Bench) -> None:
    bench.donor()
    claimed = dispatcher._claim(now=NOW, batch=1)
    event = OutboxEvent.objects.unscoped().filter(pk=claimed.ids[0])
    event.update(done_at=NOW)
    dispatcher._postpone(claimed.ids[0], claimed.lease, RuntimeError("late"), now=NOW)
    assert event.values_list("done_at", "dead_at", "last_error").get() == (NOW, None, "")
