"""What every form of the site shares. Forms check shape; services decide."""

from collections.abc import Mapping
from typing import Any

from django import forms
from django.core.exceptions import ValidationError
from django.forms.utils import ErrorDict
from django.http import HttpRequest, QueryDict
from django.utils import timezone

from workshop.domain import money
from workshop.errors import DomainError
from workshop.exchange import cells

# What Django says of a field, in our words; what a form says itself stays.
_PLAIN_WORDS: dict[type[forms.Field], dict[str, str]] = {
    forms.Field: {
        "required": "Fill this in.",
        "max_length": "At most %(limit_value)d characters; this has %(show_value)d.",
        "min_length": "At least %(limit_value)d characters; this has %(show_value)d.",
        "max_value": "At most %(limit_value)s.",
        "min_value": "At least %(limit_value)s.",
        "null_characters_not_allowed": "A character in it cannot be read; type it again.",
    },
    forms.CharField: {"invalid": "This cannot be read; look at it again."},
    forms.IntegerField: {"invalid": "Give a whole number, such as 12."},
    forms.FloatField: {"invalid": "Give a number, such as 12.5."},
    forms.DecimalField: {"invalid": "Give a number, such as 12.5."},
    forms.DateField: {"invalid": "Give a day, such as 2026-03-31."},
    forms.DateTimeField: {"invalid": "Give a day and a time, such as 2026-03-31 14:00."},
    forms.EmailField: {"invalid": "Give an e-mail address, such as name@example.org."},
    forms.URLField: {"invalid": "Give an address that begins with https://."},
    forms.ChoiceField: {
        "required": "Choose one.",
        "invalid_choice": "%(value)s is none of the choices; choose one of them.",
    },
    forms.ModelChoiceField: {
        "required": "Choose one.",
        "invalid_choice": "That is none of the choices; choose one of them.",
    },
    forms.MultipleChoiceField: {
        "required": "Choose at least one.",
        "invalid_choice": "%(value)s is none of the choices; choose among them.",
    },
    forms.FileField: {
        "required": "Choose a file.",
        "missing": "Choose a file.",
        "empty": "The file is empty.",
    },
}


def say_plainly(form: forms.BaseForm) -> None:
    """Have a form's fields refuse in plain words where only Django's own would be said."""
    for field in form.fields.values():
        own: dict[str, Any] = {}
        plain: dict[str, str] = {}
        for kind in reversed(type(field).__mro__):
            plain |= _PLAIN_WORDS.get(kind, {})
            if kind.__module__.startswith("django."):
                own |= vars(kind).get("default_error_messages", {})
        for code, words in plain.items():
            said = field.error_messages.get(code)
            if said is None or said == own.get(code):
                field.error_messages[code] = words


LOOK_AGAIN = "Nothing was stored. Look at the marked fields, then send the form again."


def posted(request: HttpRequest) -> QueryDict | None:
    """Return what was typed, None when the form is only opened. An empty POST counts as typed."""
    return request.POST if request.method == "POST" else None


class PlainForm(forms.Form):
    """A form whose refusals, its own or a service's, are shown in place with what was typed.

    `fields_of_service` maps a service's name of an input to the field that holds it here.
    """

    fields_of_service: Mapping[str, str] = {}
    status = 200

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        super().__init__(*args, **kwargs)

    def full_clean(self) -> None:
        say_plainly(self)  # here: some fields are added after the form was made
        super().full_clean()

    def accepts(self) -> bool:
        """Return True when the shape is right; else mark the form as refused with 400."""
        if self.is_valid():
            return True
        self.status = 400
        if not self.non_field_errors():
            self.add_error(None, LOOK_AGAIN)
        return False

    def show_again(self, refused: DomainError | None = None) -> None:
        """Show what was typed without judging it: it was not sent to be stored."""
        self._errors = ErrorDict()
        self.cleaned_data: dict[str, Any] = {}
        if refused is not None:
            self.refuse(refused)

    def refuse(self, error: DomainError) -> None:
        """Show what a service refused: the sentence on top, each field's message beside it."""
        self.status = error.status
        self.add_error(None, error.message)
        for name, message in error.fields.items():
            here = self.fields_of_service.get(name, name)
            if here in self.fields:
                self.add_error(here, message)


def _cell(parse: Any, text: str, what: str) -> Any:
    try:
        return parse(text)
    except ValueError as bad:
        raise ValidationError(f"{what} {bad}.") from bad


class DayField(forms.DateField):
    """A calendar date, written 2026-03-31 when the browser offers no calendar."""

    widget = forms.DateInput

    def __init__(self, **kwargs: Any) -> None:
        widget = forms.DateInput(format="%Y-%m-%d", attrs={"type": "date"})
        kwargs.setdefault("widget", widget)
        super().__init__(**kwargs)

    def to_python(self, value: Any) -> Any:
        if not isinstance(value, str):
            return super().to_python(value)
        return _cell(cells.day, value.strip(), f"{value!r}") if value.strip() else None


class PastDayField(DayField):
    """A day on which something has happened: today or before."""

    def clean(self, value: Any) -> Any:
        day = super().clean(value)
        if day is not None and day > timezone.localdate():
            raise ValidationError(f"{day} lies ahead; say the day it happened.")
        return day


class MoneyField(forms.CharField):
    """An amount like 12.50 or 12,50, as whole cents; None when blank."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.TextInput(attrs={"inputmode": "decimal", "size": 9}))
        super().__init__(max_length=20, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        if not text:
            return None
        try:
            return money.read_amount(text)
        except ValueError as bad:
            raise ValidationError(f"{bad}.") from bad

    def prepare_value(self, value: Any) -> Any:
        return money.to_text(value) if isinstance(value, int) else value


class AttributesField(forms.CharField):
    """name=value;name=value, as a dict; {} when blank."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.setdefault("help_text", "Written as name=value;name=value, such as mount=bayonet.")
        super().__init__(max_length=2000, **kwargs)

    def clean(self, value: Any) -> Any:
        text = super().clean(value)
        return _cell(cells.attributes, text, "This") if text else {}

    def prepare_value(self, value: Any) -> Any:
        return cells.attributes_text(value) if isinstance(value, dict) else value


class WordsField(forms.CharField):
    """Words separated by |, each at most `longest` characters; [] when blank."""

    def __init__(self, *, longest: int = 80, **kwargs: Any) -> None:
        self.longest = longest
        super().__init__(max_length=2000, **kwargs)

    def clean(self, value: Any) -> Any:
        words = cells.word_list(super().clean(value) or "")
        for word in words:
            if len(word) > self.longest:
                raise ValidationError(f"{word[:20]}… is longer than {self.longest} characters.")
        return words


class LongText(forms.CharField):
    """Several lines."""

    def __init__(self, *, rows: int = 3, **kwargs: Any) -> None:
        kwargs.setdefault("max_length", 4000)
        super().__init__(widget=forms.Textarea(attrs={"rows": rows}), **kwargs)


class FilterForm(forms.Form):
    """A list's filters, read from the address. What makes no sense filters nothing."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        kwargs.setdefault("label_suffix", "")
        kwargs.setdefault("use_required_attribute", False)
        super().__init__(*args, **kwargs)

    def full_clean(self) -> None:
        say_plainly(self)
        super().full_clean()

    def chosen(self) -> dict[str, Any]:
        """Return every field's value; "" for what was left out or cannot be used."""
        self.is_valid()
        return {name: self.cleaned_data.get(name) or "" for name in self.fields}


def choices_with_any(choices: Any, label: str = "any") -> list[tuple[str, Any]]:
    """Return choices for a filter, led by the one that filters nothing."""
    return [("", label), *choices]
