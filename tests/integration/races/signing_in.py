"""Racing sign-ins: many wrong passwords, one code twice, two owners who both step down."""

import os
from datetime import timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.test import Client
from django.utils import timezone
from django_otp.oath import hotp

from tests.integration.races.barrier import meet
from workshop.access import backend, people, second_step, tries
from workshop.errors import DomainError
from workshop.models import Invitation, Member, Role, SecondStep, Tries, User, Workshop


def guess(
    folder: Path, people: int, rounds: int, forged: bool = True, naive: bool = False
) -> dict[str, int]:
    """Send wrong passwords for one name at the same instants as others; count what was answered.

    naive: the known-bad way, reading the count, then deciding, then writing it.
    """
    done = {"looked_at": 0, "refused": 0, "other": 0}
    settings.ALLOWED_HOSTS = ["*"]
    if naive:
        backend.tries._first_empty = lambda purses, now: ""
        backend.tries.take = look_first(folder, people)  # type: ignore[assignment]
    for number in range(rounds):
        address = f"203.0.{os.environ['RACER']}.{number}" if forged else "203.0.113.1"
        meet(folder, f"round{number}", people)
        answer = Client().post(
            "/sign-in/",
            {"username": "millrace-owner", "password": f"wrong {number}"},
            headers={"X-Forwarded-For": address},
        )
        name = {200: "looked_at", 429: "refused"}.get(answer.status_code, "other")
        done[name] += 1
    return done


def look_first(folder: Path, people: int) -> Any:
    """Return a way of counting that lets all look before any has written."""
    turns = iter(range(10_000))

    def take(key: str, *, now: Any, most: int) -> bool:
        row = Tries.objects.filter(key=key).first()
        count = row.tries if row else 0
        meet(folder, f"looked{next(turns)}", people)
        Tries.objects.update_or_create(key=key, defaults={"tries": count + 1, "last_at": now})
        return count < most

    return take


def send_code(folder: Path, people: int, codes: list[str], naive: bool = False) -> dict[str, int]:
    """Send each code at the same instant as others. naive: look at the last step, then write it."""
    user = User.objects.get(username="millrace-owner")
    done = {"let_in": 0, "refused": 0}
    tries.MOST = 10**4  # not what is raced for here

    def look_then_write(user: User, typed: str, now: Any) -> bool:
        row = user.recovery_codes.filter(code_hash=second_step.secret_tokens.token_hash(typed))
        found = row.first()
        meet(folder, f"looked-{typed}", people)
        row.delete()
        return found is not None

    if naive:
        second_step._uses_up_recovery = lambda user, typed: look_then_write(user, typed, None)
    for code in codes:
        meet(folder, f"round-{code}", people)
        refused = second_step.refusal(user=user, code=code, now=timezone.now())
        done["refused" if refused else "let_in"] += 1
    return done


def send_app_code(folder: Path, people: int, rounds: int, naive: bool = False) -> dict[str, int]:
    """Send one code of the app at the same instant as others, round after round.

    naive: look at the last step that was used, then write it.
    """
    user = User.objects.get(username="millrace-owner")
    row = SecondStep.objects.get(user=user)
    secret = second_step.secret_of(row)
    assert secret is not None
    done = {"let_in": 0, "refused": 0}
    tries.MOST = 10**4  # not what is raced for here
    turns = iter(range(10_000))

    def look_then_write(user: User, typed: str, now: Any) -> bool:
        step = int(now.timestamp()) // second_step.STEP_SECONDS
        last = SecondStep.objects.get(user=user).last_step
        meet(folder, f"looked{next(turns)}", people)
        SecondStep.objects.filter(user=user).update(last_step=step)
        return last < step

    if naive:
        second_step._uses_up_code = look_then_write
    for number in range(rounds):
        now = row.begun_at + timedelta(minutes=number + 1)
        code = f"{hotp(secret, int(now.timestamp()) // second_step.STEP_SECONDS):06d}"
        meet(folder, f"round{number}", people)
        refused = second_step.refusal(user=user, code=code, now=now)
        done["refused" if refused else "let_in"] += 1
    return done


def step_down(folder: Path, people: int, naive: bool = False) -> dict[str, int]:
    """One of the owners makes themselves a technician while the other does the same."""
    workshop = Workshop.objects.get()
    owners = Member.of(workshop).filter(role=Role.OWNER).order_by("id")
    mine = owners[int(os.environ["RACER"])]
    meet(folder, "ready", people)
    if naive:
        others = Member.of(workshop).filter(role=Role.OWNER, active=True).exclude(pk=mine.pk)
        left = others.exists()
        meet(folder, "looked", people)
        if left:
            Member.of(workshop).filter(pk=mine.pk).update(role=Role.TECHNICIAN)
        return {"went": int(left)}
    try:
        change(workshop, mine.pk)
    except DomainError:
        return {"went": 0}
    return {"went": 1}


def change(workshop: Workshop, member_id: int) -> None:
    people.change(workshop=workshop, member_id=member_id, role=Role.TECHNICIAN)


def find(token: str) -> Invitation:
    return people.find_invitation(token, now=timezone.now())


def use_link(folder: Path, people: int, token: str, naive: bool = False) -> dict[str, int]:
    """Join by the same link at the same instant as others, each under a name of their own.

    naive: see that the link is open, then join, then note that it was used.
    """
    if naive:
        found = find(token)
        meet(folder, "looked", people)
        user = User.objects.create(username=f"new-{os.environ['RACER']}")
        member = Member.objects.create(workshop=found.workshop, user=user, role=found.role)
        rows = Invitation.of(found.workshop).filter(pk=found.pk)
        rows.update(used_at=timezone.now(), used_by=member)
        return {"joined": 1, "refused": 0}
    meet(folder, "ready", people)
    answer = Client().post(
        f"/join/{token}/",
        {
            "username": f"new-{os.environ['RACER']}",
            "password": "a-quite-long-password",
            "again": "a-quite-long-password",
        },
    )
    return {"joined": int(answer.status_code == 302), "refused": int(answer.status_code == 404)}
