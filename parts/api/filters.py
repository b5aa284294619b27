"""?field=value filters of donors and parts.

Filters are declared one by one: private models refuse the unscoped look the library would
otherwise take at them.
"""

import django_filters as filters

from donors.models import Donor
from parts.models import Grade, Part


class DonorFilter(filters.FilterSet):
    appliance = filters.CharFilter(field_name="appliance_id")
    make = filters.CharFilter(field_name="make__name")
    state = filters.ChoiceFilter(choices=Donor.State.choices)
    family = filters.CharFilter()
    received_from = filters.DateFilter(field_name="received_on", lookup_expr="gte")
    received_to = filters.DateFilter(field_name="received_on", lookup_expr="lte")


class PartFilter(filters.FilterSet):
    short_code = filters.CharFilter()
    kind = filters.CharFilter(field_name="kind_id")
    donor = filters.CharFilter(field_name="donor__ref")
    state = filters.ChoiceFilter(choices=Part.State.choices)
    grade = filters.ChoiceFilter(choices=Grade.choices)
    bin = filters.CharFilter()
    part_number = filters.CharFilter()
