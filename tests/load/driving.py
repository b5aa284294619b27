"""Mixed use at a fixed rate, open loop: a request is due at its moment, answered or not the last.

Latency counts from the moment a request was due, so a service that stands still is charged for
all who wait meanwhile. Each request has a connection of its own; a process of its own drives.
"""

import json
import random
import statistics
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any
from urllib.parse import urlencode

from tests.running import Running

# Of 100 requests: 80 read, 20 write.
MIX = {
    "find a part (page)": 24,
    "find a part (API)": 16,
    "job page": 16,
    "donor page": 12,
    "inbox page": 12,
    "donor taken in": 5,
    "job opened": 5,
    "hold": 5,
    "fitted": 5,
}
THREADS = 96
WATCH_FOR = 30.0  # seconds an arrival may take into the inbox
WATCH_STEP = 0.1


@dataclass
class Machine:
    """A plate, as somebody types it."""

    appliance: str
    make: str
    number: str
    kind: str
    kind_name: str
    job: str = ""


@dataclass
class Shop:
    """What the driver knows of one workshop: who asks, and what there is to ask for."""

    token: str
    session: str
    machines: list[Machine]
    donors: list[str]
    jobs: list[str]
    pairs: list[tuple[int, str]]  # need, part, to be held
    holds: list[int] = field(default_factory=list)


@dataclass
class Seen:
    """One request as it went."""

    what: str
    due: float
    seconds: float
    status: int
    said: str = ""


@dataclass
class Drive:
    """A run against a service."""

    service: Running
    shops: Sequence[Shop]
    rate: float
    seconds: float
    seed: int = 7
    seen: list[Seen] = field(default_factory=list)
    inbox: list[float] = field(default_factory=list)
    never: int = 0

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.lock = threading.Lock()
        self.watchers: list[threading.Thread] = []

    def run(self) -> None:
        """Send every request at its moment, and wait for the last."""
        total = int(self.rate * self.seconds)
        plan = self._plan(total)
        start = time.monotonic() + 0.5
        taken = iter(enumerate(plan))

        def work() -> None:
            while True:
                with self.lock:
                    index, what = next(taken, (0, ""))
                if not what:
                    return
                due = start + index / self.rate
                time.sleep(max(0.0, due - time.monotonic()))
                self._send(what, due)

        threads = [threading.Thread(target=work) for _ in range(THREADS)]
        for one in threads:
            one.start()
        for one in threads:
            one.join()
        for one in self.watchers:
            one.join()

    def _plan(self, total: int) -> list[str]:
        names, weights = zip(*MIX.items(), strict=True)
        return self.rng.choices(names, weights, k=total)

    def _send(self, what: str, due: float) -> None:
        with self.lock:
            shop = self._shop_for(what)
            request = ASKS[what](self, shop)
        if request is None:
            return  # nothing to hold or to fit is left in this workshop: not counted
        method, path, body, then = request
        if path.startswith("/api/"):
            headers = {"Authorization": f"Token {shop.token}", "Content-Type": "application/json"}
        else:
            headers = {"Cookie": f"__Host-session={shop.session}"}
        text = json.dumps(body).encode() if body is not None else None
        try:
            status, answer = self.service.ask(method, path, body=text, headers=headers)
        except OSError as broken:
            status, answer = 0, repr(broken).encode()
        took = time.monotonic() - due
        said = "" if status in {200, 201} else answer[:300].decode(errors="replace")
        with self.lock:
            self.seen.append(Seen(what, due, took, status, said))
        if status == 201 and then is not None:
            then(json.loads(answer), time.monotonic())

    def _shop_for(self, what: str) -> Shop:
        holding = [one for one in self.shops if one.holds] if what == "fitted" else []
        return self.rng.choice(holding or self.shops)

    # What is asked. Called with the lock held; None: nothing to ask for.

    def find(self, shop: Shop, *, page: bool) -> Any:
        machine = self.rng.choice(shop.machines)
        named = self.rng.random() < 0.7
        text = f"{machine.number} {machine.kind_name}" if named else machine.number
        query = urlencode({"text": text, "make": machine.make})
        return "GET", f"{'/find/' if page else '/api/v1/parts/find/'}?{query}", None, None

    def job_page(self, shop: Shop) -> Any:
        return "GET", f"/jobs/{self.rng.choice(shop.jobs)}/", None, None

    def donor_page(self, shop: Shop) -> Any:
        return "GET", f"/donors/{self.rng.choice(shop.donors)}/", None, None

    def inbox_page(self, shop: Shop) -> Any:
        return "GET", "/alerts/", None, None

    def donor(self, shop: Shop) -> Any:
        machine = self.rng.choice([one for one in shop.machines if one.job])

        def watch(made: dict[str, Any], acknowledged: float) -> None:
            asked = shop, machine.job, made["ref"], acknowledged
            watcher = threading.Thread(target=self._watch, args=asked)
            self.watchers.append(watcher)
            watcher.start()

        plate = {"appliance": machine.appliance, "make": machine.make}
        body = {
            **plate,
            "model_number": machine.number,
            "received_on": str(datetime.now(UTC).date()),
        }
        return "POST", "/api/v1/donors/", body, watch

    def job(self, shop: Shop) -> Any:
        machine = self.rng.choice(shop.machines)
        body = {
            "appliance": machine.appliance,
            "make": machine.make,
            "model_number": machine.number,
            "opened_on": str(datetime.now(UTC).date()),
            "needs": [{"kind": machine.kind}],
        }
        return "POST", "/api/v1/jobs/", body, None

    def hold(self, shop: Shop) -> Any:
        if not shop.pairs:
            return None
        need, part = shop.pairs.pop()
        body = {"part_ref": part, "need": need, "note": "promised to the customer"}
        return "POST", "/api/v1/holds/", body, lambda made, _: shop.holds.append(made["id"])

    def fitted(self, shop: Shop) -> Any:
        if not shop.holds:
            return None
        body = {"result": "worked", "fitted_on": str(datetime.now(UTC).date())}
        return "POST", f"/api/v1/holds/{shop.holds.pop()}/fitted/", body, None

    def _watch(self, shop: Shop, job: str, donor: str, acknowledged: float) -> None:
        """Ask the API for the alert of an arrival until it is there."""
        path = f"/api/v1/alerts/?{urlencode({'job': job, 'news': 'found', 'page_size': 5})}"
        headers = {"Authorization": f"Token {shop.token}"}
        while time.monotonic() < acknowledged + WATCH_FOR:
            try:
                status, answer = self.service.ask("GET", path, headers=headers)
            except OSError:
                status, answer = 0, b""
            if status == 200 and any(
                one["donor_ref"] == donor for one in json.loads(answer)["results"]
            ):
                with self.lock:
                    self.inbox.append(time.monotonic() - acknowledged)
                return
            time.sleep(WATCH_STEP)
        with self.lock:
            self.never += 1


Ask = Callable[[Drive, Shop], Any]
ASKS: dict[str, Ask] = {
    "find a part (page)": lambda drive, shop: drive.find(shop, page=True),
    "find a part (API)": lambda drive, shop: drive.find(shop, page=False),
    "job page": Drive.job_page,
    "donor page": Drive.donor_page,
    "inbox page": Drive.inbox_page,
    "donor taken in": Drive.donor,
    "job opened": Drive.job,
    "hold": Drive.hold,
    "fitted": Drive.fitted,
}


def at(values: Sequence[float], percent: int) -> float:
    """Return a percentile by nearest rank; 0 of nothing."""
    ordered = sorted(values)
    return ordered[max(0, -(-len(ordered) * percent // 100) - 1)] if ordered else 0.0


def table(drive: Drive) -> str:
    """Return the figures as a Markdown table, times in ms from when a request was due."""
    by_name: dict[str, list[Seen]] = defaultdict(list)
    for one in drive.seen:
        by_name[one.what].append(one)
        if one.what.startswith("find"):
            by_name["**find a part, all**"].append(one)
        by_name["all requests"].append(one)
    lines = ["| what | n | p50 ms | p95 ms | p99 ms | failed |", "|---|---|---|---|---|---|"]
    for name in (*MIX, "**find a part, all**", "all requests"):
        times = [one.seconds * 1000 for one in by_name[name]]
        if not times:
            continue
        failed = sum(one.status not in {200, 201} for one in by_name[name])
        figures = " | ".join(f"{at(times, percent):.0f}" for percent in (50, 95, 99))
        lines.append(f"| {name} | {len(times)} | {figures} | {failed} |")
    waits = drive.inbox
    if waits:
        lines.append(
            f"| **arrival to inbox** | {len(waits)} | {statistics.median(waits) * 1000:.0f} "
            f"| {at(waits, 95) * 1000:.0f} | {at(waits, 99) * 1000:.0f} | {drive.never} |"
        )
    return "\n".join(lines)
