"""Default permission of the API: an active member of a workshop. Views ask for a role."""

from typing import Any

from rest_framework.permissions import BasePermission

from workshop.members import current_member


class IsMember(BasePermission):
    """Signed in and active in the workshop named by X-Workshop (or the first one)."""

    message = "You belong to no workshop here, or not to the one named in X-Workshop."

    def has_permission(self, request: Any, view: Any) -> bool:
        return current_member(request) is not None
