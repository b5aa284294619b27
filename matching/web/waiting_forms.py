"""What the job page asks about waiting and keeping the machine, and what it shows of them."""

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from typing import Any

from django import forms
from django.utils import timezone

from donors.models import FailureCause
from matching import keeping, reminders, waits
from matching.faults import causes
from matching.faults.tables import suspect_name
from matching.keeping import Answer
from matching.models import Job, KeepPermission, Need
from matching.promised import best_free
from matching.waiting_odds import Counting, JobOdds, Stocked
from matching.web.rows import NeedRows
from workshop.models import Member
from workshop.web.forms import DayField, PastDayField, PlainForm


class AnswerForm(PlainForm):
    """What the owner said on keeping the machine as a donor."""

    may_keep = forms.ChoiceField(
        required=False,
        choices=keeping.ANSWERS,
        label="May the machine be kept as a donor?",
        help_text="Ask at once: without it the machine goes back.",
    )
    said_by = forms.ChoiceField(
        required=False,
        choices=[("", "choose"), *KeepPermission.SaidBy.choices],
        label="Who said so",
    )
    how = forms.ChoiceField(
        required=False, choices=[("", "choose"), *KeepPermission.How.choices], label="How"
    )
    said_on = PastDayField(required=False, label="On which day", help_text="Blank: today.")

    def answer(self) -> Answer:
        given = self.cleaned_data
        return Answer(
            may_keep=given["may_keep"] or keeping.NOT_ASKED,
            said_by=given["said_by"],
            how=given["how"],
            said_on=given["said_on"],
        )


class KeepForm(PlainForm):
    """Why the machine is scrapped: decides which of its parts are good."""

    cause = forms.ChoiceField(required=False, label="Scrapped for")

    def __init__(
        self, data: Any = None, *, appliance: str, at_fault: str = "", **kwargs: Any
    ) -> None:
        """at_fault: what the job's fault is taken for; its cause stands there to be changed."""
        suggested = causes.suggested_cause(appliance, at_fault)
        super().__init__(data, initial={"cause": suggested}, **kwargs)
        if suggested:
            name = suspect_name(at_fault, appliance)
            self.fields["cause"].help_text = f"Suggested by the fault: {name.lower()}."
        rows = FailureCause.objects.filter(appliance=appliance).order_by("id")
        known = [(cause.slug, cause.name) for cause in rows]
        self.fields["cause"].choices = [("", "not known"), *known]  # type: ignore[attr-defined]


class WaitForm(PlainForm):
    """Another end of the wait, later or sooner."""

    wait_until = DayField(label="Wait until")


def answer_form(data: Any = None) -> AnswerForm:
    return AnswerForm(data, auto_id="answer_%s", initial={"may_keep": keeping.NOT_ASKED})


def keep_form(job: Job, data: Any = None, *, at_fault: str = "") -> KeepForm:
    return KeepForm(data, appliance=job.appliance_id, at_fault=at_fault, auto_id="keep_%s")


def wait_form(job: Job, data: Any = None, *, now: datetime) -> WaitForm:
    today = timezone.localdate(now)
    later = today + timedelta(days=min(job.workshop.wait_days, waits.MOST_DAYS_AHEAD))
    return WaitForm(data, auto_id="wait_%s", initial={"wait_until": later})


def odds_of(job: Job, rows: Sequence[NeedRows], *, on: date) -> JobOdds | None:
    """Return the odds of waiting as the job page states them; None when it waits for nothing."""
    needs = [row.need for row in rows if row.need.state == Need.State.OPEN]
    if job.state != Job.State.OPEN or not needs:
        return None
    for need in needs:
        need.job = job
    end = waits.end_of(job, wait_days=job.workshop.wait_days)
    days = (end - on).days if end > on else job.workshop.wait_days
    best = best_free(job.workshop_id, [need.pk for need in needs], most=1)
    stocked = Stocked({pk: found[0].worth for pk, found in best.items() if found})
    return Counting(job.workshop_id, on=on).odds(needs, stocked, days=days)


def waiting_context(
    member: Member,
    job: Job,
    rows: Sequence[NeedRows],
    tried: Mapping[str, PlainForm],
    *,
    now: datetime,
    at_fault: str = "",
) -> dict[str, Any]:
    """Return what the job page shows of its wait and of keeping it. tried: refused forms."""
    job.workshop = member.workshop
    today = timezone.localdate(now)
    permission, kept = keeping.find_permission(job), keeping.find_kept(job)
    extensions = waits.list_extensions(job)
    last = extensions[-1].extended_on if extensions else None
    why = keeping.why_not_kept(job, permission, kept)
    open_ = job.state == Job.State.OPEN
    return {
        "permission": permission,
        "kept": kept,
        "why_not_kept": why,
        "not_in_writing": keeping.NOT_IN_WRITING,
        "may_be_asked": not keeping.why_not_asked(job, kept),
        "answer_form": tried.get("answer") or answer_form(),
        "keep_form": None if why else tried.get("keep") or keep_form(job, at_fault=at_fault),
        "wait_form": (tried.get("wait") or wait_form(job, now=now)) if open_ else None,
        "wait_ends": waits.end_of(job, wait_days=member.workshop.wait_days),
        "wait_over": waits.is_over(job, on=today, wait_days=member.workshop.wait_days),
        "next_review": reminders.waiting_of(job, last).next_after(today) if open_ else None,
        "extensions": extensions,
        "odds": odds_of(job, rows, on=today),
        "tried": bool(tried),
    }
