"""What each page takes on the demo's data: bytes over the wire uncached, server time, queries.

    python -m pytest tests/speed/test_page_speed.py -m speed -s

Follows the links an owner sees, four pages of each kind, each asked five times in process.
Prints a table. Bytes: the page as sent, with the style sheet and the scripts it names, as a
browser with an empty cache gets them (each compressed where the server would). No figure decides
the test.
"""

import gzip
import re
import statistics
import time
from collections import defaultdict, deque
from pathlib import Path
from typing import NamedTuple

import pytest
from django.contrib.staticfiles import finders
from django.core.management import call_command
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext
from django.urls import Resolver404, resolve

from workshop.models import Member

pytestmark = [pytest.mark.speed, pytest.mark.django_db]
OF_EACH, REPEATS = 4, 5
LINK = re.compile(r'href="(/[^"#]*)')
ASSET = re.compile(r'(?:src|href)="/static/([^"]+)"')
NOT_PAGES = {"sign-out", "api-docs"}


class Taken(NamedTuple):
    address: str
    milliseconds: float
    queries: int
    bytes_sent: int


def test_every_page_on_the_demo() -> None:
    call_command("demo", "--no-serve")
    client = Client()
    client.force_login(Member.objects.unscoped().get(user__username="wren").user)
    taken = {name: [measure(client, one) for one in some] for name, some in found(client).items()}
    show(taken)


def found(client: Client) -> dict[str, list[str]]:
    """Return addresses of pages by the name of their route, following links from the first page."""
    by_route: dict[str, list[str]] = defaultdict(list)
    waiting, seen = deque(["/"]), {"/"}
    while waiting:
        address = waiting.popleft()
        name = route_of(address)
        if name in NOT_PAGES or len(by_route[name]) == OF_EACH:
            continue
        answer = client.get(address)
        if answer.status_code != 200 or "text/html" not in answer["Content-Type"]:
            continue
        by_route[name].append(address)
        for link in LINK.findall(answer.content.decode()):
            link = link.replace("&amp;", "&")
            if link not in seen and route_of(link):
                seen.add(link)
                waiting.append(link)
    return by_route


def route_of(address: str) -> str:
    try:
        return resolve(address.partition("?")[0]).url_name or ""
    except Resolver404:
        return ""


def measure(client: Client, address: str) -> Taken:
    times = []
    for _ in range(REPEATS):
        begun = time.perf_counter()
        client.get(address)
        times.append((time.perf_counter() - begun) * 1000)
    with CaptureQueriesContext(connection) as asked:
        answer = client.get(address)
    return Taken(address, statistics.median(times), len(asked), over_the_wire(answer.content))


def over_the_wire(page: bytes) -> int:
    """Pages are sent as they are; the files they name are sent compressed (whitenoise)."""
    total = len(page)
    for name in set(ASSET.findall(page.decode())):
        path = finders.find(name)
        assert path, name
        total += len(gzip.compress(Path(str(path)).read_bytes()))
    return total


def show(taken: dict[str, list[Taken]]) -> None:
    every = [one for some in taken.values() for one in some]
    times = sorted(one.milliseconds for one in every)
    middle, slow = times[len(times) // 2], times[int(len(times) * 0.95)]
    most = max(one.bytes_sent for one in every) / 1000
    lines = [
        f"{len(every)} pages of {len(taken)} kinds: server time p50 {middle:.0f} ms, "
        f"p95 {slow:.0f} ms; at most {most:.0f} kB.",
        "",
        "| page | ms, slowest of its kind | queries | kB over the wire, largest |",
        "|---|---|---|---|",
    ]
    for name, some in sorted(taken.items(), key=lambda one: -max(o.milliseconds for o in one[1])):
        lines.append(
            f"| {name} | {max(o.milliseconds for o in some):.0f} | "
            f"{max(o.queries for o in some)} | {max(o.bytes_sent for o in some) / 1000:.0f} |"
        )
    print("\n".join(lines))
