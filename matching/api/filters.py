"""?field=value filters of jobs, needs, matches, holds and alerts."""

import django_filters as filters

from matching.models import VERDICTS, Job, Need


class JobFilter(filters.FilterSet):
    state = filters.ChoiceFilter(choices=Job.State.choices)
    appliance = filters.CharFilter(field_name="appliance_id")
    technician = filters.NumberFilter(field_name="technician_id", min_value=0, max_value=2**62)


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
    standing = filters.BooleanFilter(field_name="released_at", lookup_expr="isnull")
    job = filters.CharFilter(field_name="need__job__ref")


class AlertFilter(filters.FilterSet):
    unread = filters.BooleanFilter(field_name="read_at", lookup_expr="isnull")
    verdict = filters.ChoiceFilter(choices=VERDICTS)
