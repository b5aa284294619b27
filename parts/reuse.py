"""What a kind's reuse rule lets be done with a part (practice.md 12; common practice).

Never reused, or out of a machine that burnt or was flooded: not shelved, not held, not fitted,
not sold. With caution: fitted or sold only
while its grade rests on a test, and its advice goes with it.
"""

from parts.models import TESTED, Part, PartKind
from parts.stock import AnyPart
from workshop.errors import Conflict


def why_never(part: AnyPart) -> str:
    """Return why a part must not be kept or given away, whatever it measures; "" when it may.

    By its kind, or because its machine burnt or stood in flood or sewage water.
    """
    if part.kind.reuse == PartKind.Reuse.NEVER:
        return f"{part.kind.name} is never reused. {part.kind.reuse_advice}".strip()
    cause = part.donor.cause if part.donor else None
    if cause is not None and cause.spoils_parts:
        return f"It comes from a machine scrapped for {cause.name.lower()}: not to be used or sold."
    return ""


def lacking_test(part: AnyPart) -> str:
    """Return what test a part reused with caution still needs; "" when there is none."""
    if part.kind.reuse != PartKind.Reuse.CAUTION or part.grade in TESTED:
        return ""
    return (
        f"{part.kind.name} is reused with caution only: it needs its bench test first. "
        f"{part.kind.min_test}"
    ).strip()


def refuse_shelving(part: Part) -> None:
    """Raise Conflict when the part's kind is never reused."""
    if why_never(part):
        raise Conflict(f"{part.ref} cannot be shelved. {why_never(part)}")


def refuse_giving_out(part: Part) -> None:
    """Raise Conflict when the part must not be fitted or sold, as it stands."""
    why = why_never(part) or lacking_test(part)
    if why:
        raise Conflict(f"{part.ref} cannot be fitted or sold. {why}")
