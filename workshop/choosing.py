"""Which workshop a command works for."""

from django.core.exceptions import ValidationError

from workshop.errors import InputRefused
from workshop.models import Workshop


def choose_workshop(slug: str = "", *, create: bool = False) -> tuple[Workshop, bool]:
    """Return (workshop, whether it was just made).

    Named by slug; without one, the only workshop there is. An empty server gets its first
    workshop when `create` is set. Raises InputRefused naming those there are.
    """
    there = list(Workshop.objects.order_by("slug"))
    if not there and create:
        return _first_workshop(slug or "workshop"), True
    slugs = ", ".join(one.slug for one in there) or "none yet"
    if slug:
        found = next((one for one in there if one.slug == slug), None)
        if found is None:
            raise InputRefused(f"There is no workshop {slug!r}. There are: {slugs}.")
        return found, False
    if len(there) != 1:
        raise InputRefused(f"Say which workshop with --workshop SLUG. There are: {slugs}.")
    return there[0], False


def _first_workshop(slug: str) -> Workshop:
    """Make the workshop, or raise InputRefused when its slug could not stand in an address."""
    try:
        Workshop._meta.get_field("slug").clean(slug, None)
    except ValidationError as bad:
        message = f"{slug!r} cannot name a workshop; use letters, digits, '-' and '_'."
        raise InputRefused(message) from bad
    made: Workshop = Workshop.objects.create(slug=slug, name=slug.replace("-", " ").title())
    return made
