"""What a member chose: which news is mailed when, what stands in their feed."""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime, time, timedelta
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from django.conf import settings as site
from django.core import signing
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.db import transaction
from django.db.models import F, QuerySet

from matching.domain.echo.times import Hours, Way
from matching.models import Alert, Delivery, EchoChoice, EchoSettings
from workshop import tracing
from workshop.access import passwords
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Member, User
from workshop.secret_tokens import new_token, token_hash

STOP_SALT = "matching.echo.stop"
CONFIRM_SALT = "matching.echo.confirm"
CONFIRM_WITHIN = timedelta(days=7)  # our own choice
MOST_ASKED = 5  # mails a day that ask an address, for one member: addresses may be a stranger's


@dataclass(frozen=True)
class KindChoice:
    """One kind of news: how it is mailed, and whether it stands in the feed."""

    mail: Way = Way.AT_ONCE
    in_feed: bool = True


@dataclass(frozen=True)
class Choices:
    """All a member chooses. kinds: by kind of news; a kind left out is as a new one would be."""

    mail_on: bool = False
    address: str = ""
    time_zone: str = "UTC"
    daily_at: time = time(7, 0)
    quiet_from: time | None = None
    quiet_to: time | None = None
    kinds: Mapping[str, KindChoice] = field(default_factory=dict)


@lru_cache(maxsize=1)
def known_zones() -> tuple[str, ...]:
    """Return the names of places whose clocks are known, and UTC."""
    left_out = ("Etc/", "SystemV/", "posix/", "right/", "US/")
    places = (one for one in available_timezones() if "/" in one and not one.startswith(left_out))
    return ("UTC", *sorted(places))


def mail_is_set_up() -> bool:
    """Return True when this site can send mail: a mail server, a sender, its own address."""
    return bool(
        site.EMAIL_BACKEND != site.NO_MAIL and site.SITE_ADDRESS and site.DEFAULT_FROM_EMAIL
    )


def settings_of(member: Member) -> EchoSettings:
    """Return a member's settings with their choices; not stored yet where they chose nothing."""
    rows = EchoSettings.of(member.workshop_id).filter(member=member)
    found: EchoSettings | None = rows.prefetch_related("choices").first()
    zone = site.TIME_ZONE
    return found or EchoSettings(workshop_id=member.workshop_id, member=member, time_zone=zone)


def kinds_of(settings: EchoSettings) -> dict[str, KindChoice]:
    """Return the choice for every kind of news there is."""
    rows = settings.choices.all() if settings.pk else []
    chosen = {row.news: KindChoice(Way(row.mail), row.in_feed) for row in rows}
    return {news: chosen.get(news, KindChoice()) for news in Alert.News.values}


def hours_of(settings: EchoSettings) -> Hours:
    try:
        zone = ZoneInfo(settings.time_zone)
    except (ZoneInfoNotFoundError, ValueError):  # a zone this machine no longer knows
        zone = ZoneInfo(site.TIME_ZONE)
    return Hours(
        zone=zone,
        daily_at=settings.daily_at,
        quiet_from=settings.quiet_from,
        quiet_to=settings.quiet_to,
    )


@transaction.atomic
def save_choices(*, member: Member, choices: Choices, now: datetime) -> EchoSettings:
    """Store what a member chose; an address not confirmed yet is asked by mail.

    Raises InputRefused by field, Conflict where too many addresses were asked today.
    """
    _refuse_nonsense(choices)
    before = settings_of(member)
    row = _store(
        member,
        mail_on=choices.mail_on,
        address=choices.address,
        time_zone=choices.time_zone,
        daily_at=choices.daily_at,
        quiet_from=choices.quiet_from,
        quiet_to=choices.quiet_to,
    )
    EchoChoice.objects.bulk_create(
        [
            EchoChoice(
                workshop_id=member.workshop_id,
                settings=row,
                news=news,
                mail=one.mail.value,
                in_feed=one.in_feed,
            )
            for news, one in choices.kinds.items()
        ],
        update_conflicts=True,
        unique_fields=["settings", "news"],
        update_fields=["mail", "in_feed"],
    )
    switched_on = choices.mail_on and not before.mail_on
    if choices.mail_on and (switched_on or choices.address != before.address):
        _ask_if_needed(row, now)
    return settings_of(member)


def needs_confirming(settings: EchoSettings) -> bool:
    """Return True while mail is on and the holder of the address has not said that it may come."""
    return settings.mail_on and settings.confirmed != settings.address


def waits_for(member: Member) -> str:
    """Return the address to which this site would mail a member, were it confirmed; else ""."""
    if not mail_is_set_up():
        return ""
    rows = _unconfirmed(EchoSettings.of(member.workshop_id)).filter(member=member)
    return rows.values_list("address", flat=True).first() or ""


def count_waiting() -> int:
    """Count the members of all workshops who chose mail and get none until they confirm."""
    rows = EchoSettings.objects.unscoped().filter(member__active=True)
    return int(_unconfirmed(rows).count())


def _unconfirmed(rows: "QuerySet[EchoSettings]") -> "QuerySet[EchoSettings]":
    return rows.filter(mail_on=True).exclude(confirmed=F("address"))


@transaction.atomic
def ask_again(*, member: Member, now: datetime) -> None:
    """Mail the link once more that confirms a member's address. Raises Conflict: not needed, or
    too many today.
    """
    row = settings_of(member)
    if not needs_confirming(row):
        raise Conflict("There is no address to confirm.")
    _ask_if_needed(row, now)


def _ask_if_needed(row: EchoSettings, now: datetime) -> None:
    """Have a mail sent that asks the address, in the caller's transaction."""
    if not needs_confirming(row):
        return
    # Locked, so that two who store at once count each other.
    EchoSettings.of(row.workshop_id).select_for_update(no_key=True).get(pk=row.pk)
    asked = Delivery.of(row.workshop_id).filter(member=row.member_id).exclude(asks="")
    if asked.filter(made_at__gt=now - timedelta(days=1)).count() >= MOST_ASKED:
        raise Conflict(
            f"{MOST_ASKED} mails were sent today to confirm an address. Try again tomorrow.",
            fields={"address": "Too many addresses were asked today."},
        )
    Delivery.objects.create(
        workshop_id=row.workshop_id,
        channel=Delivery.Channel.MAIL,
        member_id=row.member_id,
        asks=row.address,
        request_id=tracing.current(),
        made_at=now,
        available_at=now,
    )


def confirm_token(settings: EchoSettings) -> str:
    """Return what shows that whoever has it reads the mail of the address now stored."""
    return signing.dumps(
        {"member": settings.member_id, "for": _stamp(settings.address)}, salt=CONFIRM_SALT
    )


def find_confirming(token: str) -> EchoSettings:
    """Return whose address a token confirms. Raises NotFound for one that is too old, was never
    given out, or whose address is no longer used.
    """
    try:
        said = signing.loads(token, salt=CONFIRM_SALT, max_age=CONFIRM_WITHIN)
    except signing.BadSignature:
        said = {}
    rows = EchoSettings.objects.unscoped().filter(member=said.get("member"))
    found: EchoSettings | None = rows.select_related("member__workshop", "member__user").first()
    if found is None or said.get("for") != _stamp(found.address):
        raise NotFound(
            "This link confirms no address any more. Sign in and have a new one mailed to you."
        )
    return found


def confirm(*, token: str) -> EchoSettings:
    """Note that the address a token was sent to may be mailed. Raises as find_confirming does."""
    found = find_confirming(token)
    rows = EchoSettings.of(found.workshop_id).filter(pk=found.pk, address=found.address)
    rows.update(confirmed=found.address)
    return found


def _store(member: Member, **values: Any) -> EchoSettings:
    """Write a member's one row; what is not named stays, or is as for somebody new."""
    new = {"workshop_id": member.workshop_id, "time_zone": site.TIME_ZONE, **values}
    row, _ = EchoSettings.of(member.workshop_id).update_or_create(
        member=member, defaults=values, create_defaults=new
    )
    found: EchoSettings = row
    return found


def _refuse_nonsense(choices: Choices) -> None:
    bad: dict[str, str] = {}
    if choices.address or choices.mail_on:
        # The address becomes a header: the check refuses line breaks with all else.
        try:
            validate_email(choices.address)
        except ValidationError:
            bad["address"] = "Give one e-mail address, such as name@workshop.example."
    if len(choices.address) > 254:
        bad["address"] = "An e-mail address has at most 254 characters."
    if choices.time_zone not in known_zones():
        bad["time_zone"] = "Give a time zone by its name, such as Europe/Lisbon."
    if (choices.quiet_from is None) != (choices.quiet_to is None):
        missing = "quiet_to" if choices.quiet_to is None else "quiet_from"
        bad[missing] = "Give both the beginning and the end of the quiet hours, or neither."
    elif choices.quiet_from is not None and choices.quiet_from == choices.quiet_to:
        bad["quiet_to"] = "Quiet hours that end when they begin would be none or all day."
    unknown = sorted(set(choices.kinds) - set(Alert.News.values))
    if unknown:
        bad["kinds"] = f"There is no kind of news {unknown[0]!r}; there are " + (
            f"{', '.join(Alert.News.values)}."
        )
    if bad:
        raise InputRefused(" ".join(bad.values()), fields=bad)


@transaction.atomic
def make_feed(*, member: Member, now: datetime) -> str:
    """Give a member's feed a new secret address; the one before leads nowhere from now on.

    Returns the token in the address. It is kept only as a hash: it cannot be shown again.
    """
    passwords.hold(member.user)
    token, kept = new_token()
    _store(member, feed_hash=kept, feed_made_at=now)
    return token


def end_feed(*, member: Member) -> None:
    """End a member's feed: its address leads nowhere from now on. A second time changes nothing."""
    EchoSettings.of(member.workshop_id).filter(member=member).update(feed_hash="")


@passwords.ends_with_password
def end_feeds(user: User) -> None:
    """End all feeds of somebody whose password changes."""
    EchoSettings.objects.unscoped().filter(member__user=user).update(feed_hash="")


def find_feed(token: str) -> EchoSettings | None:
    """Return the settings whose feed has this token in its address."""
    rows = EchoSettings.objects.unscoped().filter(feed_hash=token_hash(token))
    found: EchoSettings | None = (
        rows.select_related("member__user", "member__workshop").prefetch_related("choices").first()
    )
    return found


def stop_token(settings: EchoSettings) -> str:
    """Return what lets whoever reads a mail stop them, without signing in.

    It is good for the address it was sent to only.
    """
    return signing.dumps(
        {"member": settings.member_id, "for": _stamp(settings.address)}, salt=STOP_SALT
    )


def find_stop(token: str) -> EchoSettings:
    """Return whose mails a token would stop. Raises NotFound for one that was never given out,
    or whose address is no longer used.
    """
    try:
        said = signing.loads(token, salt=STOP_SALT)
    except signing.BadSignature:
        said = {}
    rows = EchoSettings.objects.unscoped().filter(member=said.get("member"))
    found: EchoSettings | None = rows.select_related("member__workshop").first()
    if found is None or said.get("for") != _stamp(found.address):
        raise NotFound("This link stops no mails any more. Sign in to see what is mailed to you.")
    return found


def stop_mail(*, token: str) -> EchoSettings:
    """Stop all mails to the address a token was sent to. Raises NotFound as find_stop does."""
    found = find_stop(token)
    EchoSettings.of(found.workshop_id).filter(pk=found.pk).update(mail_on=False)
    return found


def _stamp(address: str) -> str:
    return hashlib.sha256(address.encode()).hexdigest()[:16]
