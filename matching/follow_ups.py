"""What people are told of a part after they were told of it first. Runs in the dispatcher only.

Found, then proved or failed on the bench (and proved again), held for another job and free again,
gone, and back again. Each is told once of one test, one hold, one leaving, one failed sister:
the database refuses a second row. Who does something need not be told of it: holder and job of
a hold are left out.
"""

from collections.abc import Collection, Iterable, Iterator
from datetime import datetime
from typing import Any
from uuid import UUID

from django.db.models import Count, F, QuerySet
from django.utils import timezone

from matching import inbox
from matching.domain.sides import Row
from matching.models import Alert, Hold, Job, Match, Need, Outcome
from matching.recipients import Recipients
from parts.models import AVAILABLE, BenchTest, Grade, Part
from parts.stock import StockPart
from workshop.models import Member

Told = tuple[Member, Need, int]  # who, of which need, about which part
FATES: dict[str, str] = {
    Part.State.SOLD: "was sold",
    Part.State.FITTED: "was fitted for another job",
}


def tell_of_proved(workshop_id: int, there: Iterable[StockPart], *, now: datetime) -> int:
    """Tell everyone a part was offered to before that it passed its test. Returns how many.

    Once until it fails: a second good test of a part known to be good changes nothing. Whom it
    was offered to as tested already is told nothing new.
    """
    good = {part.pk: part for part in there if part.grade == Grade.TESTED_GOOD}
    tests = _tests(good, BenchTest.Verdict.GOOD)
    told = {
        (member.pk, need.pk, part): (member, need, part)
        for member, need, part in _alerted(
            workshop_id, list(tests), told_at__lt=F("part__grade_test__recorded_at")
        )
    }
    latest = _latest_of(workshop_id, list(tests), [Alert.News.PROVED, Alert.News.FAILED])
    return inbox.write(
        [
            _proved(who, good[who[2]], tests[who[2]], now)
            for key, who in told.items()
            if latest.get(key) != Alert.News.PROVED
        ]
    )


def tell_of_hold(workshop_id: int, hold_id: int, *, now: datetime) -> int:
    """Tell the others a part was offered to that it is held now. Returns how many.

    Nobody is told of a hold that ended before anybody was told.
    """
    rows = Hold.of(workshop_id).filter(pk=hold_id, released_at__isnull=True)
    hold = rows.select_related("part__kind", "need__job", "held_by__user").first()
    if hold is None:
        return 0
    others = [
        told
        for told in _alerted(workshop_id, [hold.part_id])
        if told[1].pk != hold.need_id and told[0].pk != hold.held_by_id
    ]
    return inbox.write([_held(told, hold, now) for told in others])


def tell_of_freed(workshop_id: int, hold_ids: Collection[int], *, now: datetime) -> int:
    """Tell who was told of a hold that the part is free again. Returns how many.

    Parts held again meanwhile, or gone, are passed over: that is told by itself.
    """
    ended = Hold.of(workshop_id).filter(
        pk__in=list(hold_ids), released_at__isnull=False, part__state__in=AVAILABLE
    )
    held_again = Hold.of(workshop_id).filter(released_at__isnull=True).values("part")
    rows = ended.exclude(part__in=held_again).exclude(part__grade=Grade.SCRAP)
    about = {f"hold {hold.pk}": hold for hold in rows.select_related("part__kind")}
    told = Alert.of(workshop_id).filter(
        news=Alert.News.HELD,
        about__in=list(about),
        recipient__active=True,
        need__state=Need.State.OPEN,
        need__job__state=Job.State.OPEN,
    )
    read = told.select_related("recipient", "need__job", "need__kind").order_by("id")
    return inbox.write([_freed(alert, about[alert.about], now) for alert in read])


def tell_of_back(workshop_id: int, there: Iterable[StockPart], *, now: datetime) -> int:
    """Tell who was told that a part has gone that it is there again. Returns how many.

    Parts held meanwhile are passed over: that, and its end, are told by themselves.
    """
    back = {part.pk: part for part in there}
    rows = _waiting(workshop_id, back).filter(news__in=[Alert.News.GONE, Alert.News.FREE])
    held = Hold.of(workshop_id).filter(part__in=list(back), released_at__isnull=True)
    rows = rows.exclude(part__in=held.values("part"))
    latest = {
        (one.recipient_id, one.need_id, one.part_id): one for one in rows.order_by("told_at", "id")
    }
    return inbox.write(
        [
            _back(one, back[one.part_id], now)
            for one in latest.values()
            if one.news == Alert.News.GONE and one.part_id is not None
        ]
    )


def tell_of_failures(workshop_id: int, gone: Iterable[StockPart], *, now: datetime) -> int:
    """Tell everyone a part was offered to or held by that it failed its test, or has gone.

    Before its holds are ended. Jobs that are closed meanwhile, and the one it went to, are
    passed over. Returns how many.
    """
    failed = {part.pk: part for part in gone}
    if not failed:
        return 0
    tests = _tests(
        [pk for pk, part in failed.items() if part.grade == Grade.SCRAP], BenchTest.Verdict.FAILED
    )
    told = {
        (member.pk, need.pk, part): (member, need, part)
        for member, need, part in (*_alerted(workshop_id, failed), *_holding(workshop_id, failed))
    }
    fittings = _fittings(workshop_id, failed)
    others = _others_offered(workshop_id, {need.pk for _, need, _ in told.values()}, failed)
    return inbox.write(
        [
            _failure(
                who,
                failed[who[2]],
                tests.get(who[2]),
                leaving=fittings.get(who[2]) or failed[who[2]].state,
                others=others.get(who[1].pk, 0),
                now=now,
            )
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


def _waiting(workshop_id: int, part_ids: Collection[int]) -> QuerySet[Alert]:
    """Return what was told of these parts to who still waits for one."""
    rows: QuerySet[Alert] = Alert.of(workshop_id).filter(
        part__in=list(part_ids),
        recipient__active=True,
        need__state=Need.State.OPEN,
        need__job__state=Job.State.OPEN,
    )
    return rows.select_related("recipient", "need__job", "need__kind")


def _alerted(workshop_id: int, part_ids: Collection[int], **told: Any) -> Iterator[Told]:
    """Yield whom these parts were offered to. told: what else the alert has to be."""
    rows = _waiting(workshop_id, part_ids).filter(news=Alert.News.FOUND, **told)
    for alert in rows.order_by("id"):
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


def _tests(part_ids: Collection[int], verdict: BenchTest.Verdict) -> dict[int, BenchTest]:
    """Return the test of this verdict each part is graded by; none where a person graded it."""
    if not part_ids:
        return {}
    rows = Part.objects.unscoped().filter(pk__in=list(part_ids), grade_test__verdict=verdict)
    return {part.pk: part.grade_test for part in rows.select_related("grade_test")}


def _fittings(workshop_id: int, part_ids: Collection[int]) -> dict[int, str]:
    """Return by which fitting each part was used up; none where it left by hand."""
    rows = Outcome.of(workshop_id).filter(part__in=list(part_ids))
    used_up = rows.exclude(result=Outcome.Result.DID_NOT_FIT).order_by("id")
    return {part: f"outcome {pk}" for part, pk in used_up.values_list("part_id", "pk")}


def _latest_of(
    workshop_id: int, part_ids: Collection[int], news: Collection[str]
) -> dict[tuple[int, int, int], str]:
    """Return the latest of these kinds of news by recipient, need and part."""
    rows = Alert.of(workshop_id).filter(part__in=list(part_ids), news__in=list(news))
    read = rows.order_by("told_at").values_list("recipient_id", "need_id", "part_id", "news")
    return {(who, need, part): kind for who, need, part, kind in read}


def _others_offered(
    workshop_id: int, need_ids: Collection[int], but_for: Collection[int]
) -> dict[int, int]:
    """Return how many other parts stand offered to each need."""
    rows = Match.of(workshop_id).filter(need__in=list(need_ids)).exclude(part__in=list(but_for))
    return dict(rows.order_by().values_list("need_id").annotate(Count("id")))


def _failure(
    told: Told,
    part: StockPart,
    test: BenchTest | None,
    *,
    leaving: str,
    others: int,
    now: datetime,
) -> Alert:
    _, need, _ = told
    left = {0: "No other part stands", 1: "One other part stands"}.get(
        others, f"{others} other parts stand"
    )
    fate = "failed its bench test" if test else FATES.get(part.state, "was scrapped")
    said = (
        f"{need.job.ref}: {_what(need.kind.name, part.position)} {part.ref} {fate} "
        f"and is no longer offered. {left} offered for this job."
    )
    how = f"{fate} on {test.tested_on}: {test.method}" if test else fate
    news, about = (Alert.News.FAILED, f"test {test.pk}") if test else (Alert.News.GONE, leaving)
    return _alert(told, (news, about), part.arrival, said, how, now)


def _proved(told: Told, part: StockPart, test: BenchTest, now: datetime) -> Alert:
    _, need, _ = told
    said = f"{need.job.ref}: {_what(need.kind.name, part.position)} {part.ref} passed its test."
    how = f"passed on {test.tested_on}: {test.method}"
    return _alert(told, (Alert.News.PROVED, f"test {test.pk}"), part.arrival, said, how, now)


def _held(told: Told, hold: Hold, now: datetime) -> Alert:
    _, need, _ = told
    part = hold.part
    said = (
        f"{need.job.ref}: {_what(need.kind.name, part.position)} {part.ref} is held for "
        f"{hold.need.job.ref} until {timezone.localtime(hold.expires_at):%Y-%m-%d}."
    )
    how = f"held by {hold.held_by}"
    return _alert(told, (Alert.News.HELD, f"hold {hold.pk}"), part.arrival, said, how, now)


def _freed(alert: Alert, hold: Hold, now: datetime) -> Alert:
    need, part = alert.need, hold.part
    assert need is not None
    told = (alert.recipient, need, part.pk)
    said = (
        f"{need.job.ref}: {_what(need.kind.name, part.position)} {part.ref}, which was held for "
        "another job, is free again."
    )
    news = (Alert.News.FREE, f"hold {hold.pk}")
    return _alert(told, news, part.arrival, said, f"the hold {hold.get_ended_display()}", now)


def _back(gone: Alert, part: StockPart, now: datetime) -> Alert:
    need = gone.need
    assert need is not None
    said = (
        f"{need.job.ref}: {_what(need.kind.name, part.position)} {part.ref}, which was said to be "
        "gone, is in stock and free again."
    )
    because = f"what was reported on {timezone.localdate(gone.told_at)} was taken back"
    news = (Alert.News.FREE, gone.about)
    return _alert((gone.recipient, need, part.pk), news, part.arrival, said, because, now)


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
