"""API of corrections: of jobs, of what they need, of donors; opening again, taking back."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import corrections, reopening, selectors
from matching.api.serializers import (
    ID,
    JobOutput,
    NeedInput,
    NeedOutput,
    OpenedOutput,
)
from matching.models import Need
from matching.services import NeedFacts
from parts.api.corrections import CorrectionOutput, HowInput, PlateCorrection, text
from parts.api.serializers import MISMATCH_HELP
from workshop.api import AttributesField, MemberView, PastDateField, PriceField
from workshop.errors import InputRefused, NotFound
from workshop.models import Member, Role


class JobCorrection(PlateCorrection):
    appliance = serializers.SlugField(max_length=40, required=False)
    symptom = text(2000)
    own_number = text(40)
    opened_on = PastDateField(required=False)
    wait_until = serializers.DateField(required=False)
    technician = serializers.IntegerField(required=False, allow_null=True, **ID)


class NeedCorrection(HowInput):
    """What was wrong of a need. What is left out stays as it is."""

    kind = serializers.SlugField(max_length=40, required=False)
    position = text(40)
    part_number = text(80)
    attributes = AttributesField(required=False)
    max_price = PriceField(required=False, allow_null=True)


class NewNeedInput(NeedInput):
    confirm_mismatch = serializers.BooleanField(
        required=False, default=False, help_text=MISMATCH_HELP
    )


class WhyOfChange(serializers.Serializer[Any]):
    why = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)


class TechnicianView(MemberView):
    role = Role.TECHNICIAN

    def job(self, ref: str) -> Any:
        return OpenedOutput(selectors.get_job(self.workshop, ref)).data

    def acting(self) -> dict[str, Any]:
        """Return who does it, where and when, as every service takes it."""
        return {"workshop": self.workshop, "member": self.member, "now": timezone.now()}


class JobRecord(TechnicianView):
    @extend_schema(responses=CorrectionOutput(many=True))
    def get(self, request: Request, ref: str) -> Response:
        """List what was changed of a job, newest first: what it said before, who, when."""
        rows = corrections.list_changes(selectors.get_job(self.workshop, ref))
        return Response(CorrectionOutput(rows, many=True).data)


class TakeJob(TechnicianView):
    @extend_schema(request=None, responses=OpenedOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Take a job that is nobody's. 409 when it is somebody's."""
        corrections.take_job(ref=ref, **self.acting())
        return Response(self.job(ref))


class ReopenJob(TechnicianView):
    @extend_schema(request=WhyOfChange, responses=OpenedOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Open a closed job again, with its needs as they were; they are searched anew."""
        reopening.reopen_job(ref=ref, why=self.valid(WhyOfChange)["why"], **self.acting())
        return Response(self.job(ref))


class JobNeeds(TechnicianView):
    @extend_schema(request=NewNeedInput, responses={201: NeedOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Add a part an open job lacks; the stock is searched for it."""
        given = self.valid(NewNeedInput)
        confirmed = given.pop("confirm_mismatch")
        facts = NeedFacts(max_price_cents=given.pop("max_price"), **given)
        need = corrections.add_need(
            ref=ref, facts=facts, confirm_mismatch=confirmed, **self.acting()
        )
        return Response(NeedOutput(need).data, status=201)


def _need(view: MemberView, pk: int) -> Need:
    need = selectors.list_needs(view.workshop).filter(pk=pk).first()
    if need is None:
        raise NotFound("There is no such need in this workshop.")
    found: Need = need
    return found


class NeedDetail(TechnicianView):
    @extend_schema(responses=NeedOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Return one part a job lacks."""
        return Response(NeedOutput(_need(self, pk)).data)

    @extend_schema(request=NeedCorrection, responses=NeedOutput)
    def patch(self, request: Request, pk: int) -> Response:
        """Correct an open need; of another kind, its holds and proposals end."""
        need, given = _need(self, pk), self.valid(NeedCorrection)
        stored = {
            "kind": need.kind_id,
            "position": need.position,
            "part_number": need.part_number,
            "attributes": need.attributes,
            "max_price": need.max_price_cents,
        }
        stated = {name: given.get(name, value) for name, value in stored.items()}
        facts = NeedFacts(max_price_cents=stated.pop("max_price"), **stated)
        found = corrections.correct_need(
            ref=need.job.ref,
            need_id=pk,
            facts=facts,
            why=given["why"],
            confirm_mismatch=given["confirm_mismatch"],
            **self.acting(),
        )
        return Response(NeedOutput(found).data)


class WithdrawNeed(TechnicianView):
    @extend_schema(request=WhyOfChange, responses=JobOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Withdraw a need the job never had. Nothing else lacking, a repaired job is done."""
        need, why = _need(self, pk), self.valid(WhyOfChange)["why"]
        corrections.withdraw_need(ref=need.job.ref, need_id=pk, why=why, **self.acting())
        return Response(self.job(need.job.ref))


class TakeBackOutcome(TechnicianView):
    @extend_schema(request=WhyOfChange, responses=JobOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Take back what was reported of a fitting. 409 says why it cannot be any more."""
        why = self.valid(WhyOfChange)["why"]
        job = reopening.take_back(outcome_id=pk, why=why, **self.acting())
        return Response(self.job(job.ref))


WRONG_NUMBER = OpenApiExample(
    "the number was misread", value={"model_number": "W7-60 R1 W"}, request_only=True
)


def correct_job(view: MemberView, ref: str) -> None:
    """Do what PATCH asks of a job. Raises as corrections.correct_job does."""
    given = view.valid(JobCorrection)
    how = {name: given.pop(name) for name in ("why", "confirm_mismatch")}
    if given.get("technician") is not None:
        given["technician"] = _technician(view, given["technician"])
    corrections.correct_job(
        workshop=view.workshop,
        ref=ref,
        changes=given,
        member=view.member,
        now=timezone.now(),
        **how,
    )


def _technician(view: MemberView, member_id: int) -> Member:
    found: Member | None = Member.of(view.workshop).filter(pk=member_id).first()
    if found is None:
        raise InputRefused(
            f"There is no member {member_id} in this workshop.",
            fields={"technician": "Not a member of this workshop."},
        )
    return found
