"""The page of a job's triage."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect

from workshop.models import Member
from workshop.web.gate import for_member


@for_member()
def job_triage(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    return redirect("job", ref)
