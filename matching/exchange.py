"""jobs.csv, outcomes.csv and, for export only, matches.csv."""

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db.models import Prefetch, Q
from django.utils import timezone

from donors import plates
from donors.catalogue import Catalogue
from donors.services import RECOGNISED_COLUMNS
from matching import fittings, outcome_keys, pairs, services, standing_proposals
from matching.faults import past, signs
from matching.models import Job, KeptMachine, Match, Need, NeedKey, Outcome, Proposal, Sign
from parts import keys, numbers
from parts.exchange.machines import (
    MACHINE,
    keep_confirmed,
    machine_cells,
    machine_values,
    said_otherwise,
    stored_machine,
)
from parts.models import PartKind, Sighting
from workshop.bulk import bulk_save
from workshop.domain import money
from workshop.errors import InputRefused
from workshop.exchange import cells, undoing
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    Imported,
    Sheet,
    count,
    fill_blanks,
    refuse,
    register,
    set_values,
    shown,
)
from workshop.models import Workshop

LOCKED_AT_ONCE = 500
# What a row says of its job, as against what is worked out from that.
SAID_OF_A_JOB = (
    "appliance_id",
    "make_as_read",
    "model_number",
    "serial_number",
    "built_from",
    "built_to",
    "opened_on",
    "wait_until",
    "symptom",
)
COLUMN_OF = {
    "appliance_id": "appliance",
    "make_as_read": "make",
    "max_price_cents": "max_price",
}


class Jobs(Sheet):
    """One row a need; rows of one job must agree in what describes the job."""

    kind = "jobs"
    adds = "matching.Job"
    columns = (
        Column("job_ref", cells.reference(40), required=True),
        *MACHINE,
        Column("opened_on", cells.day, required=True),
        Column("wait_until", cells.day),
        Column("kind", cells.text(40), required=True),
        Column("position", cells.text(40)),
        Column("part_number", cells.text(80)),
        Column("attributes", cells.attributes),
        Column("max_price", cells.cents),
        Column("symptom", cells.text(4000)),
    )
    job_columns = (*(c.name for c in MACHINE), "opened_on", "wait_until", "symptom")

    def key(self, row: Row) -> Mapping[str, str] | None:
        return {"ref": row["job_ref"]} if row["job_ref"] else None

    def take_along(self, workshop: Workshop, ids: Sequence[Any]) -> None:
        refs = list(Job.of(workshop).filter(pk__in=ids).values_list("ref", flat=True))
        seen = Sighting.of(workshop).filter(source=Sighting.Source.JOB, source_ref__in=refs)
        kinds = set(seen.values_list("kind_id", flat=True))
        seen.delete()
        numbers.announce_knowledge(workshop.pk, kinds)

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        jobs = self._jobs(workshop, rows)
        kinds = {kind.slug: kind for kind in PartKind.objects.all()}
        known = {
            (need.job.ref, need.kind_id, need.position): need
            for need in Need.of(workshop).select_related("job")
        }
        new: dict[tuple[str, str, str], Need] = {}
        changed: list[Need] = []
        for row in rows:
            job, kind = jobs.get(row["job_ref"] or ""), kinds.get(row["kind"] or "")
            if row["kind"] and kind is None:
                row.refuse("kind", "is no known part kind")
            if job is None or kind is None:
                continue
            key = (job.ref, kind.slug, row["position"] or "")
            if key in new:
                row.refuse("kind", "stands twice for this job; give each its position")
                continue
            if key in known:
                fill_blanks(row, _stored_need(known[key]))
            self._take(row, job, kind, key, known, new, changed)
        if any(row.problems for row in rows):
            return Imported()
        self._write(workshop, jobs, list(new.values()), changed, at)
        written = {need.job_id: need.job for need in [*new.values(), *changed]}.values()
        return count(rows, len(new), len(changed), machines=written)

    def _take(
        self,
        row: Row,
        job: Job,
        kind: PartKind,
        key: tuple[str, str, str],
        known: dict[tuple[str, str, str], Need],
        new: dict[tuple[str, str, str], Need],
        changed: list[Need],
    ) -> None:
        facts = services.NeedFacts(
            kind=kind.slug,
            position=key[2],
            part_number=row["part_number"] or "",
            attributes=row["attributes"] or {},
            max_price_cents=row["max_price"],
        )
        try:
            need = services.need_row(job, facts, kind)
        except InputRefused as bad:
            refuse(row, bad)
            return
        if key not in known:
            if _kept_as(job):
                row.refuse("kind", f"is no need of this job yet. {_correct_there(job)}")
            elif job.state != Job.State.OPEN:
                # A file does not reopen what somebody closed: it may be older than the closing.
                closed = f"job {job.ref} is closed ({job.get_state_display()})"
                row.refuse("kind", f"is no need of this job, and {closed}; open a new job for it")
            new[key] = need
            return
        names = ("part_number", "number_canonical", "attributes", "max_price_cents")
        stored = known[key]
        values = {name: getattr(need, name) for name in names}
        if _kept_as(job):
            _refuse_changes(row, job, stored, values)
        elif set_values(stored, values) or _changed_columns(job):
            changed.append(stored)

    def _jobs(self, workshop: Workshop, rows: list[Row]) -> dict[str, Job]:
        """Return the jobs of the file by reference, new ones unsaved."""
        catalogue, appliances = Catalogue.load(workshop), plates.appliance_slugs()
        stored = _lock_jobs(workshop, {row["job_ref"] for row in rows})
        found: dict[str, Job] = {}
        first: dict[str, Row] = {}
        for row in rows:
            ref = row["job_ref"]
            there = stored.get(ref)
            if there is not None:
                fill_blanks(row, _stored_job(there))
            if ref in first:
                self._agree(row, first[ref])
                continue
            if ref is None or row["opened_on"] is None:
                continue
            first[ref] = row
            values = self._job_values(row, catalogue, appliances)
            if values is None:
                continue
            job = there or Job(workshop=workshop, ref=ref)
            if _kept_as(job):
                # Not recognised over again either: that is its donor's to tell (carry_back).
                _refuse_changes(row, job, job, {name: values[name] for name in SAID_OF_A_JOB})
            else:
                _set_job(job, said_otherwise(job, keep_confirmed(job, values)))
            found[ref] = job
        return found

    def _agree(self, row: Row, other: Row) -> None:
        for name in self.job_columns:
            if row[name] != other[name]:
                there = shown(other[name]) or "blank"
                row.refuse(name, f"differs from row {other.number} of the same job ({there})")

    def _job_values(
        self, row: Row, catalogue: Catalogue, appliances: set[str]
    ) -> dict[str, Any] | None:
        values = machine_values(row, catalogue, appliances)
        if row["wait_until"] and row["wait_until"] < row["opened_on"]:
            row.refuse("wait_until", f"lies before the job was opened ({row['opened_on']})")
        if values is None:
            return None
        return {
            **values,
            "opened_on": row["opened_on"],
            "wait_until": row["wait_until"],
            "symptom": row["symptom"] or "",
        }

    def _write(
        self,
        workshop: Workshop,
        jobs: dict[str, Job],
        new: list[Need],
        changed: list[Need],
        at: datetime,
    ) -> None:
        fresh = [job for job in jobs.values() if job.pk is None]
        Job.objects.bulk_create(fresh, batch_size=500)
        for job in jobs.values():
            if columns := _changed_columns(job):
                job.save(update_fields=columns)
        signs.read_words(workshop, _told_anew(jobs.values(), fresh), at=at)
        if fresh or any(map(_changed_columns, jobs.values())):
            past.ask(workshop.pk)
        needs = Need.objects.bulk_create(new, batch_size=500)
        bulk_save(changed, ["part_number", "number_canonical", "attributes", "max_price_cents"])
        keys.note_keys(NeedKey, needs, new=True)
        keys.note_keys(NeedKey, changed)
        seen = services.note_job_numbers([*needs, *changed])
        numbers.announce_sightings(workshop.pk, seen)
        services.announce_needs(workshop.pk, [need.pk for need in needs])
        services.rematch_jobs(workshop.pk, [need.job_id for need in changed])

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        """Yield open needs of open jobs: closed jobs are history, told by outcomes.csv."""
        rows = Need.of(workshop).filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
        for need in rows.select_related("job").order_by("job__ref", "kind", "position"):
            yield {
                "job_ref": need.job.ref,
                **machine_cells(need.job),
                "opened_on": shown(need.job.opened_on),
                "wait_until": shown(need.job.wait_until),
                "kind": need.kind_id,
                "position": need.position,
                "part_number": need.part_number,
                "attributes": cells.attributes_text(need.attributes),
                "max_price": money.to_text(need.max_price_cents),
                "symptom": need.job.symptom,
            }


def _lock_jobs(workshop: Workshop, refs: set[str]) -> dict[str, Job]:
    """Return the jobs of these references as they are now; nobody changes or keeps them meanwhile.

    Locked by rising id, as others lock several jobs: nobody waits for one who waits for them.
    """
    known = Job.of(workshop).order_by("id").values_list("pk", "ref")
    ids = [pk for pk, ref in known if ref in refs]
    found: dict[str, Job] = {}
    for at in range(0, len(ids), LOCKED_AT_ONCE):
        page = Job.of(workshop).filter(pk__in=ids[at : at + LOCKED_AT_ONCE])
        found |= {job.ref: job for job in page.select_for_update(of=("self",)).order_by("id")}
    for job_ref, donor_ref in KeptMachine.of(workshop).values_list("job__ref", "donor__ref"):
        if job_ref in found:
            found[job_ref].kept_as = donor_ref  # type: ignore[attr-defined]
    return found


def _kept_as(job: Job) -> str:
    """Return the donor the machine of a job became, as _lock_jobs found it; "" for none."""
    donor_ref: str = getattr(job, "kept_as", "")
    return donor_ref


def _correct_there(job: Job) -> str:
    return f"Job {job.ref} is kept as donor {_kept_as(job)}: correct it there"


def _refuse_changes(row: Row, job: Job, stored: Job | Need, values: Mapping[str, Any]) -> None:
    """Refuse each cell that says otherwise than what is stored of a kept job (docs/adr/0016)."""
    for name, value in values.items():
        column = COLUMN_OF.get(name, name)
        if getattr(stored, name) != value and column in row.values:
            row.refuse(column, f"differs from what is on record. {_correct_there(job)}")


def _set_job(job: Job, values: Mapping[str, Any]) -> None:
    """Set the values on a job; of one that is stored note which columns are to be written."""
    changed = {name for name, value in values.items() if getattr(job, name) != value}
    set_values(job, values)
    if changed and job.pk is not None:
        job.tell_next_on = timezone.localdate()  # its wait may end on another day
        job.changed_columns = sorted(changed | {"tell_next_on"})  # type: ignore[attr-defined]


def _changed_columns(job: Job) -> list[str]:
    """Return the columns of a stored job this file changes; what else is known of it stays."""
    columns: list[str] = getattr(job, "changed_columns", [])
    return columns


def _told_anew(jobs: Iterable[Job], fresh: list[Job]) -> list[Job]:
    """Return the open jobs of which a customer's words may be new."""
    changed = [job for job in jobs if _changed_columns(job)]
    return [job for job in [*fresh, *changed] if job.state == Job.State.OPEN]


def _stored_job(job: Job) -> dict[str, Any]:
    return {
        **stored_machine(job),
        "opened_on": job.opened_on,
        "wait_until": job.wait_until,
        "symptom": job.symptom,
    }


def _stored_need(need: Need) -> dict[str, Any]:
    return {
        "part_number": need.part_number,
        "attributes": need.attributes or None,
        "max_price": need.max_price_cents,
    }


class Outcomes(Sheet):
    kind = "outcomes"
    columns = (
        *pairs.COLUMNS,
        Column("fitted_on", cells.day, required=True),
        Column("result", cells.one_of(*Outcome.Result.values), required=True),
        Column("days_to_failure", cells.whole),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        catalogue = Catalogue.load(workshop)
        kinds = set(PartKind.objects.values_list("slug", flat=True))
        known, there = _stored_outcomes(workshop)
        equals: Counter[str] = Counter()
        new: list[Outcome] = []
        for row in rows:
            outcome = self.outcome(workshop, row, kinds, catalogue)
            if outcome is None:
                continue
            plain = fittings.fingerprint(outcome, 0)
            outcome.fingerprint = fittings.fingerprint(outcome, equals[plain])
            equals[plain] += 1
            if equals[plain] > there[plain] and outcome.fingerprint not in known:
                new.append(outcome)
        if any(row.problems for row in rows):
            return Imported()
        Outcome.objects.bulk_create(map(outcome_keys.keyed, new), batch_size=500)
        if new:
            fittings.announce(workshop.pk, [outcome.kind_id for outcome in new])
            past.ask(workshop.pk)
        return count(rows, len(new), 0)

    def outcome(
        self, workshop: Workshop | None, row: Row, kinds: set[str], catalogue: Catalogue
    ) -> Outcome | None:
        """Return an unsaved outcome; None when something was refused (noted on the row)."""
        if row["days_to_failure"] is not None and row["result"] != Outcome.Result.FAILED:
            row.refuse("days_to_failure", "is given, but the result is not failed")
        stated = pairs.stated(row, kinds, catalogue)
        if stated is None:
            return None
        return Outcome(
            workshop=workshop,
            fitted_on=row["fitted_on"],
            result=row["result"],
            days_to_failure=row["days_to_failure"],
            **stated,
        )

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        for row in Outcome.of(workshop).order_by("fitted_on", "id"):
            yield {
                "kind": row.kind_id,
                **{name: getattr(row, name) for name in pairs.TEXTS},
                **{name: shown(getattr(row, name)) for name in pairs.DAYS},
                "part_attributes": cells.attributes_text(row.part_attributes),
                "job_attributes": cells.attributes_text(row.job_attributes),
                "fitted_on": shown(row.fitted_on),
                "result": row.result,
                "days_to_failure": shown(row.days_to_failure),
            }


def _stored_outcomes(workshop: Workshop) -> tuple[set[str], Counter[str]]:
    """Return the fingerprints stored, and how often each statement stands on record now.

    The two differ where a fitting failed later: it is known as it was first stated, too.
    """
    rows = list(Outcome.of(workshop).defer("learned", "note"))
    known = {row.fingerprint for row in rows}
    return known, Counter(fittings.fingerprint(row, 0) for row in rows)


class Matches(Sheet):
    """What stock is offered to each open need, best first. Written, never read."""

    kind = "matches"
    importable = False
    columns = tuple(
        Column(name, cells.text())
        for name in [
            "job_ref",
            "kind",
            "rank",
            "part_ref",
            "donor_ref",
            "verdict",
            "p_fit",
            "p_good",
            "reasons",
        ]
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        raise InputRefused("matches files cannot be imported.")

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        ranked = Match.of(workshop).select_related("part__donor").order_by("-worth", "part_id")
        needs = Need.of(workshop).filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
        needs = needs.select_related("job").prefetch_related(Prefetch("matches", ranked))
        for need in needs.order_by("job__ref", "kind", "position"):
            for rank, match in enumerate(need.matches.all(), start=1):
                yield {
                    "job_ref": need.job.ref,
                    "kind": need.kind_id,
                    "rank": str(rank),
                    "part_ref": match.part.ref,
                    "donor_ref": match.part.donor.ref if match.part.donor else "",
                    "verdict": match.verdict,
                    "p_fit": f"{match.p_fit:.4f}",
                    "p_good": f"{match.p_good:.4f}",
                    "reasons": " ".join(
                        row["sentence"]
                        for row in match.reasons
                        if row["bits"] or row["evidence"] == "condition"
                    ),
                }


register(Jobs())
register(Outcomes())
register(Matches())

# What parts, needs or matches are gone, others may get: who gets what is worked out anew.
_touch = standing_proposals.touch
undoing.goes_along("matching.Need", made_with=True, after=_touch)
undoing.goes_along("matching.Match", after=_touch)
for _label in ("matching.NeedKey", "matching.ListingMatch"):
    undoing.goes_along(_label)
undoing.goes_along("matching.Sign", Q(how=Sign.How.WORDS, by__isnull=True, ended_at__isnull=True))
undoing.goes_along("matching.Alert", Q(read_at__isnull=True))
undoing.goes_along("matching.Proposal", Q(state=Proposal.State.OPEN), after=_touch)
undoing.written_by_programs("matching.Job", *RECOGNISED_COLUMNS, "number_key", "tell_next_on")
undoing.written_by_programs("matching.Need", "searched_at")
undoing.locks_in_order("parts.Part", "matching.Job", "matching.Need", "matching.Proposal")
