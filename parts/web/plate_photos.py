"""A photo of the rating plate on the pages where a machine comes in: read, shown, filled in."""

from dataclasses import dataclass
from typing import Any

from django.http import HttpRequest, QueryDict
from django.utils import timezone

from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical
from donors.domain.plate_text import sent_lines
from donors.plate_candidates import PlateSeen, seen_on
from parts import plate_photos
from parts.pictures import MOST_BYTES
from parts.web.photos import ACCEPT
from workshop.errors import DomainError, InputRefused
from workshop.models import Workshop
from workshop.web.forms import posted

ACT, READ = "act", "read-plate"
# Of the form, filled from what was read where nothing else was typed.
FILLED = ("make", "model_number", "serial_number", "build_code", "build_scheme")
SHOWN = 5  # candidates
CHOSEN_FOR = "chosen_for"  # the number that stood there when candidates were shown
NOTHING_READ = (
    "Nothing could be read on the photo. Wipe the plate, come nearer, avoid the lamp's "
    "mirror image, or type what you see."
)


@dataclass(frozen=True, slots=True)
class Typed:
    """What a form was sent with. reads: only to read a photo; refused: why it was not read."""

    data: QueryDict | None
    seen: PlateSeen | None = None
    reads: bool = False
    refused: DomainError | None = None

    def context(self) -> dict[str, Any]:
        """Return what parts/_read_plate.html wants beside the form."""
        candidates = self.seen.candidates[:SHOWN] if self.seen else ()
        return {
            "can_read_plates": plate_photos.can_read(),
            "plate_missing": plate_photos.EXTRA,
            "plate_seen": self.seen,
            "plate_candidates": candidates,
            "plate_chosen": self.data.get("model_id", "") if self.data else "",
            "plate_chosen_for": self.data.get("model_number", "") if self.data else "",
            "photo_accept": ACCEPT,
        }


def typed(request: HttpRequest, workshop: Workshop) -> Typed:
    """Return what was typed, with what the photo says where one was sent to be read."""
    data = posted(request)
    if data is None:
        return Typed(None)
    before = _seen(workshop, data.get("read_text", ""))
    if data.get(ACT) != READ:
        return _still_chosen(data, before)
    file = request.FILES.get("plate_photo")
    try:
        if file is None:
            raise InputRefused("No photo was chosen. Take one, or choose a file.")
        lines = plate_photos.read_lines(file.read(MOST_BYTES + 1))
    except DomainError as refused:
        return Typed(data, before, reads=True, refused=refused)
    seen = _seen(workshop, "\n".join(lines))
    if seen is None:  # what an earlier photo had filled in stands
        return Typed(data, before, reads=True, refused=InputRefused(NOTHING_READ))
    return Typed(_filled(data, before, seen), seen, reads=True)


def _still_chosen(data: QueryDict, before: PlateSeen | None) -> Typed:
    """Ask again for the model where the number was corrected since it was chosen."""
    number, chosen_for = data.get("model_number", ""), data.get(CHOSEN_FOR)
    if not data.get("model_id") or chosen_for is None or canonical(chosen_for) == canonical(number):
        return Typed(data, before)
    data = data.copy()
    data["model_id"] = ""
    asks = InputRefused(
        f"The model was chosen while the number was {chosen_for or 'blank'}; now it is "
        f"{number or 'blank'}. Choose once more, or leave it at the number as read.",
        fields={"model_number": "Another number than the model was chosen for."},
    )
    return Typed(data, before, reads=True, refused=asks)


def _seen(workshop: Workshop, text: str) -> PlateSeen | None:
    lines = sent_lines(text)
    if not lines:
        return None
    return seen_on(Catalogue.load(workshop), lines, today=timezone.localdate())


def _filled(data: QueryDict, before: PlateSeen | None, seen: PlateSeen) -> QueryDict:
    """Return what was typed, blanks and what an earlier photo had filled in read anew."""
    new = data.copy()
    new["read_text"] = seen.text
    new["model_id"] = ""
    for name in FILLED:
        now = data.get(name, "").strip()
        if not now or (before is not None and now == getattr(before, name)):
            new[name] = getattr(seen, name)
    return new
