"""The demo's closed jobs: what customers said and what was at fault, so that odds have learned."""

import csv
from collections.abc import Callable
from datetime import UTC, date, datetime, time
from pathlib import Path

from django.db import transaction

from donors import plates
from donors.catalogue import Catalogue
from donors.plates import Plate
from matching.faults import closing, signs
from matching.models import Job
from workshop.models import Member, Role, Workshop


@transaction.atomic
def load_closed_jobs(workshop: Workshop, path: Path, *, say: Callable[[str], None]) -> None:
    """Put closed jobs on record as if a technician had said what each fault was. Once only."""
    if not path.exists():
        return
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    if not rows or Job.of(workshop).filter(ref=rows[0]["job_ref"]).exists():
        return
    technician = Member.of(workshop).filter(role=Role.TECHNICIAN).first()
    catalogue, appliances = Catalogue.load(workshop), plates.appliance_slugs()
    jobs = Job.objects.bulk_create(
        [_job(workshop, row, catalogue, appliances) for row in rows], batch_size=500
    )
    signs.read_words(workshop, jobs, at=_noon(min(job.opened_on for job in jobs)))
    for job, row in zip(jobs, rows, strict=True):
        when = _noon(date.fromisoformat(row["closed_on"]))
        closing.note_found(job, row["fault"], by=technician, now=when)
    say(f"  {workshop.slug}: closed jobs: {len(jobs)}")


def _job(
    workshop: Workshop, row: dict[str, str], catalogue: Catalogue, appliances: set[str]
) -> Job:
    opened_on = date.fromisoformat(row["opened_on"])
    plate = Plate(appliance=row["appliance"], make=row["make"], model_number=row["model_number"])
    values, _ = plates.columns(catalogue, plate, appliances=appliances, on=opened_on)
    return Job(
        workshop=workshop,
        ref=row["job_ref"],
        state=Job.State.DONE,
        opened_on=opened_on,
        symptom=row["symptom"],
        **values,
    )


def _noon(day: date) -> datetime:
    return datetime.combine(day, time(12), tzinfo=UTC)
