"""What people are told of a part after they were told of it first. Runs in the dispatcher only.

Each is told once of one test, one scrapping, one failed sister: the database refuses a second row.
"""

from collections.abc import Collection, Iterable, Iterator
from datetime import datetime
from uuid import UUID

from django.db.models import Count

from matching import inbox
from matching.domain.sides import Row
from matching.models import Alert, Hold, Job, Match, Need, Outcome
from matching.recipients import Recipients
from parts.models import BenchTest, Grade, Part
from parts.stock import StockPart
from workshop.models import Member

Told = tuple[Member, Need, int]  # who, of which need, about which part


def tell_of_failures(workshop_id: int, gone: Iterable[StockPart], *, now: datetime) -> int:
    """Tell everyone a part was offered to or held by that it failed its test. Returns how many.

    Before its holds are ended. Jobs that are closed meanwhile are passed over.
    """
    failed = {part.pk: part for part in gone if part.grade == Grade.SCRAP}
    if not failed:
        return 0
    tests = _failed_tests(failed)
    told = {
        (member.pk, need.pk, part): (member, need, part)
        for member, need, part in (*_alerted(workshop_id, failed), *_holding(workshop_id, failed))
    }
    others = _others_offered(workshop_id, {need.pk for _, need, _ in told.values()}, failed)
    return inbox.write(
        [
            _failure(who, failed[who[2]], tests.get(who[2]), others.get(who[1].pk, 0), now)
            for who in told.values()
        ]
    )


def tell_of_sister(workshop_id: int, failed_id: int, *, now: datetime) -> int:
    """Tell who holds, or was fitted, another part of the donor a failed part came from."""
    failed = Part.of(workshop_id).select_related("donor", "kind").get(pk=failed_id)
    flagged = Part.of(workshop_id).filter(
        sister_warnings__failed=failed, sister_warnings__cleared_on__isnull=True
    )
    parts = {part.pk: part for part in flagged.select_related("kind")}
    told = (*_holding(workshop_id, parts), *_fitted(workshop_id, parts))
    return inbox.write([_sister(who, parts[who[2]], failed, now) for who in told])


def _alerted(workshop_id: int, part_ids: Collection[int]) -> Iterator[Told]:
    rows = Alert.of(workshop_id).filter(
        part__in=list(part_ids),
        news=Alert.News.FOUND,
        recipient__active=True,
        need__state=Need.State.OPEN,
        need__job__state=Job.State.OPEN,
    )
    for alert in rows.select_related("recipient", "need__job", "need__kind").order_by("id"):
        if alert.need is not None and alert.part_id is not None:
            yield alert.recipient, alert.need, alert.part_id


def _holding(workshop_id: int, part_ids: Collection[int]) -> Iterator[Told]:
    rows = Hold.of(workshop_id).filter(part__in=list(part_ids), released_at__isnull=True)
    for hold in rows.select_related("held_by", "need__job", "need__kind").order_by("id"):
        if hold.held_by.active:
            yield hold.held_by, hold.need, hold.part_id


def _fitted(workshop_id: int, part_ids: Collection[int]) -> Iterator[Told]:
    """Yield who looks after the machines these parts were fitted to and still work in."""
    rows = Outcome.of(workshop_id).filter(
        part__in=list(part_ids), result=Outcome.Result.WORKED, need__isnull=False
    )
    recipients = Recipients(workshop_id)
    for outcome in rows.select_related("need__job__technician", "need__kind").order_by("id"):
        if outcome.need is not None and outcome.part_id is not None:
            for member in recipients.of(outcome.need.job):
                yield member, outcome.need, outcome.part_id


def _failed_tests(part_ids: Collection[int]) -> dict[int, BenchTest]:
    """Return the failed test each part is graded by; none where a person scrapped it."""
    rows = Part.objects.unscoped().filter(
        pk__in=list(part_ids), grade_test__verdict=BenchTest.Verdict.FAILED
    )
    return {part.pk: part.grade_test for part in rows.select_related("grade_test")}


def _others_offered(
    workshop_id: int, need_ids: Collection[int], but_for: Collection[int]
) -> dict[int, int]:
    """Return how many other parts stand offered to each need."""
    rows = Match.of(workshop_id).filter(need__in=list(need_ids)).exclude(part__in=list(but_for))
    return dict(rows.order_by().values_list("need_id").annotate(Count("id")))


def _failure(
    told: Told, part: StockPart, test: BenchTest | None, others: int, now: datetime
) -> Alert:
    _, need, _ = told
    left = {0: "No other part stands", 1: "One other part stands"}.get(
        others, f"{others} other parts stand"
    )
    fate = "failed its bench test" if test else "was scrapped"
    said = (
        f"{need.job.ref}: {_what(need.kind.name, part.position)} {part.ref} {fate} "
        f"and is no longer offered. {left} offered for this job."
    )
    how = f"{fate} on {test.tested_on}: {test.method}" if test else fate
    news, about = (Alert.News.FAILED, f"test {test.pk}") if test else (Alert.News.GONE, "")
    return _alert(told, (news, about), part.arrival, said, how, now)


def _sister(told: Told, part: Part, failed: Part, now: datetime) -> Alert:
    _, need, _ = told
    donor = failed.donor.ref if failed.donor else "the same machine"
    said = (
        f"{need.job.ref}: {_what(part.kind.name, part.position)} {part.ref} comes from {donor}, "
        f"as does {failed.ref}, which failed after it was fitted: look at it again."
    )
    how = f"{_what(failed.kind.name, failed.position)} {failed.ref} of the same donor failed in use"
    return _alert(told, (Alert.News.SISTER, f"part {failed.pk}"), part.arrival, said, how, now)


def _what(kind: str, position: str) -> str:
    return f"{kind} ({position})" if position else kind


def _alert(
    told: Told,
    news: tuple[Alert.News, str],
    arrival: UUID,
    summary: str,
    because: str,
    now: datetime,
) -> Alert:
    member, need, part_id = told
    return Alert(
        workshop_id=need.workshop_id,
        recipient=member,
        news=news[0],
        about=news[1],
        job=need.job,
        arrival=arrival,
        need=need,
        part_id=part_id,
        summary=summary[:300],
        reasons=[Row("condition", "", 0.0, "", "", because).as_dict()],
        told_at=now,
    )
