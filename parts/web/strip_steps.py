"""The page of strip steps: minutes guessed and learned, and a workshop's changes to them."""

from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from donors.domain.strip_plan.step_times import PRIOR_WEIGHT
from donors.selectors import list_appliances
from parts import strip_steps
from parts.domain.strip_steps import WorkStep
from parts.models import ToolClass
from parts.strip_steps import StepFacts
from workshop import services as workshop_services
from workshop.errors import DomainError, InputRefused
from workshop.members import why_not
from workshop.models import LICENCES, Member, Role
from workshop.web.forms import PlainForm, WordsField
from workshop.web.gate import ACTION, for_member


class RateForm(PlainForm):
    """What a minute of stripping costs."""

    rate = forms.FloatField(min_value=0, max_value=1000, label="A minute of work costs")


class MinutesForm(PlainForm):
    """The workshop's own guess of a step; blank goes back to common practice."""

    step = forms.SlugField(max_length=40)
    minutes = forms.FloatField(required=False, min_value=0, max_value=1440)


class OwnStepForm(PlainForm):
    """A step of the workshop's own."""

    name = forms.CharField(max_length=60)
    minutes = forms.FloatField(min_value=0, max_value=1440, label="Minutes, your guess")
    needs = WordsField(
        required=False,
        label="After which steps",
        longest=200,
        help_text="Short names with | between; several ways: lid-off or rear-cover-off.",
    )
    takes = WordsField(
        required=False,
        label="Parts it takes out",
        help_text="Part kinds with | between, such as drain-pump | counterweight/front.",
    )
    tools = WordsField(required=False, help_text="With | between.")
    tool_class = forms.ChoiceField(choices=ToolClass.choices, label="Class of tools")
    cautions = WordsField(required=False, longest=400, help_text="With | between.")
    two_persons = forms.BooleanField(required=False, label="Takes two persons")
    licence = forms.ChoiceField(
        required=False, choices=[("", "none"), *LICENCES], label="Licence it needs"
    )

    def facts(self) -> StepFacts:
        given = dict(self.cleaned_data)
        given["needs"] = [
            [one.strip() for one in group.split(" or ") if one.strip()] for group in given["needs"]
        ]
        return StepFacts(**given)


@for_member()
def step_list(request: HttpRequest, member: Member, appliance: str) -> HttpResponse:
    return _show(request, member, appliance)


def _show(
    request: HttpRequest,
    member: Member,
    appliance: str,
    *,
    form: OwnStepForm | None = None,
    refused: DomainError | None = None,
) -> HttpResponse:
    found = strip_steps.get_appliance(appliance)
    steps = strip_steps.list_steps(member.workshop_id, appliance)
    names = {step.slug: step.name for step in steps}
    rate = {"rate": member.workshop.strip_rate_per_min}
    shown = {
        "appliance": found,
        "appliances": list_appliances(),
        "rows": [_row(step, names) for step in steps],
        "form": form or OwnStepForm(),
        "rate_form": RateForm(initial=rate, auto_id="rate_%s"),
        "prior_weight": PRIOR_WEIGHT,
        "refused": refused,
        "not_allowed": why_not(member, Role.REVIEWER),
        "not_owner": why_not(member, Role.OWNER),
    }
    status = refused.status if refused else form.status if form else 200
    return render(request, "parts/strip_steps.html", shown, status=status)


def _row(step: WorkStep, names: dict[str, str]) -> dict[str, Any]:
    groups = [" or ".join(names[one] for one in sorted(group)) for group in step.needs]
    return {"step": step, "after": "; ".join(groups), "takes": ", ".join(sorted(step.takes))}


@for_member(Role.REVIEWER, methods=ACTION)
def step_minutes(request: HttpRequest, member: Member, appliance: str) -> HttpResponse:
    strip_steps.get_appliance(appliance)
    form = MinutesForm(request.POST)
    try:
        if not form.accepts():
            raise InputRefused("Give minutes from 0 to 1440, or leave them blank.")
        step = strip_steps.set_minutes(
            workshop=member.workshop,
            appliance=appliance,
            slug=form.cleaned_data["step"],
            minutes=form.cleaned_data["minutes"],
        )
    except DomainError as refused:
        return _show(request, member, appliance, refused=refused)
    messages.success(request, f"{step.name}: the guess is {step.time.guess_min:g} min.")
    return redirect("strip-steps", appliance)


@for_member(Role.REVIEWER, methods=ACTION)
def step_new(request: HttpRequest, member: Member, appliance: str) -> HttpResponse:
    strip_steps.get_appliance(appliance)
    form = OwnStepForm(request.POST)
    if form.accepts():
        try:
            step = strip_steps.add_step(
                workshop=member.workshop, appliance=appliance, facts=form.facts()
            )
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, f"“{step.name}” is a step of yours now.")
            return redirect("strip-steps", appliance)
    return _show(request, member, appliance, form=form)


@for_member(Role.OWNER, methods=ACTION)
def strip_rate(request: HttpRequest, member: Member, appliance: str) -> HttpResponse:
    strip_steps.get_appliance(appliance)
    form = RateForm(request.POST)
    if not form.accepts():
        refused = InputRefused("Give what a minute costs, from 0 to 1000.")
        return _show(request, member, appliance, refused=refused)
    workshop_services.set_strip_rate(
        workshop=member.workshop, rate_per_min=form.cleaned_data["rate"]
    )
    messages.success(request, "Plans are made with that from now on.")
    return redirect("strip-steps", appliance)
