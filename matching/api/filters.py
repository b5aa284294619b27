"""?field=value filters of jobs, needs, matches, holds and alerts."""

from typing import Any

import django_filters as filters
from django.db.models import Q, QuerySet
from django.utils import timezone
from rest_framework.exceptions import ValidationError

from donors.domain.model_numbers import canonical
from matching import job_search
from matching.models import VERDICTS, Alert, Delivery, Need, Rule
from matching.waits import over_by
from workshop.filters import YesNoFilter
from workshop.members import require

Rules = QuerySet[Any]


class JobFilter(filters.FilterSet):
    """`text`: reference, own number, make, model number in any writing, words of the symptom."""

    text = filters.CharFilter(method="by_text", max_length=80)
    state = filters.ChoiceFilter(choices=job_search.STATES, method="by_state")
    whose = filters.ChoiceFilter(choices=job_search.WHOSE, method="by_whose")
    own_number = filters.CharFilter(lookup_expr="iexact", max_length=40)
    appliance = filters.CharFilter(field_name="appliance_id")
    technician = filters.NumberFilter(field_name="technician_id", min_value=0, max_value=2**62)
    wait_over = YesNoFilter(method="by_wait")

    def by_text(self, rows: Rules, name: str, value: str) -> Rules:
        return job_search.naming(rows, value)

    def by_state(self, rows: Rules, name: str, value: str) -> Rules:
        return job_search.in_state(rows, value)

    def by_whose(self, rows: Rules, name: str, value: str) -> Rules:
        return job_search.of_whom(rows, value, require(self.request))

    def by_wait(self, rows: Rules, name: str, value: bool | None) -> Rules:
        if value is None:
            return rows
        over = over_by(require(self.request).workshop, timezone.localdate())
        return rows.filter(over) if value else rows.exclude(over)


class NeedFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=Need.State.choices)
    kind = filters.CharFilter(field_name="kind_id")
    job = filters.CharFilter(field_name="job__ref")


class MatchFilter(filters.FilterSet):
    job = filters.CharFilter(field_name="need__job__ref")
    part = filters.CharFilter(field_name="part__ref")
    kind = filters.CharFilter(field_name="need__kind_id")
    verdict = filters.ChoiceFilter(choices=VERDICTS)
    p_fit_from = filters.NumberFilter(
        field_name="p_fit", lookup_expr="gte", min_value=0, max_value=1
    )


class HoldFilter(filters.FilterSet):
    standing = YesNoFilter(field_name="released_at", lookup_expr="isnull")
    job = filters.CharFilter(field_name="need__job__ref")


class AlertFilter(filters.FilterSet):
    unread = YesNoFilter(field_name="read_at", lookup_expr="isnull")
    verdict = filters.ChoiceFilter(choices=VERDICTS)
    news = filters.ChoiceFilter(choices=Alert.News.choices)
    job = filters.CharFilter(field_name="job__ref")


class DeliveryFilter(filters.FilterSet):
    given_up = YesNoFilter(field_name="dead_at", lookup_expr="isnull", exclude=True)
    webhook = filters.NumberFilter(field_name="endpoint_id", min_value=0, max_value=2**62)
    channel = filters.ChoiceFilter(choices=Delivery.Channel.choices)


class RuleFilter(filters.FilterSet):
    """`make`, `family` and `part_number` look on both sides of a rule."""

    kind = filters.CharFilter(field_name="kind_id")
    state = filters.MultipleChoiceFilter(choices=Rule.State.choices)
    says = filters.ChoiceFilter(choices=Rule.Says.choices)
    make = filters.CharFilter(method="on_either_side")
    family = filters.CharFilter(method="on_either_side")
    part_number = filters.CharFilter(method="with_number")
    flagged = YesNoFilter(method="not_blank")
    from_evidence = YesNoFilter(method="not_blank")
    text = filters.CharFilter(method="in_its_words", max_length=200)
    ordering = filters.OrderingFilter(
        fields=("id", "proposed_at", "decided_at", "counted_at", "disagree", "agree", "kind")
    )

    def on_either_side(self, rows: Rules, name: str, value: str) -> Rules:
        return rows.filter(Q(**{f"donor_side__{name}": value}) | Q(**{f"job_side__{name}": value}))

    def with_number(self, rows: Rules, name: str, value: str) -> Rules:
        key = canonical(value)
        if not key:
            raise ValidationError({name: f"{value!r} is no part number."})
        return rows.filter(numbers_key__contains=f"|{key}|")

    def not_blank(self, rows: Rules, name: str, value: bool) -> Rules:
        blank = Q(**{{"flagged": "flag", "from_evidence": "basis"}[name]: ""})
        return rows.filter(~blank if value else blank)

    def in_its_words(self, rows: Rules, name: str, value: str) -> Rules:
        return rows.filter(words__contains=value.casefold())

    def filter_queryset(self, queryset: Rules) -> Rules:
        """End every order in the id, so that pages neither repeat a row nor lose one."""
        rows: Rules = super().filter_queryset(queryset)
        return rows.order_by(*rows.query.order_by, "id")
