"""Photos of parts and of strip steps: kept, listed, taken away."""

import uuid
from collections import defaultdict
from dataclasses import dataclass
from datetime import datetime

from django.db import transaction
from django.db.models import QuerySet, Sum

from donors.models import Donor
from parts import photo_files, pictures
from parts.models import Part, Photo
from parts.pictures import Picture
from workshop.errors import Conflict, InputRefused, NotAllowed, NotFound
from workshop.members import covers
from workshop.models import Member, Role, Workshop

MOST_OF_ONE = 60  # photos of one part, or of one donor and its steps


@dataclass(frozen=True, slots=True)
class Subject:
    """What a photo is of: a part, or a donor, perhaps at a strip step (its slug)."""

    donor: Donor | None = None
    part: Part | None = None
    step: str = ""

    def named(self) -> dict[str, Donor | Part]:
        given = {"donor": self.donor, "part": self.part}
        return {name: one for name, one in given.items() if one is not None}

    @property
    def ref(self) -> str:
        return next(one.ref for one in self.named().values())


def add_photo(
    *, member: Member, subject: Subject, data: bytes, caption: str = "", now: datetime
) -> Photo:
    """Keep an uploaded picture: made anew, then its files, then its row.

    Raises InputRefused for what is no picture we take, Conflict when there is no room.
    """
    caption = caption.strip()
    if len(caption) > 200:
        raise InputRefused("The caption is too long.", fields={"caption": "At most 200 letters."})
    picture = pictures.remake(data)
    photo_id = uuid.uuid4()
    try:
        with transaction.atomic():
            _refuse_full(member.workshop_id, subject, picture)
            photo_files.write(photo_id, picture.large, picture.small)
            photo: Photo = Photo.objects.create(
                id=photo_id,
                workshop_id=member.workshop_id,
                step=subject.step,
                caption=caption,
                taken_by=member,
                kept_at=now,
                width=picture.width,
                height=picture.height,
                size_bytes=_size(picture),
                **subject.named(),
            )
    except BaseException:
        photo_files.remove(photo_id)
        raise
    return photo


def _size(picture: Picture) -> int:
    return len(picture.large) + len(picture.small)


def _refuse_full(workshop_id: int, subject: Subject, picture: Picture) -> None:
    """Raise Conflict when the workshop or the subject has no room left. Locks the workshop."""
    workshop = Workshop.objects.select_for_update(no_key=True).get(pk=workshop_id)
    rows = Photo.of(workshop)
    taken = rows.aggregate(taken=Sum("size_bytes"))["taken"] or 0
    if taken + _size(picture) > workshop.photo_quota_mb * 10**6:
        raise Conflict(
            f"The photos of {workshop.name} fill the {workshop.photo_quota_mb} MB they may take. "
            "Delete some that are no longer needed.",
            fields={"photo": "Not kept: no room left."},
        )
    if rows.filter(**subject.named()).count() >= MOST_OF_ONE:
        raise Conflict(
            f"{subject.ref} has {MOST_OF_ONE} photos already. Delete one first.",
            fields={"photo": f"Not kept: at most {MOST_OF_ONE}."},
        )


@transaction.atomic
def delete_photo(*, member: Member, photo_id: uuid.UUID) -> Photo:
    """Take a photo away: its row, and once that is committed its files.

    Who took it may, and technicians. Raises NotFound, NotAllowed.
    """
    photo = get_photo(member.workshop, photo_id)
    if photo.taken_by_id != member.pk and not covers(member, Role.TECHNICIAN):
        raise NotAllowed("Only who took a photo, or a technician, deletes it.")
    photo.delete()
    transaction.on_commit(lambda: photo_files.remove(photo_id))
    photo.pk = photo_id
    return photo


def get_photo(workshop: Workshop, photo_id: uuid.UUID) -> Photo:
    """Return the photo or raise NotFound."""
    rows = Photo.of(workshop).select_related("donor", "part", "taken_by__user")
    photo: Photo | None = rows.filter(pk=photo_id).first()
    if photo is None:
        raise NotFound("There is no such photo in this workshop.")
    return photo


def photos_by_step(donor: Donor) -> dict[str, list[Photo]]:
    """Return the photos of a donor's strip steps by step, the oldest first: one query."""
    found: dict[str, list[Photo]] = defaultdict(list)
    rows = Photo.of(donor.workshop_id).filter(donor=donor).exclude(step="")
    for photo in rows.order_by("kept_at", "id"):
        found[photo.step].append(photo)
    return dict(found)


def list_photos(workshop: Workshop, subject: Subject) -> "QuerySet[Photo]":
    """Return the photos of a part, or of a donor, the oldest first.

    A step of the subject leaves those of the step; without one all of a donor are listed.
    """
    rows = Photo.of(workshop).filter(**subject.named())
    rows = rows.filter(step=subject.step) if subject.step else rows
    return rows.select_related("taken_by__user").order_by("kept_at", "id")
