"""Who is asking, and for which workshop."""

from typing import Any

from workshop.errors import NotAllowed, NotFound
from workshop.models import ApiToken, Member, Role, Scope

RANK = {role: rank for rank, role in enumerate(Role.values)}
CAP_OF: dict[str, Role] = {
    Scope.READ: Role.OWNER,  # sees what its member sees; unsafe methods are refused before
    Scope.WRITE: Role.TECHNICIAN,
    Scope.REVIEW: Role.REVIEWER,
    Scope.ALL: Role.OWNER,
}


def members_of(user: Any) -> "list[Member]":
    """Return the user's active memberships with their workshops, oldest first."""
    rows = Member.objects.unscoped().filter(user=user, active=True)
    return list(rows.select_related("workshop", "user").order_by("id"))


def current_member(request: Any) -> Member | None:
    """Return who is asking, in the workshop they chose (header or session), else their first.

    The API names it in the header X-Workshop (slug); the site keeps it in the session.
    """
    if not request.user.is_authenticated:
        return None
    cached: Member | None = getattr(request, "_member", None)
    if cached is not None and cached.user_id == request.user.pk:
        return cached
    token = getattr(request, "api_token", None)
    # A token is of one workshop; a header that names another finds nothing.
    mine = [member_of(token)] if token is not None else members_of(request.user)
    request.workshops_of_user = len(mine)
    session = getattr(request, "session", None) or {}
    wanted = request.headers.get("X-Workshop") or session.get("workshop")
    if wanted:
        mine = [member for member in mine if member.workshop.slug == wanted]
    request._member = mine[0] if mine else None
    found: Member | None = request._member
    return found


def require(request: Any, role: Role = Role.CATALOGUER) -> Member:
    """Return the current member or raise NotAllowed with what is missing."""
    member = current_member(request)
    if member is None:
        raise NotAllowed(
            "You belong to no workshop here (or not to the one named). Ask its owner to add you."
        )
    if not covers(member, role):
        if covers_uncapped(member, role):
            raise NotAllowed("The scope of this token does not cover this. Make one that does.")
        raise NotAllowed(
            f"This needs the role {Role(role).label}; you are {Role(member.role).label} in "
            f"{member.workshop.name}. Ask its owner."
        )
    return member


def covers(member: Member, role: Role) -> bool:
    """Return True when the member's role, and the token they came with, include `role`."""
    return covers_uncapped(member, role) and RANK[member.cap] >= RANK[role]


def covers_uncapped(member: Member, role: Role) -> bool:
    return RANK[member.role] >= RANK[role]


def member_of(token: ApiToken) -> Member:
    """Return whom a token stands for, held to what its scope allows."""
    member: Member = token.member
    member.cap = CAP_OF[token.scope]
    return member


def find_by_name(workshop: Any, username: str) -> Member:
    """Return the active member of a workshop who signs in with this name, or raise NotFound."""
    rows = Member.of(workshop).filter(user__username=username, active=True)
    found: Member | None = rows.select_related("user", "workshop").first()
    if found is None:
        raise NotFound(f"Nobody who signs in as {username!r} works in this workshop.")
    return found


def why_not(member: Member, role: Role) -> str:
    """Return in words why a member may not press a button, "" when they may."""
    return "" if covers(member, role) else f"Needs the role {role.label}."


def list_active(workshop: Any) -> list[Member]:
    """Return the active members of a workshop by name."""
    rows = Member.of(workshop).filter(active=True).select_related("user")
    return list(rows.order_by("user__username", "id"))


def list_all(workshop: Any) -> list[Member]:
    """Return the members of a workshop, those shut out too, by name."""
    rows = Member.of(workshop).select_related("user", "workshop")
    return list(rows.order_by("-active", "user__username", "id"))


def find_member(workshop: Any, member_id: int) -> Member:
    """Return a member of a workshop, one shut out too, or raise NotFound."""
    found = Member.of(workshop).select_related("user", "workshop").filter(pk=member_id).first()
    if found is None:
        raise NotFound("There is no such member in this workshop.")
    return found
