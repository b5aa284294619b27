"""API of rule review: propose, read, comment, decide, and see the impact first."""

from typing import Any

from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import impact, ruling, selectors
from matching.api import rule_examples as examples
from matching.api.filters import RuleFilter
from matching.api.serializers import ID
from matching.models import Rule, RuleEntry
from workshop.api import MemberView, filtered, list_schema
from workshop.models import Role

FROM_EVIDENCE = "from evidence"


class RuleInput(serializers.Serializer[Any]):
    """A statement on what fits what. Conditions: make, family, fields, part_numbers,
    built_from, built_to, attributes; what is unknown meets no condition."""

    kind = serializers.SlugField(max_length=40)
    says = serializers.ChoiceField(Rule.Says.choices)
    donor_side = serializers.DictField(required=False, default=dict)
    job_side = serializers.DictField(required=False, default=dict)
    both_ways = serializers.BooleanField(required=False, default=False)
    conditions = serializers.CharField(
        max_length=2000, required=False, default="", allow_blank=True
    )
    evidence = serializers.CharField(max_length=4000, required=False, default="", allow_blank=True)
    source: Any = serializers.CharField(
        max_length=200, required=False, default="", allow_blank=True
    )
    replaces = serializers.IntegerField(required=False, default=None, allow_null=True, **ID)


class NoteInput(serializers.Serializer[Any]):
    note = serializers.CharField(max_length=2000, required=False, default="", allow_blank=True)


class EntryOutput(serializers.ModelSerializer[RuleEntry]):
    by = serializers.SerializerMethodField(help_text="who did it; or: from evidence")

    class Meta:
        model = RuleEntry
        fields = ("act", "by", "at", "note")

    def get_by(self, entry: RuleEntry) -> str:
        return entry.by.user.username if entry.by else FROM_EVIDENCE


class RuleOutput(serializers.ModelSerializer[Rule]):
    kind = serializers.CharField(source="kind_id")
    proposed_by = serializers.SerializerMethodField(help_text="who did; or: from evidence")
    in_words = serializers.SerializerMethodField()
    flagged = serializers.BooleanField(help_text="past fittings contradict it")
    flag = serializers.CharField(allow_blank=True, help_text="how they do")
    from_evidence = serializers.BooleanField()
    decided_by = serializers.CharField(source="decided_by.user.username", default="")
    source: Any = serializers.CharField()

    class Meta:
        model = Rule
        fields = (
            "id",
            "kind",
            "says",
            "donor_side",
            "job_side",
            "both_ways",
            "conditions",
            "evidence",
            "source",
            "in_words",
            "state",
            "replaces",
            "proposed_by",
            "from_evidence",
            "proposed_at",
            "decided_by",
            "decided_at",
            "agree",
            "disagree",
            "counted_at",
            "flagged",
            "flag",
        )

    def get_proposed_by(self, rule: Rule) -> str:
        if rule.from_evidence:
            return FROM_EVIDENCE
        return rule.proposed_by.user.username if rule.proposed_by else ""

    def get_in_words(self, rule: Rule) -> str:
        return ruling.in_words(rule)


class RuleDetailOutput(RuleOutput):
    record = EntryOutput(many=True)

    class Meta(RuleOutput.Meta):
        fields = (*RuleOutput.Meta.fields, "record")  # type: ignore[assignment]


class ChangeOutput(serializers.Serializer[Any]):
    job_ref = serializers.CharField(source="need.job.ref")
    kind = serializers.CharField(source="need.kind_id")
    part_ref = serializers.CharField(source="part.ref")
    p_fit_before = serializers.FloatField(source="without.p_fit")
    p_fit_after = serializers.FloatField(source="having.p_fit")
    verdict_before = serializers.CharField(source="without.verdict")
    verdict_after = serializers.CharField(source="having.verdict")


class ImpactOutput(serializers.Serializer[Any]):
    """What a rule changes: open needs that gain or lose a match (begin or cease to be offered, or
    to be told of; the 200 moved most are listed), how past fittings speak of it (counts and the
    95 % Wilson interval of the share that agree), whom it contradicts."""

    gained = ChangeOutput(many=True)
    lost = ChangeOutput(many=True)
    gained_count = serializers.IntegerField()
    lost_count = serializers.IntegerField()
    agree = serializers.IntegerField()
    disagree = serializers.IntegerField()
    interval = serializers.ListField(child=serializers.FloatField())
    contradicts = serializers.SerializerMethodField()
    flagged = serializers.SerializerMethodField()
    flag = serializers.CharField(allow_blank=True)

    def get_flagged(self, found: impact.Impact) -> bool:
        return bool(found.flag)

    def get_contradicts(self, found: impact.Impact) -> list[int]:
        return [rule.pk for rule in found.contradicts]


class Rules(MemberView):
    role = Role.TECHNICIAN

    @list_schema(RuleOutput, RuleFilter)
    def get(self, request: Request) -> Response:
        """List rules, oldest first unless ordered otherwise.

        `part_number` is compared in canonical form; `text` is looked for as it stands in what
        the rule says in words, its evidence and its source.
        """
        rows = selectors.list_rules(self.workshop)
        return self.pages(filtered(RuleFilter, request, rows), RuleOutput)

    @extend_schema(
        request=RuleInput, responses={201: RuleDetailOutput}, examples=examples.PROPOSING
    )
    def post(self, request: Request) -> Response:
        """Propose a rule. It changes nothing until a reviewer approves it."""
        statement = ruling.Statement(**self.valid(RuleInput))
        rule = ruling.propose_rule(
            workshop=self.workshop, statement=statement, member=self.member, now=timezone.now()
        )
        return Response(_shown(self, rule.pk), status=201)


class RuleDetail(MemberView):
    @extend_schema(responses=RuleDetailOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Return a rule with its record of who did what and when."""
        return Response(_shown(self, pk))


class RuleImpact(MemberView):
    @extend_schema(responses=ImpactOutput, examples=examples.IMPACTS)
    def get(self, request: Request, pk: int) -> Response:
        """Say what a rule would change, before it is approved."""
        rule = ruling.get_rule(self.workshop, pk)
        found = impact.impact_of(rule, on=timezone.localdate())
        return Response(ImpactOutput(found).data)


class CommentRule(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(
        request=NoteInput, responses={201: RuleDetailOutput}, examples=examples.COMMENTING
    )
    def post(self, request: Request, pk: int) -> Response:
        """Add a comment to a rule's record."""
        note = self.valid(NoteInput)["note"]
        ruling.comment_rule(
            workshop=self.workshop, rule_id=pk, member=self.member, note=note, now=timezone.now()
        )
        return Response(_shown(self, pk), status=201)


class _Decision(MemberView):
    role = Role.REVIEWER

    def decide(self, pk: int, act: Any) -> Response:
        act(
            workshop=self.workshop,
            rule_id=pk,
            member=self.member,
            now=timezone.now(),
            note=self.valid(NoteInput)["note"],
        )
        return Response(_shown(self, pk))


class ApproveRule(_Decision):
    @extend_schema(request=NoteInput, responses=RuleDetailOutput, examples=examples.DECIDING)
    def post(self, request: Request, pk: int) -> Response:
        """Put a proposed rule in force. Not one's own, unless the workshop has one member."""
        return self.decide(pk, ruling.approve_rule)


class RejectRule(_Decision):
    @extend_schema(request=NoteInput, responses=RuleDetailOutput, examples=examples.DECIDING)
    def post(self, request: Request, pk: int) -> Response:
        """Turn a proposed rule down."""
        return self.decide(pk, ruling.reject_rule)


class RetireRule(_Decision):
    @extend_schema(request=NoteInput, responses=RuleDetailOutput, examples=examples.DECIDING)
    def post(self, request: Request, pk: int) -> Response:
        """Take an approved rule out of force."""
        return self.decide(pk, ruling.retire_rule)


def _shown(view: MemberView, pk: int) -> Any:
    return RuleDetailOutput(selectors.get_rule_with_record(view.workshop, pk)).data
