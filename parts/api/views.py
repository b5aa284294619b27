"""API of donors, parts and bench tests."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiResponse, extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from donors import selectors as donor_selectors
from donors.api.serializers import (
    PLATE_FIELDS,
    BuildDateInput,
    ChosenInput,
    code_from,
    names_of_code,
)
from donors.build_readings import CodeAsked
from donors.plates import Plate
from parts import selectors, services
from parts.api.corrections import DonorCorrection, correct_donor
from parts.api.filters import DonorFilter, PartFilter
from parts.api.serializers import (
    BenchTestInput,
    BenchTestOutput,
    CodeProblem,
    ConfirmInput,
    DonorInput,
    DonorOutput,
    DonorPartOutput,
    LoosePartInput,
    PartFactsInput,
    PartOutput,
    RemoveInput,
    TakenInOutput,
)
from parts.services import PartFacts
from workshop.api import MemberView, filtered, list_schema


def plate_from(given: dict[str, Any]) -> Plate:
    """Take the plate out of validated input."""
    plate = {name: given.pop(name) for name in PLATE_FIELDS}
    code = plate.pop("build_code")
    return Plate(**plate, build_code=code_from(code) if code else CodeAsked())


def facts_from(given: dict[str, Any]) -> PartFacts:
    """Take what was read off a part out of validated input; what is left out stays."""
    names = ("part_number", "attributes", "bin", "note")
    facts = {name: given.pop(name) for name in names if name in given}
    return PartFacts(price_cents=given.pop("price", None), **facts)


class Donors(MemberView):
    @list_schema(DonorOutput, DonorFilter)
    def get(self, request: Request) -> Response:
        """List donors, newest first."""
        rows = donor_selectors.list_donors(self.workshop)
        return self.pages(filtered(DonorFilter, request, rows), DonorOutput)

    @extend_schema(request=DonorInput, responses={201: TakenInOutput})
    def post(self, request: Request) -> Response:
        """Take a machine in. Its parts are laid at once; waiting jobs are told right after.

        Where its number is not known exactly, `candidates` says what it may be.
        """
        given = self.valid(DonorInput)
        donor = services.take_in_donor(workshop=self.workshop, plate=plate_from(given), **given)
        fresh = donor_selectors.get_donor(self.workshop, donor.ref)
        return Response(TakenInOutput(fresh).data, status=201)


class Donor(MemberView):
    @extend_schema(responses=DonorPartOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return a donor with its parts and the cautions for stripping it."""
        donor = donor_selectors.get_donor(self.workshop, ref)
        parts = list(selectors.list_parts(self.workshop).filter(donor=donor))
        cautions = selectors.list_cautions(donor.appliance_id, {p.kind_id for p in parts})
        answer = {
            **TakenInOutput(donor).data,
            "parts": PartOutput(parts, many=True).data,
            "cautions": [
                {"hazard": c.hazard, "text": c.text, "licence": c.licence, "source": c.source}
                for c in cautions
            ],
        }
        return Response(answer)

    @extend_schema(request=DonorCorrection, responses=TakenInOutput)
    def patch(self, request: Request, ref: str) -> Response:
        """Correct a donor. Its plate is read anew; its parts are matched anew."""
        correct_donor(self, ref)
        return Response(TakenInOutput(donor_selectors.get_donor(self.workshop, ref)).data)


class ConfirmDonor(MemberView):
    @extend_schema(request=ConfirmInput, responses=DonorOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Say which known model a donor is. What was read stays as it is."""
        model_id = self.valid(ConfirmInput)["model_id"]
        services.confirm_donor_model(workshop=self.workshop, ref=ref, model_id=model_id)
        return Response(DonorOutput(donor_selectors.get_donor(self.workshop, ref)).data)


class DonorBuildDate(MemberView):
    @extend_schema(request=BuildDateInput, responses=DonorOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Read a donor's build code; one date left is its build date, several are kept.

        A date on record that is not from a code stays as it is, and cuts the candidates.
        """
        given = self.valid(BuildDateInput)
        with names_of_code():
            services.date_donor(
                workshop=self.workshop, ref=ref, asked=code_from(given), replace=given["replace"]
            )
        return Response(DonorOutput(donor_selectors.get_donor(self.workshop, ref)).data)


class ChooseDonorBuildDate(MemberView):
    @extend_schema(request=ChosenInput, responses=DonorOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Say which candidate of its code a donor's build date is."""
        start = self.valid(ChosenInput)["built_from"]
        services.choose_donor_build(workshop=self.workshop, ref=ref, start=start)
        return Response(DonorOutput(donor_selectors.get_donor(self.workshop, ref)).data)


class Parts(MemberView):
    @list_schema(PartOutput, PartFilter)
    def get(self, request: Request) -> Response:
        """List parts: in machines, on the shelf and gone."""
        rows = selectors.list_parts(self.workshop)
        return self.pages(filtered(PartFilter, request, rows), PartOutput)

    @extend_schema(request=LoosePartInput, responses={201: PartOutput})
    def post(self, request: Request) -> Response:
        """Add a part that came without its machine."""
        given = self.valid(LoosePartInput)
        facts = facts_from(given)
        part = services.add_loose_part(workshop=self.workshop, facts=facts, **given)
        return Response(PartOutput(part).data, status=201)


class PartByCode(MemberView):
    @extend_schema(
        responses={
            200: PartOutput,
            404: OpenApiResponse(
                CodeProblem,
                "No part of this workshop has the code; `candidates` are those that may have "
                "been meant, the likeliest first.",
            ),
        }
    )
    def get(self, request: Request, code: str) -> Response:
        """Return the part whose short code was typed or scanned, however it was written."""
        return Response(PartOutput(selectors.get_part_by_code(self.workshop, code)).data)


class Part(MemberView):
    @extend_schema(responses=PartOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return one part."""
        return Response(PartOutput(selectors.get_part(self.workshop, ref)).data)

    @extend_schema(request=PartFactsInput, responses=PartOutput)
    def patch(self, request: Request, ref: str) -> Response:
        """Note what was read off a part; its matches are redone."""
        facts = facts_from(self.valid(PartFactsInput))
        part = services.describe_part(workshop=self.workshop, ref=ref, facts=facts)
        return Response(PartOutput(part).data)


class RemovePart(MemberView):
    @extend_schema(request=RemoveInput, responses=PartOutput)
    def post(self, request: Request, ref: str) -> Response:
        """Take a part out of its machine; with a bin it is shelved."""
        given = self.valid(RemoveInput)
        facts = facts_from(given)
        part = services.remove_part(workshop=self.workshop, ref=ref, facts=facts, **given)
        return Response(PartOutput(part).data)


class BenchTests(MemberView):
    @extend_schema(request=BenchTestInput, responses={201: BenchTestOutput})
    def post(self, request: Request, ref: str) -> Response:
        """Record a test stated as a whole, held against no limit; the part is graded by it.

        Readings that are to be judged go to bench-tests/.
        """
        test = services.record_bench_test(
            workshop=self.workshop,
            ref=ref,
            tested_by=self.member,
            on=timezone.localdate(),
            **self.valid(BenchTestInput),
        )
        return Response(BenchTestOutput(test).data, status=201)
