"""Parts only a licensed person takes out: they come out over a step that names the certificate."""

from parts import strip_steps
from parts.models import Part, StepRecord
from workshop.errors import Conflict
from workshop.models import LICENCES


def refuse_unlicensed(part: Part) -> None:
    """Raise Conflict when a part in its machine may come out over a licensed step alone.

    And none is on record for it with its certificate. A part without a machine, out of it
    already, or with a way that needs no licence is let through.
    """
    donor = part.donor
    if donor is None or part.state != Part.State.IN_MACHINE:
        return
    ways = strip_steps.ways_to(part)
    if not ways or not all(way.licence for way in ways):
        return
    done = StepRecord.of(part.workshop_id).filter(
        donor=donor,
        step__in=[way.slug for way in ways],
        came=StepRecord.Came.DONE,
        certificate__isnull=False,
    )
    if not done.exists():
        way = ways[0]
        raise Conflict(
            f"Part {part.ref} comes out over “{way.name}”, which needs a certificate for "
            f"{dict(LICENCES)[way.licence].lower()}. Tick that step on the strip page of donor "
            f"{donor.ref}, where the certificate is named."
        )
