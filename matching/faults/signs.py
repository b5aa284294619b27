"""What a job showed: read from the customer's words, chosen by a person, or a displayed code."""

from collections import defaultdict
from collections.abc import Iterable
from datetime import datetime

from django.db import transaction

from matching.domain.diagnosis.fault_codes import written
from matching.faults import tables
from matching.faults.editing import refuse_shown
from matching.models import CheckAnswer, Job, Sign
from workshop.domain.refusals import Checks, ValueRefused
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, Workshop

MOST_SIGNS = 12


def read_words(
    workshop: Workshop | int, jobs: Iterable[Job], *, at: datetime, by: Member | None = None
) -> list[Sign]:
    """Note the symptoms that the customer's words name: four queries, however many jobs.

    What was noted before, or taken back by somebody, is not noted again.
    """
    told = [job for job in jobs if job.symptom.strip()]
    if not told:
        return []
    table = tables.table_of(workshop)
    before = _noted(workshop, told)
    new = []
    for job in told:
        seen = before[job.pk]
        said = table.said(job.symptom, appliance=job.appliance_id)
        fresh = [one.slug for one in said if one.slug not in seen][: MOST_SIGNS - len(seen)]
        new += [
            Sign(
                workshop_id=job.workshop_id, job=job, how=Sign.How.WORDS, symptom=slug, by=by, at=at
            )
            for slug in fresh
        ]
    return list(Sign.objects.bulk_create(new, batch_size=500))


def words_changed(job: Job, *, by: Member | None, now: datetime) -> None:
    """Read a job's signs from words that were corrected, or for another appliance.

    What only the old words named goes; what is no symptom of the machine it is now ends, and so
    do the answers of checks of another machine. Needs a transaction that holds the job.
    """
    table = tables.table_of(job.workshop_id, job.appliance_id)
    said = {one.slug for one in table.said(job.symptom, appliance=job.appliance_id)}
    standing = Sign.of(job.workshop_id).filter(job=job, ended_at__isnull=True)
    standing.filter(how=Sign.How.WORDS).exclude(symptom__in=said).delete()
    for sign in standing.exclude(symptom=""):
        if sign.symptom not in table.symptoms:
            sign.ended_by, sign.ended_at = by, max(now, sign.at)
            sign.save(update_fields=["ended_by", "ended_at"])
    answers = CheckAnswer.of(job.workshop_id).filter(job=job, ended_at__isnull=True)
    for answer in answers.exclude(check_slug__startswith=f"{job.appliance_id}:"):
        answer.ended_by, answer.ended_at = by, max(now, answer.at)
        answer.save(update_fields=["ended_by", "ended_at"])
    read_words(job.workshop_id, [job], at=now, by=by)


def _noted(workshop: Workshop | int, jobs: Iterable[Job]) -> dict[int, set[str]]:
    found: dict[int, set[str]] = defaultdict(set)
    rows = Sign.of(workshop).filter(job__in=[job.pk for job in jobs])
    for job_id, symptom, code in rows.values_list("job", "symptom", "code_key"):
        found[job_id].add(symptom or f"code {code}")
    return found


@transaction.atomic
def read_words_again(*, workshop: Workshop, ref: str, member: Member, now: datetime) -> list[Sign]:
    """Read the words of one open job again, by the table as it is now. Returns what is new."""
    job = open_job_locked(workshop, ref)
    return read_words(workshop, [job], at=now, by=member)


@transaction.atomic
def choose_symptom(
    *, workshop: Workshop, ref: str, symptom: str, member: Member, now: datetime
) -> Sign:
    """Note a symptom of the table. One that is noted already stays as it is.

    Raises NotFound, Conflict when the job is closed, InputRefused for a symptom of no such
    machine or too many of them.
    """
    job = open_job_locked(workshop, ref)
    table = tables.table_of(workshop, job.appliance_id)
    if symptom not in table.symptoms:
        raise InputRefused(
            f"{symptom[:80]!r} is no symptom of a {job.appliance.name.lower()} in your table.",
            fields={"symptom": "Choose one of the list."},
        )
    return _note(job, Sign(how=Sign.How.CHOSEN, symptom=symptom), member, now)


@transaction.atomic
def note_code(*, workshop: Workshop, ref: str, code: str, member: Member, now: datetime) -> Sign:
    """Note a code as the machine shows it. One that the table does not know is kept as well.

    Raises NotFound, Conflict when the job is closed, InputRefused for what is no code.
    """
    job = open_job_locked(workshop, ref)
    return note_code_of(job, code, by=member, now=now)


def note_code_of(
    job: Job, code: str, *, by: Member | None, now: datetime, field: str = "code"
) -> Sign:
    """Note a code of a job that is locked or new. Raises InputRefused on `field`."""
    refuse_bad_code(code, field)
    sign = Sign(how=Sign.How.SHOWN, code=code.strip(), code_key=written(code))
    return _note(job, sign, by, now)


def refuse_bad_code(code: str, field: str) -> None:
    """Raise InputRefused when something typed can be no code of a display."""
    try:
        with Checks() as bad:
            refuse_shown(bad, code)
    except ValueRefused as refused:
        raise InputRefused(
            f"The code was not stored. {refused.fields['code']}",
            fields={field: refused.fields["code"]},
        ) from refused


def _note(job: Job, sign: Sign, by: Member | None, now: datetime) -> Sign:
    """Store a sign unless it is there. The job is locked, so nobody stores it meanwhile."""
    standing = list(Sign.of(job.workshop_id).filter(job=job, ended_at__isnull=True))
    for there in standing:
        if (there.symptom, there.code_key) == (sign.symptom, sign.code_key):
            return there
    if len(standing) >= MOST_SIGNS:
        raise InputRefused(
            f"Job {job.ref} shows {MOST_SIGNS} things already. Take one back first.",
            fields={"symptom": "Too many."},
        )
    sign.workshop_id, sign.job, sign.by, sign.at = job.workshop_id, job, by, now
    sign.save()
    return sign


@transaction.atomic
def remove_sign(
    *, workshop: Workshop, ref: str, sign_id: int, member: Member, now: datetime
) -> Sign:
    """Take back something noted of a job. It stays on record, and is not read from words again."""
    job = open_job_locked(workshop, ref)
    found: Sign | None = Sign.of(workshop).filter(job=job, pk=sign_id).first()
    if found is None:
        raise NotFound(f"There is no such sign of job {ref}.")
    if found.ended_at is None:
        found.ended_by, found.ended_at = member, max(now, found.at)
        found.save(update_fields=["ended_by", "ended_at"])
    return found


def open_job_locked(workshop: Workshop, ref: str) -> Job:
    """Return an open job locked for writing. Raises NotFound, or Conflict when it is closed."""
    job = job_locked(workshop, ref)
    if job.state != Job.State.OPEN:
        raise Conflict(f"Job {ref} is {job.get_state_display()}: its fault is not sought any more.")
    return job


def job_locked(workshop: Workshop, ref: str) -> Job:
    """Return a job with make and appliance, locked for writing, or raise NotFound."""
    rows = Job.of(workshop).select_for_update(of=("self",)).select_related("make", "appliance")
    job: Job | None = rows.filter(ref=ref).first()
    if job is None:
        raise NotFound(f"There is no job {ref} in this workshop.")
    return job
