"""API of rule review: propose, read, comment, decide, and see the impact first."""

from typing import Any

import django_filters as filters
from django.utils import timezone
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.request import Request
from rest_framework.response import Response

from matching import impact, ruling, selectors
from matching.api.serializers import ID
from matching.models import Rule, RuleEntry
from workshop.api import MemberView, filtered, list_schema
from workshop.models import Role


class RuleFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=Rule.State.choices)
    says = filters.ChoiceFilter(choices=Rule.Says.choices)
    kind = filters.CharFilter(field_name="kind_id")


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
    by = serializers.CharField(source="by.user.username")

    class Meta:
        model = RuleEntry
        fields = ("act", "by", "at", "note")


class RuleOutput(serializers.ModelSerializer[Rule]):
    kind = serializers.CharField(source="kind_id")
    proposed_by = serializers.CharField(source="proposed_by.user.username", default="")
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
            "state",
            "replaces",
            "proposed_by",
            "proposed_at",
            "decided_by",
            "decided_at",
        )


class RuleDetailOutput(RuleOutput):
    record = EntryOutput(many=True)

    class Meta(RuleOutput.Meta):
        fields = (*RuleOutput.Meta.fields, "record")  # type: ignore[assignment]


class ChangeOutput(serializers.Serializer[Any]):
    job_ref = serializers.CharField(source="need.job.ref")
    kind = serializers.CharField(source="need.kind_id")
    part_ref = serializers.CharField(source="part.ref")
    p_fit_before = serializers.FloatField(source="before")
    p_fit_after = serializers.FloatField(source="after")


class ImpactOutput(serializers.Serializer[Any]):
    """What a rule changes: open needs that gain or lose a match, how past fittings speak of it
    (counts and the 95 % Wilson interval of the share that agree), whom it contradicts."""

    gained = ChangeOutput(many=True)
    lost = ChangeOutput(many=True)
    agree = serializers.IntegerField()
    disagree = serializers.IntegerField()
    interval = serializers.ListField(child=serializers.FloatField())
    contradicts = serializers.SerializerMethodField()

    def get_contradicts(self, found: impact.Impact) -> list[int]:
        return [rule.pk for rule in found.contradicts]


class Rules(MemberView):
    role = Role.TECHNICIAN

    @list_schema(RuleOutput, RuleFilter)
    def get(self, request: Request) -> Response:
        """List rules, oldest first."""
        rows = selectors.list_rules(self.workshop)
        return self.pages(filtered(RuleFilter, request, rows), RuleOutput)

    @extend_schema(request=RuleInput, responses={201: RuleDetailOutput})
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
    @extend_schema(responses=ImpactOutput)
    def get(self, request: Request, pk: int) -> Response:
        """Say what a rule would change, before it is approved."""
        rule = ruling.get_rule(self.workshop, pk)
        found = impact.impact_of(rule, on=timezone.localdate())
        return Response(ImpactOutput(found).data)


class CommentRule(MemberView):
    role = Role.TECHNICIAN

    @extend_schema(request=NoteInput, responses={201: RuleDetailOutput})
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
    @extend_schema(request=NoteInput, responses=RuleDetailOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Put a proposed rule in force. Not one's own, unless the workshop has one member."""
        return self.decide(pk, ruling.approve_rule)


class RejectRule(_Decision):
    @extend_schema(request=NoteInput, responses=RuleDetailOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Turn a proposed rule down."""
        return self.decide(pk, ruling.reject_rule)


class RetireRule(_Decision):
    @extend_schema(request=NoteInput, responses=RuleDetailOutput)
    def post(self, request: Request, pk: int) -> Response:
        """Take an approved rule out of force."""
        return self.decide(pk, ruling.retire_rule)


def _shown(view: MemberView, pk: int) -> Any:
    ruling.get_rule(view.workshop, pk)
    rows = selectors.list_rules(view.workshop).prefetch_related("record__by__user")
    return RuleDetailOutput(rows.get(pk=pk)).data
