"""What the frame of every page shows: who is signed in, where, and how much waits to be read."""

from typing import Any

from django.http import HttpRequest

from matching import selectors
from workshop.members import covers, current_member
from workshop.models import Role


def member_and_inbox(request: HttpRequest) -> dict[str, Any]:
    """Return the member, the workshop and the unread count: two queries, none for strangers."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {}
    member = current_member(request)
    if member is None:
        return {"several_workshops": True}
    return {
        "member": member,
        "workshop": member.workshop,
        "may_import": covers(member, Role.REVIEWER),
        "unread_count": selectors.count_unread(member),
        "several_workshops": getattr(request, "workshops_of_user", 1) > 1,
    }
