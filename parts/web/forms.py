"""Forms on parts."""

from collections import defaultdict
from typing import Any

from django import forms

from donors.web.forms import CODE
from parts import selectors
from parts.models import Grade, Part, PartKind
from parts.services import PartFacts
from workshop.web.forms import (
    AttributesField,
    FilterForm,
    LongText,
    MoneyField,
    PastDayField,
    PlainForm,
    choices_with_any,
)

GROUPS = {"electronics": "Electronics", "wear": "Moving and wearing", "other": "Everything else"}


def reusable_kind_choices() -> list[tuple[str, list[tuple[str, str]]]]:
    """Return the kinds that may be reused, grouped by what they are made of."""
    groups: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for kind in selectors.list_kinds():
        if kind.reuse != PartKind.Reuse.NEVER:
            groups[GROUPS.get(kind.component_class, "Everything else")].append(
                (kind.slug, kind.name)
            )
    return [(name, groups[name]) for name in GROUPS.values() if groups[name]]


class DescribeForm(PlainForm):
    """What is noted about a part."""

    part_number = forms.CharField(
        required=False,
        max_length=80,
        label="Part number as printed",
        widget=forms.TextInput(attrs=CODE),
    )
    attributes = AttributesField(required=False)
    bin = forms.CharField(
        required=False, max_length=40, help_text="A part with a bin counts as shelved."
    )
    price = MoneyField(required=False, help_text="Such as 12.50 or 12,50.")
    note = LongText(required=False, rows=2)

    def facts(self) -> PartFacts:
        given = self.cleaned_data
        return PartFacts(
            part_number=given["part_number"],
            attributes=given["attributes"],
            bin=given.get("bin"),
            price_cents=given["price"],
            clear_price=given["price"] is None,
            note=given["note"],
        )


def describe_form(part: Part, data: Any = None) -> DescribeForm:
    """Return the form filled with what is known; a part in its machine has no bin yet."""
    known = {
        "part_number": part.part_number,
        "attributes": part.attributes,
        "bin": part.bin,
        "price": part.price_cents,
        "note": part.note,
    }
    form = DescribeForm(data, initial=known, auto_id="describe_%s")
    names = [one["name"] for one in part.kind.attributes]
    if names:
        form.fields["attributes"].help_text += f" For this kind: {', '.join(names)}."
    if part.state == Part.State.IN_MACHINE:
        del form.fields["bin"]
    return form


class RemoveForm(PlainForm):
    """Taking a part out of its machine."""

    removed_on = PastDayField(label="Taken out on")
    bin = forms.CharField(
        required=False, max_length=40, help_text="Blank when it is not put away yet."
    )

    def facts(self) -> PartFacts:
        return PartFacts(bin=self.cleaned_data["bin"])


class LoosePartForm(DescribeForm):
    """A part that came without its machine."""

    field_order = ("kind", "position", "received_on")

    kind = forms.ChoiceField(help_text="Kinds that are never reused are not offered.")
    position = forms.CharField(
        required=False, max_length=40, help_text="Which of two, such as left or lower."
    )
    received_on = PastDayField(label="Received on")

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["kind"].choices = [("", "choose"), *reusable_kind_choices()]  # type: ignore[attr-defined]


class BinFilter(FilterForm):
    begins = forms.CharField(
        required=False,
        max_length=40,
        label="Bins that begin with",
        help_text="Such as A for a whole rack. Blank: all.",
    )


class PartFilter(FilterForm):
    text = forms.CharField(
        required=False, max_length=80, label="Reference, code, part number or bin"
    )
    kind = forms.ChoiceField(required=False)
    grade = forms.ChoiceField(required=False, choices=choices_with_any(Grade.choices))
    state = forms.ChoiceField(required=False, choices=choices_with_any(Part.State.choices))

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        kinds = [(kind.slug, kind.name) for kind in selectors.list_kinds()]
        self.fields["kind"].choices = choices_with_any(kinds)  # type: ignore[attr-defined]
