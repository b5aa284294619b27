"""API of a workshop's table of faults: codes, symptoms, and how checks are done here."""

from collections.abc import Callable
from typing import Any

from django.utils import timezone
from drf_spectacular.utils import OpenApiExample, OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching.api import fault_examples
from matching.domain.diagnosis.beliefs import Belief
from matching.domain.diagnosis.tables import MOST_MINUTES, MOST_WORDS
from matching.fault_models import Standing
from matching.faults import editing, own_checks, tables
from matching.faults.editing import CodeFacts, SymptomFacts
from matching.faults.own_checks import CheckFacts
from matching.faults.tables import CheckRow, Counts, SymptomRow
from matching.models import FaultCode
from parts.strip_steps import get_appliance
from workshop.api import MemberView, list_schema
from workshop.models import Role

OF = [OpenApiParameter("appliance", str, description="only of this kind of machine")]


def _weights() -> serializers.DictField:
    return serializers.DictField(
        child=serializers.FloatField(), help_text="by part kind or cause; shares count"
    )


class LearnedOutput(serializers.Serializer[Any]):
    """A suspect: its weight in the table, closed jobs where it was at fault, the odds of both."""

    suspect = serializers.CharField()
    weight = serializers.FloatField(allow_null=True, help_text="null: not listed")
    closed = serializers.IntegerField()
    odds = serializers.FloatField()


def learned(suspects: Any, closed: Any) -> list[dict[str, Any]]:
    odds = Belief.of_table(suspects).after(closed).odds
    return [
        {
            "suspect": slug,
            "weight": suspects.get(slug),
            "closed": closed.get(slug, 0),
            "odds": odds[slug],
        }
        for slug in sorted(odds, key=lambda one: (-odds[one], one))
    ]


class FaultCodeInput(serializers.Serializer[Any]):
    """A displayed code. range: the family; blank for every range of the make."""

    make = serializers.CharField(max_length=80)
    range = serializers.CharField(max_length=60, required=False, default="", allow_blank=True)
    appliance = serializers.SlugField(max_length=40)
    code = serializers.CharField(max_length=20)
    meaning = serializers.CharField(max_length=200, required=False, default="", allow_blank=True)
    suspects = _weights()
    checks = serializers.ListField(
        child=serializers.CharField(max_length=80), required=False, default=list, max_length=20
    )
    standing = serializers.ChoiceField(Standing.choices, required=False, default=Standing.OWN.value)
    source: Any = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )
    hidden = serializers.BooleanField(required=False, default=False)


class FaultCodeOutput(FaultCodeInput):
    id = serializers.IntegerField()
    learned = LearnedOutput(many=True)


class SymptomInput(serializers.Serializer[Any]):
    name = serializers.CharField(max_length=80)
    words = serializers.ListField(
        child=serializers.CharField(max_length=80),
        required=False,
        default=list,
        max_length=MOST_WORDS,
    )
    suspects = _weights()
    source: Any = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )
    hidden = serializers.BooleanField(required=False, default=False)


class NewSymptomInput(SymptomInput):
    appliance = serializers.SlugField(max_length=40)


class SymptomOutput(NewSymptomInput):
    """own: of this workshop. changed: differs from the row delivered, which can be restored."""

    slug = serializers.CharField()
    own = serializers.BooleanField()
    changed = serializers.BooleanField()
    learned = LearnedOutput(many=True)


class FaultCheckInput(serializers.Serializer[Any]):
    minutes = serializers.FloatField(
        allow_null=True,
        required=False,
        default=None,
        max_value=MOST_MINUTES,
        help_text="null: the guide's",
    )
    hidden = serializers.BooleanField(required=False, default=False, help_text="not done here")


class OwnCheckInput(serializers.Serializer[Any]):
    """A check of the workshop's own. suspects: the chance, 0.01 to 0.99, that it finds something
    when that part kind or cause is at fault; otherwise: when anything else is.
    """

    do = serializers.CharField(max_length=300)
    minutes = serializers.FloatField(max_value=MOST_MINUTES)
    suspects = serializers.DictField(child=serializers.FloatField())
    otherwise = serializers.FloatField(required=False, default=own_checks.OTHERWISE)
    finds = serializers.CharField(max_length=80, required=False, default=own_checks.FINDS)
    clear = serializers.CharField(max_length=80, required=False, default=own_checks.CLEAR)
    opens = serializers.BooleanField(
        required=False, default=True, help_text="the machine is opened for it: cautions are shown"
    )
    cautions = serializers.ListField(
        child=serializers.CharField(max_length=80), required=False, default=list, max_length=30
    )
    instrument = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    source: Any = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )
    hidden = serializers.BooleanField(required=False, default=False, help_text="retired")


class NewCheckInput(OwnCheckInput):
    appliance = serializers.SlugField(max_length=40)


class AnswerOutput(serializers.Serializer[Any]):
    """An answer and its chance by what is at fault."""

    says = serializers.CharField()
    suspects = serializers.DictField(child=serializers.FloatField())
    otherwise = serializers.FloatField()


class FaultCheckOutput(serializers.Serializer[Any]):
    slug = serializers.CharField()
    appliance = serializers.CharField()
    do = serializers.CharField()
    minutes = serializers.FloatField()
    guide_minutes = serializers.FloatField(allow_null=True, help_text="null: the workshop's own")
    hidden = serializers.BooleanField()
    own = serializers.BooleanField()
    instrument = serializers.CharField()
    cautions = serializers.ListField(child=serializers.CharField())
    source: Any = serializers.CharField()
    answers = serializers.ListField(child=serializers.CharField())
    chances = AnswerOutput(many=True)


_OWN_CHECK = {
    "do": "Turn the drum by hand and feel for the belt's pull.",
    "minutes": 4,
    "suspects": {"belt": 0.9, "motor-brushed": 0.1},
    "otherwise": 0.05,
    "finds": "the drum turns with no pull",
    "clear": "the belt pulls",
    "opens": False,
    "cautions": ["washer-drum-runs-on"],
    "instrument": "",
}
NEW_CHECK_EXAMPLE = OpenApiExample(
    "A check of one's own", {"appliance": "washing-machine", **_OWN_CHECK}, request_only=True
)
OWN_CHECK_EXAMPLE = OpenApiExample(
    "Retired",
    {**_OWN_CHECK, "do": "Turn the drum and feel for the pull.", "hidden": True},
    request_only=True,
)
CHECK_SET_EXAMPLE = OpenApiExample("Four minutes here", {"minutes": 4}, request_only=True)


class ReviewerView(MemberView):
    role = Role.REVIEWER

    def stated(self) -> dict[str, Any]:
        return {"workshop": self.workshop, "member": self.member, "now": timezone.now()}

    def appliance(self) -> str:
        """Return the kind of machine asked for, "" for all. Raises NotFound."""
        asked: str = self.request.query_params.get("appliance", "")
        if asked:
            get_appliance(asked)
        return asked

    def page_of(
        self,
        rows: Any,
        under: Callable[[Any], str] | None,
        shown: Callable[[Any, Counts], dict[str, Any]],
        output: type[serializers.Serializer[Any]],
    ) -> Response:
        """Answer with a page of rows. under: what closed jobs of a row are counted under."""
        paginator = self.settings.DEFAULT_PAGINATION_CLASS()
        page = paginator.paginate_queryset(rows, self.request, view=self)
        counts = tables.closed_counts(self.workshop, map(under, page)) if under else {}
        results = output([shown(row, counts) for row in page], many=True).data
        answer: Response = paginator.get_paginated_response(results)
        return answer


class FaultCodes(ReviewerView):
    @list_schema(FaultCodeOutput, operation_id="list_fault_codes", also=OF)
    def get(self, request: Request) -> Response:
        """List the workshop's codes with what closed jobs taught."""
        appliance = self.appliance()
        rows = tables.list_codes(self.workshop)
        if appliance:
            rows = rows.filter(appliance=appliance)
        return self.page_of(rows, lambda row: row.slug, _code, FaultCodeOutput)

    @extend_schema(
        request=FaultCodeInput, responses={201: FaultCodeOutput}, examples=[fault_examples.CODE]
    )
    def post(self, request: Request) -> Response:
        """Add a code to the workshop's table."""
        row = editing.save_code(facts=CodeFacts(**self.valid(FaultCodeInput)), **self.stated())
        return Response(FaultCodeOutput(_code(row, {})).data, status=201)


class FaultCodeDetail(ReviewerView):
    @extend_schema(responses=FaultCodeOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Return one code."""
        return self._answer(tables.get_code(self.workshop, pk))

    @extend_schema(request=FaultCodeInput, responses=FaultCodeOutput)
    def put(self, request: Request, pk: int) -> Response:
        """Change a code; hidden: it is kept and counts for nothing."""
        tables.get_code(self.workshop, pk)
        facts = CodeFacts(**self.valid(FaultCodeInput))
        return self._answer(editing.save_code(facts=facts, code_id=pk, **self.stated()))

    def _answer(self, row: FaultCode) -> Response:
        counts = tables.closed_counts(self.workshop, [row.slug])
        return Response(FaultCodeOutput(_code(row, counts)).data)


def _code(row: FaultCode, counts: Counts) -> dict[str, Any]:
    names = ("range", "code", "meaning", "suspects", "checks", "standing", "source", "hidden")
    return {
        "id": row.pk,
        "make": row.make.name,
        "appliance": row.appliance_id,
        **{name: getattr(row, name) for name in names},
        "learned": learned(row.suspects, counts.get(row.slug, {})),
    }


class Symptoms(ReviewerView):
    @list_schema(SymptomOutput, operation_id="list_symptoms", also=OF)
    def get(self, request: Request) -> Response:
        """List the symptoms as this workshop has them, with what closed jobs taught."""
        rows = tables.symptom_rows(self.workshop, self.appliance())
        return self.page_of(rows, lambda row: row.symptom.slug, _symptom, SymptomOutput)

    @extend_schema(
        request=NewSymptomInput, responses={201: SymptomOutput}, examples=[fault_examples.SYMPTOM]
    )
    def post(self, request: Request) -> Response:
        """Add a symptom of the workshop's own."""
        given = self.valid(NewSymptomInput)
        appliance = given.pop("appliance")
        facts = SymptomFacts(**given)
        row = editing.add_symptom(appliance=appliance, facts=facts, **self.stated())
        return Response(SymptomOutput(_symptom(row, {})).data, status=201)


class SymptomDetail(ReviewerView):
    @extend_schema(responses=SymptomOutput)
    def get(self, request: Request, slug: str) -> Response:
        """Return one symptom."""
        return self._answer(tables.get_symptom_row(self.workshop, slug))

    @extend_schema(request=SymptomInput, responses=SymptomOutput)
    def put(self, request: Request, slug: str) -> Response:
        """Change a symptom here. The row delivered stays the default."""
        tables.get_symptom_row(self.workshop, slug)
        facts = SymptomFacts(**self.valid(SymptomInput))
        return self._answer(editing.change_symptom(slug=slug, facts=facts, **self.stated()))

    @extend_schema(responses={200: SymptomOutput})
    def delete(self, request: Request, slug: str) -> Response:
        """Go back to the row delivered."""
        return self._answer(editing.restore_symptom(workshop=self.workshop, slug=slug))

    def _answer(self, row: SymptomRow) -> Response:
        counts = tables.closed_counts(self.workshop, [row.symptom.slug])
        return Response(SymptomOutput(_symptom(row, counts)).data)


def _symptom(row: SymptomRow, counts: Counts) -> dict[str, Any]:
    symptom = row.symptom
    return {
        "slug": symptom.slug,
        "appliance": symptom.appliance,
        "name": symptom.name,
        "words": list(symptom.words),
        "suspects": symptom.suspects,
        "source": row.source,
        "hidden": row.hidden,
        "own": row.given is None,
        "changed": row.given is not None and row.change is not None,
        "learned": learned(symptom.suspects, counts.get(symptom.slug, {})),
    }


class FaultChecks(ReviewerView):
    @list_schema(FaultCheckOutput, operation_id="list_fault_checks", also=OF)
    def get(self, request: Request) -> Response:
        """List the checks to make before a part is blamed, the guide's and the workshop's own."""
        rows = tables.check_rows(self.workshop, self.appliance())
        return self.page_of(rows, None, _check, FaultCheckOutput)

    @extend_schema(
        request=NewCheckInput, responses={201: FaultCheckOutput}, examples=[NEW_CHECK_EXAMPLE]
    )
    def post(self, request: Request) -> Response:
        """Add a check of the workshop's own."""
        given = self.valid(NewCheckInput)
        appliance = given.pop("appliance")
        facts = CheckFacts(**given)
        row = own_checks.add_check(appliance=appliance, facts=facts, **self.stated())
        return Response(FaultCheckOutput(_check(row)).data, status=201)


class FaultCheckDetail(ReviewerView):
    @extend_schema(responses=FaultCheckOutput)
    def get(self, request: Request, slug: str) -> Response:
        """Return one check."""
        return Response(FaultCheckOutput(_check(tables.get_check_row(self.workshop, slug))).data)

    @extend_schema(
        request=FaultCheckInput, responses=FaultCheckOutput, examples=[CHECK_SET_EXAMPLE]
    )
    def put(self, request: Request, slug: str) -> Response:
        """Say how long a check takes here, or that it is not done. Both left out: the guide."""
        row = editing.set_check(slug=slug, **self.valid(FaultCheckInput), **self.stated())
        return Response(FaultCheckOutput(_check(row)).data)


class OwnFaultCheck(ReviewerView):
    @extend_schema(request=OwnCheckInput, responses=FaultCheckOutput, examples=[OWN_CHECK_EXAMPLE])
    def put(self, request: Request, slug: str) -> Response:
        """Change a check of the workshop's own; hidden retires it, answers given are kept."""
        facts = CheckFacts(**self.valid(OwnCheckInput))
        row = own_checks.change_check(slug=slug, facts=facts, **self.stated())
        return Response(FaultCheckOutput(_check(row)).data)


def _check(row: CheckRow, _: Counts | None = None) -> dict[str, Any]:
    return {
        "slug": row.check.slug,
        "appliance": row.check.appliance,
        "do": row.check.do,
        "minutes": row.check.minutes,
        "guide_minutes": row.given.minutes if row.given else None,
        "hidden": row.hidden,
        "own": row.given is None,
        "instrument": row.check.instrument,
        "cautions": list(row.check.cautions),
        "source": row.source,
        "answers": [one.says for one in row.check.answers],
        "chances": [
            {"says": one.says, "suspects": one.likely, "otherwise": one.otherwise}
            for one in row.check.answers
        ],
    }
