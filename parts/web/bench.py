"""The page of a bench test: asked by kind, judged while typing, recorded."""

from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.cache import patch_vary_headers

from parts import bench_tests, selectors
from parts.bench_tests import Trial
from parts.models import Grade
from parts.web.bench_forms import BenchTestForm
from workshop.errors import DomainError
from workshop.models import Member
from workshop.web.forms import posted
from workshop.web.gate import FORM, for_member

CHECK = "check"


@for_member(methods=FORM)
def part_test(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    """Show the form; with `act=check`, or typed into, say what it would give; else record it."""
    part = selectors.get_part(member.workshop, ref)
    today = timezone.localdate()
    form = BenchTestForm(posted(request), part=part, today=today)
    while_typing = bool(request.headers.get("HX-Request"))
    only_checks = while_typing or request.POST.get("act") == CHECK
    trial: Trial | None = None
    if form.is_bound and form.accepts():
        try:
            if not only_checks:
                test = bench_tests.record_readings(
                    workshop=member.workshop,
                    ref=ref,
                    answers=form.answers(),
                    tested_by=member,
                    on=today,
                )
                said = test.get_verdict_display()
                messages.success(request, f"The bench test of {ref} is on record: {said}.")
                return redirect("part", ref)
            trial = bench_tests.try_readings(
                workshop=member.workshop, ref=ref, answers=form.answers(), on=today
            )
            form.show(trial.verdicts)
        except DomainError as refused:
            # What can be judged is shown although something else is at fault.
            form.show(bench_tests.verdicts_so_far(part, form.answers()))
            form.refuse(refused)
    shown = {"part": part, "form": form, "while_typing": while_typing, **_said(trial)}
    if while_typing:
        # Half-typed is no fault: the sentences come with 200, or they would not be shown.
        answer = render(request, "parts/_verdicts.html", shown)
    else:
        shown["cautions"] = selectors.list_cautions(
            part.donor.appliance_id if part.donor else "", [part.kind_id]
        )
        shown["charges"] = bench_tests.charges_of(part)
        answer = render(request, "parts/part_test.html", shown, status=form.status)
    patch_vary_headers(answer, ["HX-Request"])
    return answer


def _said(trial: Trial | None) -> dict[str, Any]:
    if trial is None:
        return {}
    return {"trial": trial, "grade": Grade(trial.grade).label}
