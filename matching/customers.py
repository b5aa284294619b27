"""A job's customer: noted, shown to technicians of that workshop, erased on request or in time."""

from datetime import date, datetime, timedelta

from django.db import transaction
from django.utils import timezone

from matching.models import Customer, Job
from matching.services import get_job_locked
from workshop.errors import InputRefused, NotFound
from workshop.models import Member, Workshop

USUAL_DAYS = 365  # our own choice: a repair and its warranty; the law where you work decides
MOST_DAYS = 1096


def find_customer(workshop: Workshop, ref: str) -> Customer | None:
    """Return what is noted of a job's customer, None when nothing is."""
    rows = Customer.of(workshop).filter(job__ref=ref).select_related("noted_by__user")
    found: Customer | None = rows.first()
    return found


def get_customer(workshop: Workshop, ref: str) -> Customer:
    """Return what is noted of a job's customer or raise NotFound."""
    found = find_customer(workshop, ref)
    if found is None:
        raise NotFound(f"Nothing is noted of the customer of job {ref} in this workshop.")
    return found


@transaction.atomic
def note_customer(
    *,
    workshop: Workshop,
    ref: str,
    name: str,
    reach: str,
    member: Member,
    now: datetime,
    keep_until: date | None = None,
) -> Customer:
    """Note who the customer of a job is and how to reach them; what was noted before is replaced.

    keep_until: today to MOST_DAYS ahead; left out: USUAL_DAYS. Raises NotFound, InputRefused.
    """
    job: Job = get_job_locked(workshop, ref)
    today = timezone.localdate(now)
    until = keep_until or today + timedelta(days=USUAL_DAYS)
    refused = {}
    if not name.strip() and not reach.strip():
        refused["name"] = "Give a name or a way to reach them."
    if not today <= until <= today + timedelta(days=MOST_DAYS):
        refused["keep_until"] = f"Give a day from today to {MOST_DAYS} days ahead."
    if refused:
        raise InputRefused(" ".join(refused.values()), fields=refused)
    values = {
        "name": name.strip(),
        "reach": reach.strip(),
        "keep_until": until,
        "noted_by": member,
        "noted_at": now,
    }
    row, _ = Customer.of(workshop).update_or_create(
        job=job, defaults=values, create_defaults={"workshop": workshop, **values}
    )
    found: Customer = row
    return found


def erase_customer(*, workshop: Workshop, ref: str) -> None:
    """Erase what is noted of a job's customer. Raises NotFound when nothing is."""
    Customer.of(workshop).filter(pk=get_customer(workshop, ref).pk).delete()


def erase_what_is_due(on: date) -> int:
    """Erase what was to be kept until before this day. Returns how many."""
    gone, _ = Customer.objects.unscoped().filter(keep_until__lt=on).delete()
    return int(gone)
