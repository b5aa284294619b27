"""API of a job's fault: signs, suspects, checks, answers, needs and what it was."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import selectors
from matching.api import fault_examples
from matching.api.serializers import NeedOutput
from matching.faults import answers, closing, needs, signs
from matching.faults.views import AskView, FaultView, Proposal, fault_of, proposals
from matching.models import CheckAnswer, FaultFound, Sign
from matching.services import NeedFacts
from workshop.api import MemberView
from workshop.errors import InputRefused
from workshop.models import Role


class SignInput(serializers.Serializer[Any]):
    """One of the three: a symptom of the table, a code as shown, or reading the words again."""

    symptom = serializers.CharField(max_length=80, required=False, default="", allow_blank=True)
    code = serializers.CharField(max_length=20, required=False, default="", allow_blank=True)
    read_words = serializers.BooleanField(required=False, default=False)


class AnswerInput(serializers.Serializer[Any]):
    check = serializers.CharField(max_length=80)
    answer = serializers.CharField(max_length=40)


class WantedInput(serializers.Serializer[Any]):
    kind = serializers.SlugField(max_length=40)
    position = serializers.CharField(max_length=40, required=False, default="", allow_blank=True)


class WantedListInput(serializers.Serializer[Any]):
    needs = serializers.ListField(child=WantedInput(), max_length=20)


class FoundInput(serializers.Serializer[Any]):
    suspect = serializers.SlugField(
        max_length=40, help_text="a part kind, a cause such as blockage, or something-else"
    )
    note = serializers.CharField(max_length=300, required=False, default="", allow_blank=True)


class SignOutput(serializers.Serializer[Any]):
    """What the job showed. `counts` false: the table has nothing for it; `unknown` says why."""

    id = serializers.IntegerField(source="sign.pk")
    how = serializers.ChoiceField(Sign.How.choices, source="sign.how")
    symptom = serializers.CharField(source="sign.symptom", allow_blank=True)
    code = serializers.CharField(source="sign.code", allow_blank=True)
    name = serializers.CharField()
    counts = serializers.SerializerMethodField()
    unknown = serializers.CharField(allow_blank=True)
    by = serializers.SerializerMethodField()
    at = serializers.DateTimeField(source="sign.at")

    def get_counts(self, one: Any) -> bool:
        return one.symptom is not None

    def get_by(self, one: Any) -> str:
        return one.sign.by.user.username if one.sign.by else ""


class GroundOutput(serializers.Serializer[Any]):
    """What odds rest on under one sign: the table's share, and closed jobs of all closed jobs."""

    sign = serializers.CharField()
    share = serializers.FloatField()
    closed = serializers.IntegerField()
    all_closed = serializers.IntegerField()


class SuspectOutput(serializers.Serializer[Any]):
    suspect = serializers.CharField(source="suspect.slug")
    name = serializers.CharField(source="suspect.name")
    is_part = serializers.BooleanField(source="suspect.is_part")
    odds = serializers.FloatField(source="suspect.odds")
    before_checks = serializers.FloatField(source="suspect.at_first")
    proposed = serializers.BooleanField(source="suspect.is_proposed")
    rests_on = GroundOutput(source="grounds", many=True)
    licences = serializers.ListField(child=serializers.CharField())


class ThenOutput(serializers.Serializer[Any]):
    name = serializers.CharField()
    odds = serializers.FloatField()


class PossibleAnswerOutput(serializers.Serializer[Any]):
    """An answer a check may give, and what would be likeliest after it."""

    answer = serializers.CharField()
    says = serializers.CharField()
    then = ThenOutput(many=True)


class AskOutput(serializers.Serializer[Any]):
    """A check not done. `pays`: it is expected to save more minutes than it takes."""

    check = serializers.CharField()
    do = serializers.CharField()
    minutes = serializers.FloatField()
    bits = serializers.FloatField(help_text="doubt its answer is expected to take away")
    saves_min = serializers.FloatField()
    pays = serializers.BooleanField()
    by_code = serializers.BooleanField()
    cautions = serializers.ListField(child=serializers.CharField())
    answers = PossibleAnswerOutput(many=True)


class CheckAnswerOutput(serializers.ModelSerializer[CheckAnswer]):
    """What a check gave. One with `ended_at` was changed or taken back."""

    check = serializers.CharField(source="check_slug")
    by = serializers.CharField(source="by.user.username", default="")
    ended_by = serializers.CharField(source="ended_by.user.username", default="")

    class Meta:
        model = CheckAnswer
        fields = ("id", "check", "answer", "says", "by", "at", "ended_by", "ended_at")


class FoundOutput(serializers.ModelSerializer[FaultFound]):
    """What the fault was. `by` blank: the part fitted for it worked."""

    by = serializers.CharField(source="by.user.username", default="")

    class Meta:
        model = FaultFound
        fields = ("suspect", "note", "by", "at", "ended_at")


class StockOutput(serializers.Serializer[Any]):
    """What stands in stock for a part now. Blank and null where nothing may serve."""

    count = serializers.IntegerField()
    held = serializers.IntegerField()
    proposed = serializers.IntegerField(help_text="proposed to a job and not held")
    part_ref = serializers.CharField(allow_blank=True)
    verdict = serializers.CharField(allow_blank=True)
    p_fit = serializers.FloatField(allow_null=True)
    p_good = serializers.FloatField(allow_null=True)
    held_for = serializers.CharField(allow_blank=True)
    proposed_to = serializers.CharField(allow_blank=True)
    proposed_until = serializers.CharField(allow_blank=True)


class LeftOutput(serializers.Serializer[Any]):
    kind = serializers.CharField()
    odds = serializers.FloatField()
    positions = serializers.ListField(child=serializers.CharField())
    buy_new = serializers.CharField(allow_blank=True, help_text="why it is never reused")
    need = serializers.IntegerField(allow_null=True, help_text="a need of the job already")
    stock = StockOutput()


class FaultOutput(serializers.Serializer[Any]):
    """All of a job's fault. Odds and weights are a guide."""

    job_ref = serializers.CharField()
    state = serializers.CharField()
    symptom = serializers.CharField(allow_blank=True)
    signs = SignOutput(many=True)
    rests_on = serializers.CharField()
    suspects = SuspectOutput(many=True)
    next_check = serializers.CharField(allow_blank=True, help_text="blank: none pays")
    checks = AskOutput(many=True)
    answers = CheckAnswerOutput(many=True)
    proposed = LeftOutput(many=True)
    found = FoundOutput(allow_null=True)
    found_before = FoundOutput(many=True)
    several_fitted = serializers.BooleanField(
        help_text="parts of several kinds were fitted: nothing is learned until somebody says"
    )


class JobFaultView(MemberView):
    role = Role.TECHNICIAN

    def answer(self, ref: str, status: int = 200) -> Response:
        job = selectors.get_job(self.workshop, ref)
        view = fault_of(self.workshop, job)
        shown = proposals(self.workshop, view, on=timezone.localdate())
        return Response(FaultOutput(_row(view, shown)).data, status=status)


class JobFault(JobFaultView):
    @extend_schema(responses=FaultOutput)
    def get(self, request: Request, ref: str) -> Response:
        """Return what a job shows, what is suspected, what to check, and what is left."""
        return self.answer(ref)


class JobFaultSigns(JobFaultView):
    @extend_schema(request=SignInput, responses={201: FaultOutput}, examples=[fault_examples.SIGN])
    def post(self, request: Request, ref: str) -> Response:
        """Note what the machine does or shows. An unknown code is kept and counts for nothing."""
        given = self.valid(SignInput)
        asked: dict[str, Any] = {
            "workshop": self.workshop,
            "ref": ref,
            "member": self.member,
            "now": timezone.now(),
        }
        if sum(bool(value) for value in given.values()) != 1:
            raise InputRefused(
                "Give one of symptom, code and read_words.", fields={"symptom": "Give one of them."}
            )
        if given["symptom"]:
            signs.choose_symptom(**asked, symptom=given["symptom"])
        elif given["code"]:
            signs.note_code(**asked, code=given["code"])
        else:
            signs.read_words_again(**asked)
        return self.answer(ref, 201)


class JobFaultSign(JobFaultView):
    @extend_schema(responses={200: FaultOutput})
    def delete(self, request: Request, ref: str, pk: int) -> Response:
        """Take back a sign. It stays on record."""
        signs.remove_sign(
            workshop=self.workshop, ref=ref, sign_id=pk, member=self.member, now=timezone.now()
        )
        return self.answer(ref)


class JobFaultAnswers(JobFaultView):
    @extend_schema(
        request=AnswerInput, responses={201: FaultOutput}, examples=[fault_examples.ANSWER]
    )
    def post(self, request: Request, ref: str) -> Response:
        """Note what a check gave. Another answer takes the place of the first, which is kept."""
        answers.answer_check(
            workshop=self.workshop,
            ref=ref,
            member=self.member,
            now=timezone.now(),
            **self.valid(AnswerInput),
        )
        return self.answer(ref, 201)


class JobFaultAnswer(JobFaultView):
    @extend_schema(responses={200: FaultOutput})
    def delete(self, request: Request, ref: str, pk: int) -> Response:
        """Take an answer back: the check counts as not done."""
        answers.undo_answer(
            workshop=self.workshop, ref=ref, answer_id=pk, member=self.member, now=timezone.now()
        )
        return self.answer(ref)


class JobFaultNeeds(JobFaultView):
    @extend_schema(
        request=WantedListInput,
        responses={201: NeedOutput(many=True)},
        examples=[fault_examples.NEEDS],
    )
    def post(self, request: Request, ref: str) -> Response:
        """Make suspects needs of the job, all or none. The stock is searched right after."""
        wanted = [NeedFacts(**one) for one in self.valid(WantedListInput)["needs"]]
        made = needs.make_needs(workshop=self.workshop, ref=ref, wanted=wanted)
        rows = selectors.list_needs(self.workshop).filter(pk__in=[need.pk for need in made])
        return Response(NeedOutput(rows, many=True).data, status=201)


class JobFaultFound(JobFaultView):
    @extend_schema(
        request=FoundInput, responses={201: FaultOutput}, examples=[fault_examples.FOUND]
    )
    def post(self, request: Request, ref: str) -> Response:
        """Say what the fault was. An open job is done by it: its open needs are withdrawn."""
        closing.say_found(
            workshop=self.workshop,
            ref=ref,
            member=self.member,
            now=timezone.now(),
            **self.valid(FoundInput),
        )
        return self.answer(ref, 201)


def _row(view: FaultView, proposed: list[Proposal]) -> dict[str, Any]:
    following = view.next_ask
    return {
        "job_ref": view.job.ref,
        "state": view.job.state,
        "symptom": view.job.symptom,
        "signs": view.signs,
        "rests_on": view.rests_on,
        "suspects": view.suspects,
        "next_check": following.ranked.check.slug if following else "",
        "checks": [_ask(one) for one in view.asks],
        "answers": view.answers,
        "proposed": [_proposal(one) for one in proposed],
        "found": view.found,
        "found_before": view.past_found,
        "several_fitted": view.several_fitted,
    }


def _ask(one: AskView) -> dict[str, Any]:
    return {
        "check": one.ranked.check.slug,
        "do": one.ranked.check.do,
        "minutes": one.ranked.check.minutes,
        "bits": one.ranked.bits,
        "saves_min": one.ranked.saves_min,
        "pays": one.ranked.pays,
        "by_code": one.by_code,
        "cautions": [caution.text for caution in one.cautions],
        "answers": [
            {
                "answer": answer.answer.slug,
                "says": answer.answer.says,
                "then": [{"name": name, "odds": p} for name, p in answer.then],
            }
            for answer in one.answers
        ],
    }


def _proposal(one: Proposal) -> dict[str, Any]:
    stock, best = one.stock, one.stock.best
    return {
        "kind": one.suspect.slug,
        "odds": one.suspect.odds,
        "positions": one.positions,
        "buy_new": one.never,
        "need": one.need.pk if one.need else None,
        "stock": {
            "count": stock.count,
            "held": stock.held,
            "proposed": stock.proposed,
            "part_ref": best.part.ref if best else "",
            "verdict": best.score.verdict.value if best else "",
            "p_fit": best.score.p_fit if best else None,
            "p_good": best.condition.p_good if best else None,
            "held_for": stock.hold.need.job.ref if stock.hold else "",
            "proposed_to": stock.proposal.need.job.ref if stock.proposal else "",
            "proposed_until": stock.proposal.expires_at.isoformat() if stock.proposal else "",
        },
    }
