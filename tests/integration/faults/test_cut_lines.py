"""Lines are cut at the worst moment: between commit and reply, and during COMMIT.

Reliability plan, rows 10 and 11. What was acknowledged is there; what was sent again is there once.
"""

import itertools
import random
from collections.abc import Callable
from urllib.parse import urlsplit

import pytest
from django.db import connection

from donors.models import Donor
from tests.integration.faults.conftest import Waiting, drained
from tests.integration.races.conftest import database_url
from tests.integration.races.sizes import size
from tests.proxy import CUT, PASS, PASS_THEN_CUT, proxying
from tests.running import Running

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("faults")]

DEATHS, CUT_ARRIVALS = size(1, 20), size(10, 400)
UNKEYED_ARRIVALS = size(12, 60)


@pytest.mark.parametrize("keyed", [True, False], ids=["", "control without a key"])
def test_a_server_killed_between_commit_and_reply_acts_once(
    service: Running, waiting: Waiting, say: Callable[..., None], keyed: bool
) -> None:
    """The reply is on its way when the server dies; the same request again gets that reply.

    The control asks with another key each time: the machine is taken in twice.
    """
    deaths = DEATHS if keyed else 1
    service.start_web(processes=1)
    deadly = {"armed": True}

    def kill_on_reply(piece: bytes, way: str) -> str:
        if way == "down" and deadly["armed"]:
            deadly["armed"] = False
            service.kill("web")
            service.restart("web")
            return CUT
        return PASS

    with proxying(service.port, kill_on_reply) as proxy:
        arrivals = waiting.arrivals(service, port=proxy.port, keyed=keyed)
        for _ in range(deaths):
            deadly["armed"] = True
            arrivals.send_one()
            assert not deadly["armed"]
    taken = Donor.of(waiting.bench.workshop).count()
    if not keyed:
        assert taken == 2 * deaths
        return
    assert waiting.dropped(arrivals) == DEATHS  # it truly had been committed each time
    assert taken == DEATHS
    waiting.bench.drain()
    assert waiting.missing(arrivals.acknowledged) == set()
    assert waiting.doubled() == 0
    say(deaths_between_commit_and_reply=DEATHS, effects=DEATHS)


@pytest.mark.parametrize("keyed", [True, False], ids=["", "control without a key"])
def test_connections_to_the_database_cut_during_commit(
    service: Running, waiting: Waiting, say: Callable[..., None], keyed: bool
) -> None:
    """Half of the cuts take COMMIT away, half its answer: the client cannot know which it was."""
    if connection.vendor == "sqlite":
        pytest.skip("SQLite has no connection that could be cut")
    parts = urlsplit(database_url())
    rng = random.Random(4)
    commits = itertools.count(1)

    def cut_commits(piece: bytes, way: str) -> str:
        if way == "up" and b"COMMIT" in piece:
            number = next(commits)
            if number in (2, 4):  # one of each, however few there are
                return PASS_THEN_CUT if number == 2 else CUT
            if rng.random() < 0.15:
                return rng.choice([CUT, PASS_THEN_CUT])
        return PASS

    with proxying(parts.port or 5432, cut_commits) as proxy:
        host = f"{parts.username}@127.0.0.1:{proxy.port}"
        service.database = parts._replace(netloc=host).geturl()
        service.start_web(processes=1)
        if keyed:
            service.start_dispatcher()
        arrivals = waiting.arrivals(service, keyed=keyed)
        for one in arrivals.stream(CUT_ARRIVALS if keyed else UNKEYED_ARRIVALS):
            one.join()
        if keyed:
            drained(size(120, 600))
        cuts = proxy.cuts
    found = set(Donor.of(waiting.bench.workshop).values_list("ref", flat=True))
    if keyed:
        assert set(arrivals.acknowledged) <= found
        assert cuts > 0
        assert waiting.missing(arrivals.acknowledged) == set()
        assert waiting.doubled() == 0
        say(arrivals=CUT_ARRIVALS, cuts=cuts, lost=0, doubled=0, retries=arrivals.retries)
    else:
        # The known-bad way: what had been committed and was sent again is there twice.
        assert len(found) > UNKEYED_ARRIVALS
