"""API of who gets what: the last allocation, proposals, what is kept out, urgency, warranty."""

from typing import Any

from django.utils import timezone
from django_filters import rest_framework as filters
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import proposals, selectors, share_views, warranty
from matching.api import job_examples
from matching.api.serializers import ID, HoldOutput
from matching.models import Job, KeptBack, LastAllocation, Proposal
from matching.proposals import Kept
from workshop.api import MemberView, filtered, list_schema
from workshop.models import Role

NOTE: dict[str, Any] = {"max_length": 200, "allow_blank": True}


class PassedOutput(serializers.Serializer[Any]):
    job_ref = serializers.CharField(source="need.job.ref")
    need = serializers.IntegerField(source="need.pk")
    kind = serializers.CharField(source="need.kind_id")
    why = serializers.CharField(source="sentence")
    part_ref = serializers.CharField(source="part.ref", default="")
    to_job = serializers.CharField(source="to.job.ref", default="")


class AllocationOutput(serializers.ModelSerializer[LastAllocation]):
    class Meta:
        model = LastAllocation
        fields = ("made_at", "due", "jobs", "completed", "at_most", "proven", "pairs")


class PartProposalOutput(serializers.ModelSerializer[Proposal]):
    part_ref = serializers.CharField(source="part.ref")
    job_ref = serializers.CharField(source="need.job.ref")
    need = serializers.IntegerField(source="need_id")
    kind = serializers.CharField(source="need.kind_id")
    ended_by = serializers.CharField(source="ended_by.user.username", default="")

    class Meta:
        model = Proposal
        fields = (
            "id",
            "part_ref",
            "job_ref",
            "need",
            "kind",
            "state",
            "p_fit",
            "p_good",
            "proposed_at",
            "expires_at",
            "ended_at",
            "ended_by",
            "note",
            "reopened_at",
        )


class ProposalFilter(filters.FilterSet):
    state = filters.MultipleChoiceFilter(choices=Proposal.State.choices)
    job = filters.CharFilter(field_name="need__job__ref")
    part = filters.CharFilter(field_name="part__ref")


class DeclineInput(serializers.Serializer[Any]):
    note = serializers.CharField(help_text="why it is not taken", **NOTE)


class KeepOutInput(serializers.Serializer[Any]):
    part_ref = serializers.CharField(max_length=130, required=False, default="", allow_blank=True)
    need = serializers.IntegerField(required=False, default=None, allow_null=True, **ID)
    note = serializers.CharField(help_text="why it is kept out", **NOTE)


class KeptOutOutput(serializers.ModelSerializer[KeptBack]):
    part_ref = serializers.CharField(source="part.ref", default="")
    need = serializers.IntegerField(source="need_id", allow_null=True)
    job_ref = serializers.CharField(source="need.job.ref", default="")
    by = serializers.CharField(source="by.user.username")

    class Meta:
        model = KeptBack
        fields = ("id", "part_ref", "need", "job_ref", "note", "by", "at", "undone_at")


class UrgencyInput(serializers.Serializer[Any]):
    urgency = serializers.ChoiceField(Job.Urgency.choices)
    why = serializers.CharField(required=False, default="", **NOTE)


class UrgencyOutput(serializers.ModelSerializer[Job]):
    urgency_by = serializers.CharField(source="urgency_by.user.username", default="")

    class Meta:
        model = Job
        fields = ("ref", "urgency", "urgency_why", "urgency_by", "urgency_at")


class PromiseOutput(serializers.Serializer[Any]):
    grade = serializers.CharField()
    kind = serializers.CharField()
    days = serializers.IntegerField()
    guide_days = serializers.IntegerField()
    own = serializers.BooleanField(help_text="set by the workshop; else the guide's")


class PromiseInput(serializers.Serializer[Any]):
    grade = serializers.ChoiceField(list(warranty.GRADES.items()), required=False, default="")
    kind = serializers.CharField(max_length=60, required=False, default="", allow_blank=True)
    days = serializers.IntegerField(
        min_value=0, max_value=warranty.MOST_DAYS, allow_null=True, help_text="null: the guide's"
    )


class AllocationNow(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(responses=AllocationOutput, examples=job_examples.ALLOCATION)
    def get(self, request: Request) -> Response:
        """Return what the last allocation came to; empty figures when none was made yet."""
        last = share_views.last_of(self.workshop) or LastAllocation(workshop=self.workshop)
        return Response(AllocationOutput(last).data)

    @extend_schema(
        request=None, responses={202: AllocationOutput}, examples=job_examples.ALLOCATION
    )
    def post(self, request: Request) -> Response:
        """Have it worked out now. The answer is what it came to last; ask again in a moment."""
        proposals.work_out_now(workshop=self.workshop)
        last = share_views.last_of(self.workshop) or LastAllocation(workshop=self.workshop)
        return Response(AllocationOutput(last).data, status=202)


class Passed(MemberView):
    @extend_schema(responses=PassedOutput(many=True), examples=job_examples.PASSED)
    def get(self, request: Request) -> Response:
        """List the jobs that go empty, each with why; at most 200."""
        last = share_views.last_of(self.workshop)
        some = last.passed[: share_views.MOST_SHOWN] if last else []
        return Response(PassedOutput(share_views.passed_rows(self.workshop, some), many=True).data)


class Proposals(MemberView):
    @list_schema(PartProposalOutput, ProposalFilter, row=job_examples.PROPOSAL)
    def get(self, request: Request) -> Response:
        """List proposals, latest first; ?state=open for those that wait for an answer."""
        rows = share_views.list_proposals(self.workshop)
        return self.pages(filtered(ProposalFilter, request, rows), PartProposalOutput)


class AcceptProposal(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=None, responses={201: HoldOutput}, examples=job_examples.ACCEPT)
    def post(self, request: Request, pk: int) -> Response:
        """Hold the part proposed for its need."""
        hold = proposals.accept(
            workshop=self.workshop, proposal_id=pk, member=self.member, now=timezone.now()
        )
        rows = selectors.list_holds(self.workshop, standing=False)
        return Response(HoldOutput(rows.get(pk=hold.pk)).data, status=201)


class DeclineProposal(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(
        request=DeclineInput, responses=PartProposalOutput, examples=job_examples.DECLINE
    )
    def post(self, request: Request, pk: int) -> Response:
        """Let the part go to the next; the pair is not proposed again until reopened."""
        note = self.valid(DeclineInput)["note"]
        proposals.decline(
            workshop=self.workshop,
            proposal_id=pk,
            member=self.member,
            note=note,
            now=timezone.now(),
        )
        return Response(PartProposalOutput(share_views.get_proposal(self.workshop, pk)).data)


class ReopenProposal(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=None, responses=PartProposalOutput, examples=job_examples.REOPEN)
    def post(self, request: Request, pk: int) -> Response:
        """Let a pair that was declined, or lapsed, be proposed again."""
        proposals.reopen(workshop=self.workshop, proposal_id=pk, now=timezone.now())
        return Response(PartProposalOutput(share_views.get_proposal(self.workshop, pk)).data)


class KeptOut(MemberView):
    role = Role.TECHNICIAN

    @list_schema(KeptOutOutput, row=job_examples.KEPT_OUT)
    def get(self, request: Request) -> Response:
        """List what is kept out of the allocation now."""
        return self.pages(share_views.list_kept(self.workshop), KeptOutOutput)

    @extend_schema(
        request=KeepOutInput, responses={201: KeptOutOutput}, examples=job_examples.KEEP_OUT
    )
    def post(self, request: Request) -> Response:
        """Keep a part, a need, or (both named) a part from a need out of the allocation."""
        given = self.valid(KeepOutInput)
        row = proposals.keep_back(
            workshop=self.workshop,
            kept=Kept(given["part_ref"], given["need"], given["note"]),
            member=self.member,
            now=timezone.now(),
        )
        return Response(KeptOutOutput(row).data, status=201)


class UndoKeeping(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=None, responses=KeptOutOutput, examples=job_examples.UNDO)
    def post(self, request: Request, pk: int) -> Response:
        """Let the allocation have it again."""
        row = proposals.undo_keeping(
            workshop=self.workshop, kept_id=pk, member=self.member, now=timezone.now()
        )
        return Response(KeptOutOutput(row).data)


class JobUrgency(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(
        request=UrgencyInput,
        responses=UrgencyOutput,
        examples=[
            OpenApiExample(
                "Urgent", {"urgency": 1, "why": "A household of seven."}, request_only=True
            )
        ],
    )
    def post(self, request: Request, ref: str) -> Response:
        """Say how urgent a job is, and why: 0 ordinary, 1 urgent, 2 very urgent."""
        given = self.valid(UrgencyInput)
        job = proposals.set_urgency(
            workshop=self.workshop,
            ref=ref,
            urgency=given["urgency"],
            why=given["why"],
            member=self.member,
            now=timezone.now(),
        )
        return Response(UrgencyOutput(job).data)


class WarrantyDays(MemberView):
    role = Role.OWNER

    @extend_schema(responses=PromiseOutput(many=True), examples=job_examples.WARRANTIES)
    def get(self, request: Request) -> Response:
        """List the days of warranty by grade and kind, with the guide's."""
        return Response(PromiseOutput(warranty.list_promises(self.workshop), many=True).data)

    @extend_schema(
        request=PromiseInput, responses=PromiseOutput(many=True), examples=job_examples.WARRANTY
    )
    def put(self, request: Request) -> Response:
        """Set the days of a grade or a kind; null gives the guide back."""
        warranty.set_days(workshop=self.workshop, **self.valid(PromiseInput))
        return Response(PromiseOutput(warranty.list_promises(self.workshop), many=True).data)
