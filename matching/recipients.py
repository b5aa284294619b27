"""Who is told of what concerns a job."""

from functools import cached_property

from matching.models import Job
from workshop.models import Member, Role


class Recipients:
    """The members of a workshop as those who may be told. Reads them once, when first asked."""

    def __init__(self, workshop_id: int) -> None:
        self.workshop_id = workshop_id

    def of(self, job: Job) -> list[Member]:
        """Return the job's technician while they are active, else the technicians, else all."""
        own = job.technician
        return [own] if own is not None and own.active else self._technicians

    @cached_property
    def _technicians(self) -> list[Member]:
        members = list(Member.of(self.workshop_id).filter(active=True).order_by("id"))
        technicians = [member for member in members if member.role == Role.TECHNICIAN]
        return technicians or members
