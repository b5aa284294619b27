"""The code box of the header opens jobs, too: by their reference or the workshop's own number."""

from django.urls import reverse

from matching.job_search import find_by_name
from parts.web.codes import leads_on
from workshop.models import Member


@leads_on
def to_job(member: Member, text: str) -> str:
    """Return the address of the job a text names, "" for none."""
    job = find_by_name(member.workshop, text)
    return reverse("job", args=[job.ref]) if job else ""
