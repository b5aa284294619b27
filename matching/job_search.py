"""Finding jobs: by what stands on them, and by what is the matter with them."""

from django.db.models import Exists, OuterRef, Q, QuerySet

from donors.domain.model_numbers import canonical
from matching.models import Hold, Job, Need
from workshop.models import Member, Workshop

# An open job waits while it lacks a part that none is held for.
STATES = [("open", "open"), ("waiting", "open, waiting for a part"), *Job.State.choices[1:]]
WHOSE = [("mine", "mine"), ("nobody", "nobody's")]


def in_state(rows: "QuerySet[Job]", state: str) -> "QuerySet[Job]":
    """Return the jobs in one of STATES; all of them for ""."""
    if state == "waiting":
        held = Hold.objects.unscoped().filter(need=OuterRef("pk"), released_at__isnull=True)
        lacking = Need.objects.unscoped().filter(job=OuterRef("pk"), state=Need.State.OPEN)
        return rows.filter(Exists(lacking.exclude(Exists(held))), state=Job.State.OPEN)
    return rows.filter(state=state) if state else rows


def of_whom(rows: "QuerySet[Job]", whose: str, member: Member) -> "QuerySet[Job]":
    """Return the jobs of a member ("mine"), or those nobody took ("nobody")."""
    if whose == "mine":
        return rows.filter(technician=member)
    return rows.filter(technician__isnull=True) if whose == "nobody" else rows


def naming(rows: "QuerySet[Job]", text: str) -> "QuerySet[Job]":
    """Return the jobs a text names: reference, own number, make, model number, symptom.

    A model number counts in any writing, in part as well; of other texts every word has to be
    there.
    """
    number = canonical(text)
    found = Q(ref__icontains=text) | Q(own_number__icontains=text)
    if number:
        found |= Q(model_canonical__contains=number) | Q(likely_number__contains=number)
    words = Q()
    for word in text.split():
        words &= (
            Q(symptom__icontains=word)
            | Q(make__name__icontains=word)
            | Q(make_as_read__icontains=word)
            | Q(model_number__icontains=word)
        )
    return rows.filter(found | words) if text.strip() else rows


def find_by_name(workshop: Workshop, text: str) -> Job | None:
    """Return the one job whose reference or own number this is; None for none or several."""
    text = text.strip()
    if not text:
        return None
    rows = Job.of(workshop)
    by_ref = rows.filter(ref__in={text, text.upper()}).first()
    if by_ref is not None:
        return by_ref
    found: list[Job] = list(rows.filter(own_number__iexact=text).order_by("id")[:2])
    return found[0] if len(found) == 1 else None
