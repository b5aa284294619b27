"""A workshop's own figures for holds, proposals and alerts; the others have pages of their own."""

from django.db import transaction

from workshop.domain.refusals import Checks
from workshop.errors import InputRefused
from workshop.models import MOST_HOLD_DAYS, MOST_PROPOSAL_HOURS, Workshop


def alert_percent(workshop: Workshop) -> int:
    """Return from which chance of fit somebody is told, in whole percent as pages show it."""
    return round(100 * workshop.alert_from_p_fit)


@transaction.atomic
def set_own_figures(
    *, workshop: Workshop, hold_days: int, proposal_hours: int, alert_from_percent: int
) -> Workshop:
    """Set how long holds and proposals stand and from which chance of fit somebody is told.

    What stands keeps the end it was given. A chance that is stored finer than whole percent
    stays as it is while its percent do. Raises InputRefused by field.
    """
    bad = Checks()
    bad.number("hold_days", hold_days, "days", least=1, most=MOST_HOLD_DAYS)
    bad.number("proposal_hours", proposal_hours, "hours", least=1, most=MOST_PROPOSAL_HOURS)
    bad.number("alert_from_percent", alert_from_percent, "%", least=0, most=100)
    if bad.fields:
        said = "; ".join(bad.fields.values())
        raise InputRefused(f"The figures cannot be used: {said}.", fields=bad.fields)
    workshop.hold_days, workshop.proposal_hours = hold_days, proposal_hours
    if alert_from_percent != alert_percent(workshop):
        workshop.alert_from_p_fit = alert_from_percent / 100
    workshop.save(update_fields=["hold_days", "proposal_hours", "alert_from_p_fit"])
    return workshop
