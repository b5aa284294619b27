"""The page that shows what is believed of parts before they are tested, and on what grounds."""

from django import forms
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from donors.models import Appliance
from parts.survival_table import survival_table
from workshop.models import Member
from workshop.web.forms import FilterForm
from workshop.web.gate import for_member


class SurvivalFilter(FilterForm):
    appliance = forms.ChoiceField(required=False)
    age = forms.IntegerField(required=False, min_value=0, max_value=80, label="Age in years")

    def __init__(self, *args: object, **kwargs: object) -> None:
        super().__init__(*args, **kwargs)
        found = Appliance.objects.order_by("name").values_list("slug", "name")
        self.fields["appliance"].choices = list(found)  # type: ignore[attr-defined]


@for_member()
def survival_page(request: HttpRequest, member: Member) -> HttpResponse:
    form = SurvivalFilter(request.GET or None, initial={"appliance": "washing-machine"})
    chosen = form.chosen() if form.is_bound else {}
    age = chosen.get("age")
    table = survival_table(
        member.workshop,
        appliance=chosen.get("appliance") or "washing-machine",
        age_years=None if age in ("", None) else float(age),
        on=timezone.localdate(timezone.now()),
    )
    return render(request, "parts/survival.html", {"form": form, "table": table})
