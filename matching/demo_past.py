"""Work of the past for the demo: jobs put right or refused, parts sold. Demo data only."""

import csv
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from donors.models import Donor
from matching import fittings, outcome_keys
from matching.models import Job, Need, Outcome
from parts.models import Part
from workshop.models import Workshop

# What a past job's machine has in common with the donor of the part: it is one of its like.
MACHINE = (
    "appliance_id",
    "make_id",
    "make_as_read",
    "make_is_guess",
    "model_number",
    "model_canonical",
    "recognised_id",
    "recognised_how",
    "confirmed",
    "likely_number",
    "family",
    "fields",
    "certainty",
    "built_from",
    "built_to",
    "build_known",
)


def load(workshop: Workshop, path: Path) -> int:
    """Put the rows of past_work.csv on record, before any job waits. Returns how many."""
    if not path.exists():
        return 0
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    found = Part.of(workshop).filter(ref__in=[row["part_ref"] for row in rows])
    parts = {part.ref: part for part in found.select_related("donor__make")}
    for row in rows:
        part = parts[row["part_ref"]]
        _use(part, row)
        if row["job_ref"]:
            _job(workshop, part, row)
    columns = ["state", "gone_on", "grade_falls_on", "was_bad"]
    Part.objects.unscoped().bulk_update(parts.values(), columns, batch_size=200)
    return len(rows)


def _use(part: Part, row: Mapping[str, str]) -> None:
    if row["came"] == "refused":
        return
    part.state = Part.State.SOLD if row["came"] == "sold" else Part.State.FITTED
    part.gone_on, part.grade_falls_on = date.fromisoformat(row["ended_on"]), None
    part.was_bad = row["came"] == "failed"


def _job(workshop: Workshop, part: Part, row: Mapping[str, str]) -> None:
    donor, refused = part.donor, row["came"] == "refused"
    assert donor is not None
    job = Job.objects.create(
        workshop=workshop,
        ref=row["job_ref"],
        state=Job.State.REFUSED if refused else Job.State.DONE,
        opened_on=date.fromisoformat(row["opened_on"]),
        **{name: getattr(donor, name) for name in MACHINE},
    )
    need = Need.objects.create(
        workshop=workshop,
        job=job,
        kind_id=part.kind_id,
        position=part.position,
        part_number=part.part_number,
        number_canonical=part.number_canonical,
        state=Need.State.WITHDRAWN if refused else Need.State.FILLED,
        withdrawn_on=date.fromisoformat(row["ended_on"]) if refused else None,
    )
    if not refused:
        _fitting(part, donor, job, need, row)


def _fitting(part: Part, donor: Donor, job: Job, need: Need, row: Mapping[str, str]) -> None:
    sides: dict[str, Any] = {}
    for side, machine in (("donor", donor), ("job", job)):
        sides |= {
            f"{side}_make": donor.make.name if donor.make else "",
            f"{side}_model_number": machine.model_number,
            f"{side}_built_from": machine.built_from,
            f"{side}_built_to": machine.built_to,
        }
    days = row["days_to_failure"]
    outcome = Outcome(
        workshop_id=part.workshop_id,
        kind_id=part.kind_id,
        part=part,
        need=need,
        part_number=part.part_number,
        job_part_number=need.part_number,
        part_attributes=part.attributes,
        fitted_on=date.fromisoformat(row["ended_on"]),
        result=Outcome.Result.FAILED if days else Outcome.Result.WORKED,
        days_to_failure=int(days) if days else None,
        learned={
            "donor": fittings.learned(donor.machine()),
            "job": fittings.learned(job.machine()),
        },
        **sides,
    )
    outcome.fingerprint = fittings.fingerprint(outcome, need.pk)
    outcome_keys.keyed(outcome).save()
