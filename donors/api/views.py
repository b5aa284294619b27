"""API of makes, model numbers and recognition."""

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework.request import Request
from rest_framework.response import Response

from donors import build_readings, recognition, selectors, services
from donors.api.serializers import (
    DateCodeInput,
    DecodeInput,
    MakeInput,
    MakeOutput,
    MentionOutput,
    ModelNumberInput,
    ModelNumberOutput,
    PatternInput,
    ProposalOutput,
    ReadingOutput,
    RecogniseInput,
    RecognitionOutput,
    TextInput,
    code_from,
    names_of_code,
)
from donors.domain.build_reading import to_json
from workshop.api import MemberView, list_schema
from workshop.models import Role


class Makes(MemberView):
    role = Role.REVIEWER

    @list_schema(MakeOutput)
    def get(self, request: Request) -> Response:
        """List the makes known here."""
        return self.pages(selectors.list_makes(self.workshop), MakeOutput)

    @extend_schema(request=MakeInput, responses={201: MakeOutput})
    def post(self, request: Request) -> Response:
        """Add a make with its other spellings and the pattern of its model numbers."""
        make = services.save_make(workshop=self.workshop, **self.valid(MakeInput))
        return Response(MakeOutput(make).data, status=201)


class ModelNumbers(MemberView):
    role = Role.REVIEWER

    @list_schema(ModelNumberOutput)
    def get(self, request: Request) -> Response:
        """List the known model numbers."""
        return self.pages(selectors.list_model_numbers(self.workshop), ModelNumberOutput)

    @extend_schema(request=ModelNumberInput, responses={201: ModelNumberOutput})
    def post(self, request: Request) -> Response:
        """Add a known model number; unconfirmed machines are read again."""
        given = self.valid(ModelNumberInput)
        model = services.add_model_number(
            workshop=self.workshop,
            make=selectors.get_make(self.workshop, given["make"]),
            number=given["model_number"],
            aliases=given["aliases"],
            appliance=given["appliance"],
            family=given["family"],
        )
        return Response(ModelNumberOutput(model).data, status=201)


class PatternProposal(MemberView):
    read_role = Role.REVIEWER

    @extend_schema(responses=ProposalOutput)
    def get(self, request: Request, make_id: int) -> Response:
        """Propose a pattern for a make from its known numbers. Nothing is stored."""
        proposal = selectors.propose_pattern(self.workshop, make_id)
        return Response(ProposalOutput(proposal).data)


class MakePattern(MemberView):
    role = Role.REVIEWER

    @extend_schema(request=PatternInput, responses=MakeOutput)
    def put(self, request: Request, make_id: int) -> Response:
        """Store the pattern of a make's model numbers, written or proposed; blank takes it away.

        The fields of its machines are read again. A pattern that cannot be used is refused with
        the reason.
        """
        pattern = self.valid(PatternInput)["pattern"]
        make = services.set_pattern(workshop=self.workshop, make_id=make_id, pattern=pattern)
        return Response(MakeOutput(make).data)


class MakeDateCode(MemberView):
    role = Role.REVIEWER

    @extend_schema(request=DateCodeInput, responses=MakeOutput)
    def put(self, request: Request, make_id: int) -> Response:
        """Store how a make writes its build-date codes; blank takes it away.

        Machines on record stay as they are.
        """
        given = self.valid(DateCodeInput)
        make = services.set_date_code(
            workshop=self.workshop,
            make_id=make_id,
            scheme=given["date_code"],
            start=given["date_code_start"],
        )
        return Response(MakeOutput(make).data)


class DecodeBuildDate(MemberView):
    reads_only = True

    @extend_schema(request=DecodeInput, responses=ReadingOutput)
    def post(self, request: Request) -> Response:
        """Say which dates a build code may mean, and what cut the others. Reads only.

        Several are kept when the decade is open. A code that names no week there is (week 53 in
        a year of 52) is refused with the reason.
        """
        given = self.valid(DecodeInput)
        make = selectors.get_make(self.workshop, given["make"]) if given["make"] else None
        with names_of_code():
            reading = build_readings.decode(
                code_from(given),
                make=make,
                serial_number=given["serial_number"],
                appliance=given["appliance"],
                today=timezone.localdate(),
                received_on=given["received_on"],
            )
        return Response(to_json(reading))


class FindNumbers(MemberView):
    reads_only = True

    @extend_schema(request=TextInput, responses=MentionOutput(many=True))
    def post(self, request: Request) -> Response:
        """Find every model number in a pasted text. Reads only."""
        given = self.valid(TextInput)
        found = selectors.find_numbers(self.workshop, given["text"], make=given["make"])
        return Response(
            [{"start": one.start, "end": one.end, **recognition.as_row(one.seen)} for one in found]
        )


class Recognise(MemberView):
    @extend_schema(parameters=[RecogniseInput], responses=RecognitionOutput)
    def get(self, request: Request) -> Response:
        """Say which known model number a text is, or which it may be."""
        given = self.valid(RecogniseInput, request.query_params)
        seen = selectors.recognise(self.workshop, given["text"], make=given["make"])
        return Response(recognition.as_row(seen))
