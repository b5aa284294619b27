"""From what is left suspected to the parts a job asks for."""

from collections.abc import Sequence

from django.db import transaction

from matching.faults import tables
from matching.faults.signs import open_job_locked
from matching.models import Job, Need
from matching.services import NeedFacts, add_needs, announce_needs, refuse_not_carried
from workshop.errors import Conflict, InputRefused
from workshop.models import Workshop


@transaction.atomic
def make_needs(*, workshop: Workshop, ref: str, wanted: Sequence[NeedFacts]) -> list[Need]:
    """Make the chosen suspects needs of an open job, all or none. The stock is searched after.

    A need that was withdrawn opens again. Raises NotFound, Conflict when the job is closed or
    needs one already, InputRefused for nothing chosen, a kind this machine has not, or one that
    is never reused.
    """
    job = open_job_locked(workshop, ref)
    if not wanted:
        raise InputRefused("No part was chosen. Tick at least one.", fields={"needs": "Tick one."})
    refuse_not_carried(job.appliance_id, [one.kind for one in wanted], may_confirm=False)
    _refuse_other_positions(job, wanted)
    there = {(need.kind_id, need.position): need for need in Need.of(workshop).filter(job=job)}
    again = []
    for facts in wanted:
        need = there.get((facts.kind, facts.position.strip()))
        if need is None:
            continue
        if need.state != Need.State.WITHDRAWN:
            raise Conflict(
                f"Job {ref} has its {facts.kind.replace('-', ' ')} among its parts already: "
                f"{need.get_state_display()}.",
                fields={"needs": f"{facts.kind} is there already."},
            )
        again.append(need)
    known = {(need.kind_id, need.position) for need in again}
    new = add_needs(job, [one for one in wanted if (one.kind, one.position.strip()) not in known])
    ids = [need.pk for need in again]
    if ids:
        Need.of(workshop).filter(pk__in=ids).update(
            state=Need.State.OPEN, mistaken=False, withdrawn_on=None, searched_at=None
        )
        announce_needs(workshop.pk, ids)
    return [*again, *new]


def _refuse_other_positions(job: Job, wanted: Sequence[NeedFacts]) -> None:
    carried = tables.carried_by(job.appliance_id)
    for facts in wanted:
        places = carried.get(facts.kind, ())
        if facts.position.strip() and facts.position.strip() not in places:
            known = f"one of {', '.join(places)}" if places else "none: leave it blank"
            raise InputRefused(
                f"A {job.appliance.name.lower()} has no {facts.kind[:40]} {facts.position[:40]!r}.",
                fields={"needs": f"The position is {known}."},
            )
