"""The page of a machine's build date, for donors and jobs alike."""

from collections.abc import Callable
from datetime import date
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render

from donors.build_readings import CodeAsked
from donors.domain import build_reading
from donors.web.forms import build_code_form
from workshop.errors import DomainError, InputRefused
from workshop.exchange import cells
from workshop.web.forms import posted

Write = Callable[[CodeAsked, bool], Any]


def build_page(request: HttpRequest, machine: Any, *, write: Write, back: str) -> HttpResponse:
    """Show the form for a code; a POST reads it and stores what it may mean.

    write: takes the code and whether a date on record gives way; returns the machine.
    """
    form = build_code_form(machine, posted(request))
    if form.is_bound and form.accepts():
        try:
            dated = write(form.asked(), form.cleaned_data.get("replace", False))
        except DomainError as refused:
            form.refuse(refused)
        else:
            messages.success(request, what_was_read(dated))
            return redirect(back)
    shown = {"form": form, "machine": machine, "back": back}
    return render(request, "donors/build.html", shown, status=form.status)


def what_was_read(machine: Any) -> str:
    """Return in a sentence what became of a code."""
    reading = build_reading.from_json(machine.build_reading)
    if reading is None:
        return "No code is on record."
    if machine.build_known == reading.known and reading.settled:
        return f"Built {reading.settled}, as the code says."
    if reading.settled:
        return f"The code says {reading.settled}; the build date on record stays as it is."
    return f"The code may mean {len(reading.kept)} dates. Choose one, or say what else is known."


def chosen_day(request: HttpRequest) -> date:
    """Return the day a candidate begins on. Raises InputRefused."""
    try:
        return cells.day(request.POST.get("built_from", "").strip())
    except ValueError as bad:
        raise InputRefused("That is none of the candidates. Go back and choose one.") from bad
