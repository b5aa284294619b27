"""What shows that a job's machine was opened: the fault that was found, the checks answered."""

from matching.domain.diagnosis.tables import Check
from matching.faults import tables
from matching.models import CheckAnswer, FaultFound, Job

# A check that says to pull the plug first, or to measure in the open live machine, opens it;
# some only reach into it. In doubt it counts as opened: a check too many hurts nobody.
_OPENED = frozenset({"all-unplug", "all-live-test"})
_WIRING = "wiring"


def opened_for(job: Job) -> tuple[str, ...]:
    """Return in words what a machine was opened for; () where nothing shows it: three queries."""
    return (*_found(job), *_checked(job))


def _found(job: Job) -> tuple[str, ...]:
    standing = FaultFound.of(job.workshop_id).filter(job=job, ended_at__isnull=True).first()
    if standing is None:
        return ()
    names = {
        **tables.parts_of(job.appliance_id),
        _WIRING: tables.suspects_of(job.appliance_id)[_WIRING],
    }
    name = names.get(standing.suspect)
    return () if name is None else (f"found at fault was {name.lower()}",)


def _checked(job: Job) -> tuple[str, ...]:
    answered = CheckAnswer.of(job.workshop_id).filter(job=job, ended_at__isnull=True)
    slugs = list(answered.order_by("id").values_list("check_slug", flat=True))
    if not slugs:
        return ()
    checks = {
        row.check.slug: row.check for row in tables.check_rows(job.workshop_id, job.appliance_id)
    }
    opening = [checks[slug] for slug in slugs if slug in checks and _opens(checks[slug])]
    return tuple(f"checked was: {one.do.rstrip('.')}" for one in opening)


def _opens(check: Check) -> bool:
    return not _OPENED.isdisjoint(check.cautions)
