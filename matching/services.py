"""Writes on jobs and needs: opening, refusing, confirming, recognising anew."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta

from django.db import transaction
from django.utils import timezone

from donors import build_readings, plates
from donors import services as donor_services
from donors.build_readings import CodeAsked
from donors.catalogue import Catalogue
from donors.corrections import Changed, record
from donors.domain.model_numbers import canonical
from donors.models import Appliance
from donors.plates import MISMATCH, Plate
from matching import events, holds
from matching.faults import signs
from matching.models import Job, JobChange, KeptMachine, Need, NeedKey
from parts import keys, numbers
from parts.models import KindCarried, PartKind, Sighting
from parts.selectors import get_kind
from workshop import days, outbox, refs
from workshop.bulk import bulk_save
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.exchange import cells
from workshop.models import Member, Workshop

LONGEST_OWN_NUMBER = 40
STATE = "state"


@dataclass(frozen=True, slots=True)
class NeedFacts:
    """One part a job lacks, as a person states it. Blank means not known."""

    kind: str
    position: str = ""
    part_number: str = ""
    attributes: Mapping[str, str] = field(default_factory=dict)
    max_price_cents: int | None = None


@transaction.atomic
def open_job(
    *,
    workshop: Workshop,
    plate: Plate,
    needs: Sequence[NeedFacts],
    opened_on: date,
    wait_until: date | None = None,
    symptom: str = "",
    technician: Member | None = None,
    shown_code: str = "",
    opened_by: Member | None = None,
    ref: str = "",
    own_number: str = "",
    confirm_mismatch: bool = False,
    catalogue: Catalogue | None = None,
    now: datetime | None = None,
) -> Job:
    """Open a job with what it needs, or with what it does or shows while that is not known.

    The stock is searched by the dispatcher right after. shown_code: as the machine displays it;
    noted by `opened_by`. now: when what it shows is noted; None: on the day it was opened.
    own_number: what the workshop itself calls it. confirm_mismatch: what does not go together
    (a known number of another appliance, a part such a machine has not) is meant so.
    Raises InputRefused for what cannot be used, Conflict when the reference is taken;
    nothing is written then. The wait ends after the workshop's usual days unless said.
    """
    if not needs and not symptom.strip() and not shown_code.strip():
        raise InputRefused(
            "A job needs at least one part kind to look for, or what the machine does or shows.",
            fields={"needs": "Name a part, say what the machine does, or give the code it shows."},
        )
    if ref:
        refs.refuse_bad_ref(ref)
    if ref and Job.of(workshop).filter(ref=ref).exists():
        raise Conflict(f"There is already a job {ref}.", fields={"ref": f"{ref} is taken."})
    days.refuse_implausible(opened_on=opened_on, wait_until=wait_until)
    if now is not None:
        days.refuse_long_ago(opened_on, field="opened_on", today=timezone.localdate(now))
    ends = wait_until or opened_on + timedelta(days=workshop.wait_days)
    if ends < opened_on:
        raise InputRefused(
            f"The wait ends on {ends}, before the job was opened ({opened_on}).",
            fields={"wait_until": "Lies before the day the job was opened."},
        )
    values, _ = plates.columns(
        catalogue or Catalogue.load(workshop),
        plate,
        appliances=plates.appliance_slugs(),
        on=opened_on,
        ask_mismatch=not confirm_mismatch,
    )
    if not confirm_mismatch:
        refuse_not_carried(values["appliance_id"], [need.kind for need in needs])
    job = Job.objects.create(
        workshop=workshop,
        ref=ref or refs.next_ref(Job.of(workshop), workshop_id=workshop.pk, prefix="J"),
        opened_on=opened_on,
        wait_until=ends,
        symptom=symptom.strip(),
        own_number=read_own_number(own_number),
        technician=technician,
        **values,
    )
    add_needs(job, needs)
    at = now or timezone.make_aware(datetime.combine(opened_on, time(12)))
    signs.read_words(workshop, [job], at=at)
    if shown_code.strip():
        signs.note_code_of(job, shown_code, by=opened_by, now=at, field="shown_code")
    return job


def read_own_number(text: str) -> str:
    """Return a workshop's own number of a job as it is kept. Raises InputRefused for a long one."""
    try:
        return str(cells.text(LONGEST_OWN_NUMBER)(text.strip()))
    except ValueError as bad:
        raise InputRefused(f"The own number {bad}.", fields={"own_number": f"It {bad}."}) from bad


def refuse_not_carried(
    appliance: str, kinds: Iterable[str], *, field: str = "needs", may_confirm: bool = True
) -> None:
    """Raise InputRefused for part kinds such a machine has not; mostly it may be confirmed.

    A kind that nobody knows, or that is never reused, is refused elsewhere.
    """
    carried = set(KindCarried.objects.filter(appliance=appliance).values_list("kind_id", flat=True))
    odd = PartKind.objects.filter(slug__in=set(kinds) - carried).order_by("name")
    odd = odd.exclude(reuse=PartKind.Reuse.NEVER)
    names = [kind.name.lower() for kind in odd]
    if names:
        machine = Appliance.objects.get(slug=appliance).name.lower()
        said = f"A {machine} has no {' or '.join(names)} by the table of what machines carry."
        if not may_confirm:
            raise InputRefused(said, fields={field: said})
        raise InputRefused(
            f"{said} Correct the part or the appliance, or confirm that it is meant so.",
            fields={field: said, MISMATCH: "Confirm it, or correct the part or the appliance."},
        )


def add_needs(job: Job, needs: Sequence[NeedFacts]) -> list[Need]:
    """Add needs to a job and record the news. Raises InputRefused for an unknown kind."""
    places = [(need.kind, need.position) for need in needs]
    if len(set(places)) < len(places):
        raise InputRefused(
            "The same part is named twice. Give each its position.",
            fields={"needs": "The same part is named twice."},
        )
    rows = [need_row(job, need, get_kind(need.kind)) for need in needs]
    found = list(Need.objects.bulk_create(rows))
    keys.note_keys(NeedKey, found, new=True)
    numbers.announce_knowledge(job.workshop_id, note_job_numbers(found))
    announce_needs(job.workshop_id, [need.pk for need in found])
    return found


def need_row(job: Job, facts: NeedFacts, kind: PartKind) -> Need:
    """Return an unsaved need. Raises InputRefused for a kind that is never reused."""
    if kind.reuse == PartKind.Reuse.NEVER:
        raise InputRefused(
            f"{kind.name} is never reused: fit a new one. {kind.reuse_advice}",
            fields={"kind": "This kind is never reused; fit a new one."},
        )
    return Need(
        workshop_id=job.workshop_id,
        job=job,
        kind=kind,
        position=facts.position.strip(),
        part_number=facts.part_number.strip(),
        number_canonical=canonical(facts.part_number),
        attributes=dict(facts.attributes),
        max_price_cents=facts.max_price_cents,
    )


def announce_needs(workshop_id: int, ids: list[int]) -> None:
    """Record that these needs were opened or put right, so that the stock is searched for them."""
    outbox.record_in_pages(
        events.NEEDS_OPENED, workshop_id=workshop_id, key="need_ids", ids=ids, page=40
    )


def note_job_numbers(needs: Iterable[Need]) -> set[str]:
    """Remember the numbers printed on the jobs' own parts: they teach what a model carries.

    Returns the kinds of which something new was seen.
    """
    known = [need for need in needs if need.number_canonical]
    numbers.note_printed(known)
    return numbers.note_sightings(
        numbers.sighting_of(need.job, need, source=Sighting.Source.JOB) for need in known
    )


def get_job_locked(workshop: Workshop, ref: str) -> Job:
    """Return the job locked for writing, or raise NotFound. Needs a transaction."""
    job = Job.of(workshop).select_for_update(of=("self",)).filter(ref=ref).first()
    if job is None:
        raise NotFound(f"There is no job {ref} in this workshop.")
    found: Job = job
    return found


def close_job(job: Job, state: Job.State, *, now: datetime, by: Member | None = None) -> None:
    """Close an open job that lacks parts still. Needs a transaction that holds the job.

    That it was closed stays on its record, whatever becomes of it. Locks job, needs, holds, in
    this order (see holds.py). Raises Conflict when it is closed.
    """
    if job.state != Job.State.OPEN:
        raise Conflict(f"Job {job.ref} is {job.get_state_display()}.")
    workshop = job.workshop
    set_state(job, state, by=by, now=now)
    needs = Need.of(workshop).select_for_update().filter(job=job, state=Need.State.OPEN)
    ids = list(needs.order_by("id").values_list("id", flat=True))
    Need.of(workshop).filter(pk__in=ids).update(
        state=Need.State.WITHDRAWN, withdrawn_on=timezone.localdate(now)
    )
    holds.release_for_needs(workshop_id=workshop.pk, need_ids=ids, now=now)
    holds.forget(workshop.pk, ids)


def set_state(
    job: Job, state: Job.State, *, by: Member | None, now: datetime, why: str = ""
) -> None:
    """Set a job's state and note it on its record. Needs a transaction that holds the job."""
    before, job.state = job.get_state_display(), state
    job.save(update_fields=["state"])
    changed = [(STATE, before, job.get_state_display())]
    note_changes(job, changed, by=by, now=now, why=why)


def note_changes(
    job: Job, changed: Iterable[Changed], *, by: Member | None, now: datetime, why: str = ""
) -> None:
    """Keep on a job's record what was changed of it."""
    of = {"workshop_id": job.workshop_id, "job": job}
    record(JobChange, changed, member=by, now=now, why=why, **of)


def recognise_jobs_anew(*, workshop_id: int, ids: Iterable[int] | None = None) -> list[int]:
    """Read the plates of unconfirmed open jobs (or of these) again; what changed is rematched."""
    catalogue = Catalogue.load(workshop_id)
    rows = Job.of(workshop_id).filter(confirmed=False, state=Job.State.OPEN)
    if ids is not None:
        rows = rows.filter(pk__in=list(ids))
    changed = donor_services.recognise_anew(rows, catalogue)
    bulk_save(changed, donor_services.RECOGNISED_COLUMNS)
    rematch_jobs(workshop_id, [job.pk for job in changed])
    return [job.pk for job in changed]


def get_job_to_correct(workshop: Workshop, ref: str) -> Job:
    """Return the job locked; raise Conflict where its machine is kept: the donor is corrected."""
    job = get_job_locked(workshop, ref)
    kept = KeptMachine.of(workshop).filter(job=job).select_related("donor").first()
    if kept is not None:
        raise Conflict(f"Job {ref} is kept as donor {kept.donor.ref}: correct it there.")
    return job


@transaction.atomic
def confirm_job_model(*, workshop: Workshop, ref: str, model_id: int) -> Job:
    """Note that a person said which known model a job is; its needs are matched anew."""
    job = get_job_to_correct(workshop, ref)
    donor_services.confirm_model(workshop=workshop, row=job, model_id=model_id)
    rematch_jobs(workshop.pk, [job.pk])
    return job


@transaction.atomic
def date_job(*, workshop: Workshop, ref: str, asked: CodeAsked, replace: bool = False) -> Job:
    """Read a job's build code anew; its needs are matched anew. As parts.services.date_donor."""
    job = get_job_to_correct(workshop, ref)
    build_readings.read_again(job, asked, day=job.opened_on, replace=replace)
    return _dated(job)


@transaction.atomic
def choose_job_build(*, workshop: Workshop, ref: str, start: date) -> Job:
    """Say which candidate of its code a job's build date is."""
    job = get_job_to_correct(workshop, ref)
    build_readings.choose(job, start)
    return _dated(job)


def _dated(job: Job) -> Job:
    job.save(update_fields=build_readings.COLUMNS)
    rematch_jobs(job.workshop_id, [job.pk])
    return job


def follow_machine(job: Job, kinds: Iterable[str] = ()) -> None:
    """What rested on a job's plate or needs follows them. Needs a transaction.

    The numbers read off its parts are seen in the machine it is now, in no other; its past
    fittings state it as it is; its open needs, and those of the kinds concerned, are matched
    anew by the dispatcher. kinds: what was concerned before.
    """
    needs = Need.of(job.workshop_id).filter(job=job, mistaken=False)
    known = list(needs.exclude(number_canonical="").select_related("job__make"))
    gone = numbers.forget_sightings(
        job.workshop_id,
        source=Sighting.Source.JOB,
        ref=job.ref,
        but={(need.kind_id, need.position) for need in known},
    )
    note_job_numbers(known)
    concerned = {*gone, *kinds, *(need.kind_id for need in known)}
    numbers.announce_knowledge(job.workshop_id, concerned)
    rematch_jobs(job.workshop_id, [job.pk])


def rematch_jobs(workshop_id: int, job_ids: list[int]) -> None:
    """Record that the open needs of these jobs, read anew, are to be matched anew.

    What a person put right goes with the news; read anew in bulk, it waits with what asked for it.
    """
    needs = Need.of(workshop_id).filter(job__in=job_ids, state=Need.State.OPEN)
    seen = note_job_numbers(needs.select_related("job__make"))
    numbers.announce_sightings(workshop_id, seen)
    announce_needs(workshop_id, list(needs.order_by("id").values_list("id", flat=True)))
