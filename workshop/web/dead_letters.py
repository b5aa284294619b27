"""The page of events given up on: what stays undone, why, and trying again. For owners."""

from uuid import UUID

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import path
from django.utils import timezone

from workshop import dead_letters
from workshop.models import Member, Role
from workshop.web.gate import ACTION, for_member
from workshop.web.pages import page_of

LATEST = 20


@for_member(Role.OWNER)
def dead_letter_list(request: HttpRequest, member: Member) -> HttpResponse:
    page = page_of(request, dead_letters.list_dead(member.workshop))
    shown = [
        {
            "event": event,
            "about": dead_letters.about(event.kind),
            "undone": dead_letters.undone(event.kind),
            "cause": dead_letters.cause(event.last_error),
        }
        for event in page
    ]
    replays = [
        {"row": row, "about": dead_letters.about(row.event.kind)}
        for row in dead_letters.list_replays(member.workshop)[:LATEST]
    ]
    context = {"page": page, "rows": shown, "replays": replays}
    return render(request, "workshop/dead_letters.html", context)


@for_member(Role.OWNER, methods=ACTION)
def replay_one(request: HttpRequest, member: Member, event_id: UUID) -> HttpResponse:
    event = dead_letters.replay(
        workshop=member.workshop, event_id=event_id, member=member, now=timezone.now()
    )
    messages.success(request, f"{dead_letters.about(event.kind)}: it is tried again now.")
    return redirect("dead-letters")


@for_member(Role.OWNER, methods=ACTION)
def replay_all(request: HttpRequest, member: Member) -> HttpResponse:
    done = dead_letters.replay_all(workshop=member.workshop, member=member, now=timezone.now())
    messages.success(request, f"{done} tried again now." if done else "There was none left.")
    return redirect("dead-letters")


urlpatterns = [
    path("dead-letters/", dead_letter_list, name="dead-letters"),
    path("dead-letters/replay/", replay_all, name="dead-letters-replay"),
    path("dead-letters/<uuid:event_id>/replay/", replay_one, name="dead-letter-replay"),
]
