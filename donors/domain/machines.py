"""What is known of one machine, whether it came as a donor or stands as a job."""

from collections.abc import Mapping
from dataclasses import dataclass, field

from workshop.domain.intervals import Interval


@dataclass(frozen=True, slots=True)
class Machine:
    """Facts of one machine. Blank text and None mean unknown, never 'none'.

    make: the make's name. number: canonical model number (of the recognised model when it was
    recognised). fields: named parts of the number, {} without a pattern. family: from the
    known model, else from the pattern. sure: 0..1, how sure the recognition is.
    """

    appliance: str = ""
    make: str = ""
    number: str = ""
    fields: Mapping[str, str] = field(default_factory=dict)
    family: str = ""
    built: Interval | None = None
    sure: float = 1.0
    ref: str = ""

    @property
    def revision(self) -> str:
        return self.fields.get("revision", "")
