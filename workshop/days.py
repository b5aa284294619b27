"""Days people state: inside the years a household machine can have."""

from datetime import date

from workshop.domain import spans
from workshop.domain.intervals import Interval
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused

FIRST_YEAR, LAST_YEAR = 1950, 2100
MOST_YEARS_BACK = 5  # our own choice: what began longer ago is a slip of the pen


def refuse_implausible(**stated: date | None) -> None:
    """Raise InputRefused naming the first day outside the years 1950 to 2100."""
    for name, day in stated.items():
        if day is not None and not FIRST_YEAR <= day.year <= LAST_YEAR:
            raise InputRefused(
                f"The day {day} lies outside the years {FIRST_YEAR} to {LAST_YEAR}.",
                fields={name: f"{day} lies outside {FIRST_YEAR} to {LAST_YEAR}."},
            )


def refuse_long_ago(day: date, *, field: str, today: date) -> None:
    """Raise InputRefused for a day ahead of today, or more than MOST_YEARS_BACK years before."""
    if day > today:
        words = f"{day} lies ahead of today, {today}."
    elif (today.year - day.year, (today.month, today.day)) > (
        MOST_YEARS_BACK,
        (day.month, day.day),
    ):
        words = f"{day} lies more than {MOST_YEARS_BACK} years back. Look at the year."
    else:
        return
    raise InputRefused(f"The day cannot be right: {words}", fields={field: words})


def read_span(text: str, *, field: str) -> Interval | None:
    """Return the days a year, month or day stands for; None when blank. Raises InputRefused."""
    try:
        return spans.read_span(text, field=field)
    except ValueRefused as bad:
        raise InputRefused(f"{str(bad).capitalize()}.", fields=bad.fields) from bad
