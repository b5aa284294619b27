"""Filters every list of the API shares."""

from typing import Any

import django_filters as filters
from django import forms
from django.core.exceptions import ValidationError

MEANT = {"true": True, "1": True, "false": False, "0": False}


class YesNoField(forms.CharField):
    """true or false, in letters of any case, or 1 or 0; None when left out."""

    def to_python(self, value: Any) -> Any:
        text = (super().to_python(value) or "").lower()
        if text and text not in MEANT:
            raise ValidationError(f"{value!r} is neither true nor false.")
        return MEANT.get(text)


class YesNoFilter(filters.Filter):
    """A filter by yes or no. (BooleanFilter takes nonsense for nothing asked.)"""

    field_class = YesNoField
