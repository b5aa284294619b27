"""API of jobs, needs, matches, finding, holds, fittings and alerts."""

from typing import Any
from uuid import UUID

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from donors import recognition
from donors.api.serializers import BuildDateInput, ChosenInput, code_from, names_of_code
from matching import alerts, finding, fittings, holds, selectors, services
from matching.api.corrections import WRONG_NUMBER, JobCorrection, correct_job
from matching.api.filters import (
    AlertFilter,
    HoldFilter,
    JobFilter,
    MatchFilter,
    NeedFilter,
)
from matching.api.serializers import (
    AlertOutput,
    FailureInput,
    FindInput,
    FindOutput,
    FittedInput,
    HoldInput,
    HoldOutput,
    JobInput,
    JobOutput,
    MatchOutput,
    NeedOutput,
    OpenedOutput,
    OutcomeOutput,
    ReadAllOutput,
)
from parts.api.serializers import ConfirmInput
from parts.api.views import plate_from
from workshop.api import MemberView, filtered, list_schema
from workshop.domain.intervals import from_ends
from workshop.errors import InputRefused, NotFound
from workshop.models import Member, Role


class TechnicianView(MemberView):
    role = Role.TECHNICIAN


class Jobs(TechnicianView):
    @list_schema(JobOutput, JobFilter)
    def get(self, request: Request) -> Response:
        """List jobs with their needs, newest first."""
        rows = selectors.list_jobs(self.workshop)
        return self.pages(filtered(JobFilter, request, rows), JobOutput)

    @extend_schema(request=JobInput, responses={201: OpenedOutput})
    def post(self, request: Request) -> Response:
        """Open a job with what it needs, or with what it does or shows. Stock is searched after."""
        given = self.valid(JobInput)
        given["needs"] = [self._need(need) for need in given["needs"]]
        given["technician"] = self._technician(given["technician"])
        job = services.open_job(
            workshop=self.workshop,
            plate=plate_from(given),
            opened_by=self.member,
            now=timezone.now(),
            **given,
        )
        fresh = selectors.get_job(self.workshop, job.ref)
        return Response(OpenedOutput(fresh).data, status=201)

    def _need(self, given: dict[str, Any]) -> services.NeedFacts:
        return services.NeedFacts(max_price_cents=given.pop("max_price"), **given)

    def _technician(self, member_id: int | None) -> Member | None:
        if member_id is None:
            return None
        found: Member | None = Member.of(self.workshop).filter(pk=member_id, active=True).first()
        if found is None:
            raise InputRefused(
                f"There is no active member {member_id} in this workshop.",
                fields={"technician": "Not an active member of this workshop."},
            )
        return found


class JobDetail(TechnicianView):
    @extend_schema(responses=OpenedOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return a job with its needs."""
        return Response(OpenedOutput(selectors.get_job(self.workshop, ref)).data)

    @extend_schema(request=JobCorrection, responses=OpenedOutput, examples=[WRONG_NUMBER])
    def patch(self, request: Request, ref: str) -> Response:
        """Correct a job: its plate is read anew and it is matched anew; see its record/."""
        correct_job(self, ref)
        return Response(OpenedOutput(selectors.get_job(self.workshop, ref)).data)


class ConfirmJob(TechnicianView):
    @extend_schema(request=ConfirmInput, responses=JobOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Say which known model a job is. What was read stays as it is."""
        model_id = self.valid(ConfirmInput)["model_id"]
        services.confirm_job_model(workshop=self.workshop, ref=ref, model_id=model_id)
        return Response(JobOutput(selectors.get_job(self.workshop, ref)).data)


class JobBuildDate(TechnicianView):
    @extend_schema(request=BuildDateInput, responses=JobOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Read a job's build code; one date left is its build date, several are kept."""
        given = self.valid(BuildDateInput)
        with names_of_code():
            services.date_job(
                workshop=self.workshop, ref=ref, asked=code_from(given), replace=given["replace"]
            )
        return Response(JobOutput(selectors.get_job(self.workshop, ref)).data)


class ChooseJobBuildDate(TechnicianView):
    @extend_schema(request=ChosenInput, responses=JobOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Say which candidate of its code a job's build date is."""
        start = self.valid(ChosenInput)["built_from"]
        services.choose_job_build(workshop=self.workshop, ref=ref, start=start)
        return Response(JobOutput(selectors.get_job(self.workshop, ref)).data)


class Needs(MemberView):
    @list_schema(NeedOutput, NeedFilter)
    def get(self, request: Request) -> Response:
        """List needs."""
        rows = selectors.list_needs(self.workshop)
        return self.pages(filtered(NeedFilter, request, rows), NeedOutput)


class Matches(MemberView):
    @list_schema(MatchOutput, MatchFilter)
    def get(self, request: Request) -> Response:
        """List what is offered to needs, best first within a need, with the reasons."""
        rows = selectors.list_matches(self.workshop)
        return self.pages(filtered(MatchFilter, request, rows), MatchOutput)


class FindPart(MemberView):
    @extend_schema(parameters=[FindInput], responses=FindOutput)
    def get(self, request: Request) -> Response:
        """Find parts for a machine: ranked, each with verdict, odds and reasons."""
        given = self.valid(FindInput, request.query_params)
        start, end = given.pop("built_from"), given.pop("built_to")
        if start and end and end < start:
            raise InputRefused(
                f"The build date ends on {end} before it begins on {start}.",
                fields={"built_to": f"{end} lies before {start}."},
            )
        query = finding.Query(built=from_ends(start, end), **given)
        found = finding.find_parts(self.workshop, query, on=timezone.localdate())
        answer = {
            "recognised": recognition.as_row(found.recognition),
            "kinds": list(found.kinds),
            "results": found.as_rows(),
        }
        return Response(FindOutput(answer).data)


class Holds(TechnicianView):
    @list_schema(HoldOutput, HoldFilter)
    def get(self, request: Request) -> Response:
        """List holds; ?standing=true for those that stand."""
        rows = selectors.list_holds(self.workshop, standing=False)
        return self.pages(filtered(HoldFilter, request, rows), HoldOutput)

    @extend_schema(request=HoldInput, responses={201: HoldOutput})
    def post(self, request: Request) -> Response:
        """Hold a part for a need. 409 names who holds it already."""
        given = self.valid(HoldInput)
        hold = holds.hold_part(
            workshop=self.workshop,
            part_ref=given["part_ref"],
            need_id=given["need"],
            member=self.member,
            now=timezone.now(),
            note=given["note"],
        )
        return Response(_hold(self, hold.pk), status=201)


class ReleaseHold(TechnicianView):
    @extend_schema(request=None, responses=HoldOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Release a hold."""
        holds.release_hold(workshop=self.workshop, hold_id=pk, now=timezone.now())
        return Response(_hold(self, pk))


class ReportFitting(TechnicianView):
    @extend_schema(request=FittedInput, responses={201: OutcomeOutput})
    def post(self, request: Request, pk: int) -> Response:
        """Mark a held part fitted, with what happened."""
        given = self.valid(FittedInput)
        report = fittings.Report(**given)
        outcome = fittings.report_fitting(
            workshop=self.workshop, hold_id=pk, report=report, now=timezone.now()
        )
        return Response(OutcomeOutput(outcome).data, status=201)


def _hold(view: MemberView, pk: int) -> Any:
    rows = selectors.list_holds(view.workshop, standing=False)
    return HoldOutput(rows.get(pk=pk)).data


class Outcomes(MemberView):
    @list_schema(OutcomeOutput)
    def get(self, request: Request) -> Response:
        """List past fittings, newest first."""
        return self.pages(selectors.list_outcomes(self.workshop), OutcomeOutput)


class ReportFailure(TechnicianView):
    @extend_schema(request=FailureInput, responses=OutcomeOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Note that a part that had worked failed later."""
        given = self.valid(FailureInput)
        outcome = fittings.report_failure(
            workshop=self.workshop, outcome_id=pk, now=timezone.now(), **given
        )
        return Response(OutcomeOutput(outcome).data)


class Alerts(MemberView):
    @list_schema(AlertOutput, AlertFilter)
    def get(self, request: Request) -> Response:
        """List your own alerts, newest first; ?unread=true for the unread ones."""
        rows = selectors.list_alerts(self.member)
        return self.pages(filtered(AlertFilter, request, rows), AlertOutput)


class AlertDetail(MemberView):
    @extend_schema(responses=AlertOutput)
    def get(self, request: Request, pk: UUID) -> Response:
        """Return one of your alerts with its reasons."""
        alert = selectors.list_alerts(self.member).filter(pk=pk).first()
        if alert is None:
            raise NotFound("There is no such alert in your inbox.")
        return Response(AlertOutput(alert).data)


class ReadAlert(MemberView):
    @extend_schema(request=None, responses=AlertOutput)
    def post(self, request: Request, pk: UUID) -> Response:
        """Mark one of your alerts read."""
        alerts.mark_read(member=self.member, alert_id=pk, now=timezone.now())
        return Response(AlertOutput(selectors.list_alerts(self.member).get(pk=pk)).data)


class ReadAllAlerts(MemberView):
    @extend_schema(request=None, responses=ReadAllOutput)
    def post(self, request: Request) -> Response:
        """Mark all your alerts read."""
        marked = alerts.mark_all_read(member=self.member, now=timezone.now())
        return Response({"marked": marked})
