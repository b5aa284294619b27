"""API of a job's wait, and of keeping its machine as a donor."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from donors.selectors import get_donor
from matching import keeping, selectors, waits
from matching.api import job_examples
from matching.api.serializers import JobOutput
from matching.keeping import Answer
from matching.models import KeepPermission, KeptMachine, WaitExtension
from workshop.api import MemberView, PastDateField
from workshop.errors import NotFound
from workshop.models import Role


class KeepAnswerInput(serializers.Serializer[Any]):
    """What the owner said of keeping the machine as a donor. No names are stored."""

    may_keep = serializers.ChoiceField(keeping.ANSWERS, required=False, default=keeping.NOT_ASKED)
    said_by = serializers.ChoiceField(
        KeepPermission.SaidBy.choices, required=False, default="", allow_blank=True
    )
    how = serializers.ChoiceField(
        KeepPermission.How.choices, required=False, default="", allow_blank=True
    )
    said_on = PastDateField(
        required=False, default=None, allow_null=True, help_text="left out: today"
    )


class PermissionOutput(serializers.ModelSerializer[KeepPermission]):
    job_ref = serializers.CharField(source="job.ref")
    noted_by = serializers.CharField(source="noted_by.user.username")
    in_writing = serializers.BooleanField()

    class Meta:
        model = KeepPermission
        fields = (
            "job_ref",
            "may_keep",
            "said_by",
            "how",
            "said_on",
            "in_writing",
            "noted_by",
            "noted_at",
        )


class KeptOutput(serializers.ModelSerializer[KeptMachine]):
    """One machine: the job it was, the donor it is."""

    job_ref = serializers.CharField(source="job.ref")
    donor_ref = serializers.CharField(source="donor.ref")
    kept_by = serializers.CharField(source="kept_by.user.username")

    class Meta:
        model = KeptMachine
        fields = ("job_ref", "donor_ref", "kept_by", "kept_at")


class KeepingOutput(serializers.Serializer[Any]):
    """permission: null while nobody asked. kept: null while it is a job only."""

    permission = PermissionOutput(allow_null=True)
    kept = KeptOutput(allow_null=True)
    why_not = serializers.CharField(help_text="why it cannot be kept; blank when it can")
    caution = serializers.CharField()


class KeepInput(serializers.Serializer[Any]):
    cause = serializers.SlugField(
        max_length=40, required=False, default="", allow_blank=True, help_text="why it is scrapped"
    )


class WaitInput(serializers.Serializer[Any]):
    wait_until = serializers.DateField()


class ExtensionOutput(serializers.ModelSerializer[WaitExtension]):
    by = serializers.CharField(source="by.user.username")

    class Meta:
        model = WaitExtension
        fields = ("before", "until", "extended_on", "by", "at")


class RefuseJob(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(
        request=KeepAnswerInput,
        responses=JobOutput,
        examples=[
            OpenApiExample(
                "refused, may be kept",
                value={"may_keep": "yes", "said_by": "owner", "how": "signed"},
                request_only=True,
            )
        ],
    )
    def post(self, request: Request, ref: str) -> Response:
        """The customer refuses: the job closes, its holds end; may the machine be kept?"""
        answer = Answer(**self.valid(KeepAnswerInput))
        keeping.refuse_repair(
            workshop=self.workshop,
            ref=ref,
            answer=answer,
            member=self.member,
            now=timezone.now(),
        )
        return Response(JobOutput(selectors.get_job(self.workshop, ref)).data)


class JobKeeping(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(responses=KeepingOutput, examples=job_examples.KEEPING)
    def get(self, request: Request, ref: str) -> Response:
        """Say whether the machine may be kept as a donor, and whether it is."""
        job = selectors.get_job(self.workshop, ref)
        permission, kept = keeping.find_permission(job), keeping.find_kept(job)
        nothing_written = permission is not None and not permission.in_writing
        found = {
            "permission": permission,
            "kept": kept,
            "why_not": keeping.why_not_kept(job, permission, kept),
            "caution": keeping.NOT_IN_WRITING if nothing_written else "",
        }
        return Response(KeepingOutput(found).data)

    @extend_schema(request=KeepInput, responses={201: KeptOutput}, examples=job_examples.KEEP)
    def post(self, request: Request, ref: str) -> Response:
        """Keep the machine as a donor, the same machine. 409 without permission."""
        keeping.keep_as_donor(
            workshop=self.workshop,
            ref=ref,
            member=self.member,
            now=timezone.now(),
            **self.valid(KeepInput),
        )
        kept = keeping.find_kept(selectors.get_job(self.workshop, ref))
        return Response(KeptOutput(kept).data, status=201)


class JobOfDonor(MemberView):
    @extend_schema(responses=KeptOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return the job a donor was before it was kept; 404 for one that came in as a donor."""
        kept = keeping.find_job_of(get_donor(self.workshop, ref))
        if kept is None:
            raise NotFound(f"Donor {ref} was no job here.")
        return Response(KeptOutput(kept).data)


class KeepPermissionOfJob(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(
        request=KeepAnswerInput,
        responses={201: PermissionOutput},
        examples=job_examples.PERMISSION,
    )
    def post(self, request: Request, ref: str) -> Response:
        """Note what the owner said of keeping the machine; it takes an earlier answer's place."""
        found = keeping.note_permission(
            workshop=self.workshop,
            ref=ref,
            answer=Answer(**self.valid(KeepAnswerInput)),
            member=self.member,
            now=timezone.now(),
        )
        return Response(PermissionOutput(found).data, status=201)


class JobWait(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(responses=ExtensionOutput(many=True), examples=job_examples.WAITED)
    def get(self, request: Request, ref: str) -> Response:
        """List how often a job's wait was made longer."""
        job = selectors.get_job(self.workshop, ref)
        return Response(ExtensionOutput(waits.list_extensions(job), many=True).data)

    @extend_schema(request=WaitInput, responses=JobOutput, examples=job_examples.WAIT)
    def post(self, request: Request, ref: str) -> Response:
        """Let a job wait longer; reviews count anew from today."""
        waits.set_end(
            workshop=self.workshop,
            ref=ref,
            until=self.valid(WaitInput)["wait_until"],
            member=self.member,
            now=timezone.now(),
        )
        return Response(JobOutput(selectors.get_job(self.workshop, ref)).data)
