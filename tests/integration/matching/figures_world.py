"""Rows for figures, written straight into the tables: small worlds whose sums are done by hand."""

from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from itertools import count
from typing import Any

from django.utils import timezone

from donors.models import Donor, FailureCause
from matching.models import Hold, Job, Need, Outcome
from parts.models import BenchTest, Part, SisterWarning, StepRecord
from tests.factories import NOW, TODAY, Bench


def before(days: int) -> date:
    return TODAY - timedelta(days=days)


@dataclass
class Rows:
    """Writes rows of one workshop; every default can be named."""

    bench: Bench
    number: Any = field(default_factory=lambda: count(1))

    def need(
        self,
        opened: date,
        state: str = "open",
        *,
        filled: date | None = None,
        withdrawn_on: date | None = None,
        **job: Any,
    ) -> Need:
        """A need of a job of its own; filled: the day its part went in."""
        nth = next(self.number)
        kind = job.pop("kind", "drain-pump")
        closed = {"open": "open", "filled": "done", "withdrawn": "refused"}[state]
        stated = {"ref": f"J-{nth}", "appliance_id": "washing-machine", "state": closed} | job
        row = Job.objects.create(workshop=self.bench.workshop, opened_on=opened, **stated)
        need: Need = Need.objects.create(
            workshop=self.bench.workshop,
            job=row,
            kind_id=kind,
            state=state,
            withdrawn_on=withdrawn_on,
        )
        if filled:
            self.fitting(filled, need=need, kind=kind)
        return need

    def fitting(self, day: date, result: str = "worked", **values: Any) -> Outcome:
        kind = values.pop("kind", "drain-pump")
        found: Outcome = Outcome.objects.create(
            workshop=self.bench.workshop,
            kind_id=kind,
            fitted_on=day,
            result=result,
            fingerprint=f"{next(self.number):064}",
            **values,
        )
        return found

    def donor(self, received: date = TODAY, cause: str = "", **values: Any) -> Donor:
        stated = {"ref": f"D-{next(self.number)}", "appliance_id": "washing-machine"} | values
        row = FailureCause.objects.filter(appliance="washing-machine", slug=cause).first()
        found: Donor = Donor.objects.create(
            workshop=self.bench.workshop, received_on=received, cause=row, **stated
        )
        return found

    def part(self, donor: Donor | None = None, grade: str = "untested", **values: Any) -> Part:
        """A part on the shelf since a month; tested grades rest on a test of their own."""
        nth = next(self.number)
        stated = {
            "ref": f"P-{nth}",
            "short_code": f"T{nth:05}",
            "kind_id": "drain-pump",
            "position": str(nth) if donor else "",
            "state": "shelved",
            "removed_on": before(30),
        } | values
        part: Part = Part.objects.create(workshop=self.bench.workshop, donor=donor, **stated)
        if grade.startswith("tested"):
            part.grade_test = self.test(part)
        part.grade = grade
        part.save()
        return part

    def test(self, part: Part, verdict: str = "good") -> BenchTest:
        found: BenchTest = BenchTest.objects.create(
            workshop=self.bench.workshop, part=part, tested_on=TODAY, verdict=verdict, method="m"
        )
        return found

    def step(self, donor: Donor, minutes: float | None, **values: Any) -> StepRecord:
        day = datetime.combine(TODAY, time(12), tzinfo=timezone.get_current_timezone())
        found: StepRecord = StepRecord.objects.create(
            workshop=self.bench.workshop,
            donor=donor,
            appliance_id=donor.appliance_id,
            step=f"s{next(self.number)}",
            done_on=TODAY,
            done_at=day,
            done_by=self.bench.technician,
            **{"timed_min": minutes} | values,
        )
        return found

    def hold(self, part: Part, need: Need) -> Hold:
        found: Hold = Hold.objects.create(
            workshop=self.bench.workshop,
            part=part,
            need=need,
            held_by=self.bench.technician,
            held_at=NOW,
            expires_at=NOW + timedelta(days=5),
        )
        return found

    def doubt(self, part: Part, failed: Part) -> SisterWarning:
        found: SisterWarning = SisterWarning.objects.create(
            workshop=self.bench.workshop, part=part, failed=failed, raised_on=TODAY
        )
        return found
