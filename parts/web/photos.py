"""Pages on photos: adding to a part, a donor or a strip step; the picture itself; deleting."""

import re
import uuid
from typing import Any
from urllib.parse import urlencode

from django import forms
from django.contrib import messages
from django.http import FileResponse, HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response, patch_vary_headers

from donors.selectors import get_donor
from parts import photo_files, photos
from parts.models import Photo
from parts.photos import Subject
from parts.selectors import get_part
from workshop.errors import DomainError, InputRefused, NotFound
from workshop.models import Member
from workshop.web.forms import PlainForm, posted
from workshop.web.gate import ACTION, FORM, for_member

MOST_AT_ONCE = 4
ACCEPT = "image/jpeg,image/png,image/webp"
_STEP = re.compile(r"[a-z0-9][a-z0-9-]{0,79}", re.ASCII)


class PhotoForm(PlainForm):
    """Pictures to keep. Which files came is read from the request: there may be several."""

    caption = forms.CharField(required=False, max_length=200)


@for_member(methods=FORM)
def donor_photos(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    step = request.GET.get("step", "")
    if step and not _STEP.fullmatch(step):
        raise NotFound("There is no such strip step.")
    subject = Subject(donor=get_donor(member.workshop, ref), step=step)
    back = reverse("donor-strip" if step else "donor", args=[ref])
    return _photos(request, member, subject, back)


@for_member(methods=FORM)
def part_photos(request: HttpRequest, member: Member, ref: str) -> HttpResponse:
    subject = Subject(part=get_part(member.workshop, ref))
    return _photos(request, member, subject, reverse("part", args=[ref]))


def _photos(request: HttpRequest, member: Member, subject: Subject, back: str) -> HttpResponse:
    """Show the photos of a subject with the form; a POST keeps what was taken."""
    form = PhotoForm(posted(request))
    if form.is_bound and form.accepts():
        kept = _keep_all(request, member, subject, form)
        if kept:
            messages.success(request, f"Photos kept: {kept}.")
        if not form.errors:
            return redirect(request.get_full_path())
    shown = {**photo_context(member, subject), "subject": subject, "form": form, "back": back}
    return render(request, "parts/photos.html", shown, status=form.status)


def _keep_all(request: HttpRequest, member: Member, subject: Subject, form: PhotoForm) -> int:
    """Keep each file; what one is refused for is noted on the form. Returns how many were kept."""
    files = [*request.FILES.getlist("photo"), *request.FILES.getlist("more")]
    kept = 0
    try:
        if not files:
            raise InputRefused("No picture was chosen. Take one, or choose a file.")
        if len(files) > MOST_AT_ONCE:
            raise InputRefused(f"{len(files)} pictures at once; at most {MOST_AT_ONCE} are taken.")
        for file in files:
            photos.add_photo(
                member=member,
                subject=subject,
                data=file.read(photos.pictures.MOST_BYTES + 1),
                caption=form.cleaned_data["caption"],
                now=timezone.now(),
            )
            kept += 1
    except DomainError as refused:
        form.refuse(refused)
    return kept


def photo_context(member: Member, subject: Subject) -> dict[str, Any]:
    """Return what parts/_photos.html wants, for a part or a donor (and a step of it)."""
    return {
        "photos": [
            (photo, photo_files.are_there(photo.pk))
            for photo in photos.list_photos(member.workshop, subject)
        ],
        "photos_url": _address(subject),
        "photo_accept": ACCEPT,
    }


@for_member(kept=True)
def photo(request: HttpRequest, member: Member, photo_id: uuid.UUID) -> HttpResponseBase:
    return picture_answer(request, photos.get_photo(member.workshop, photo_id))


@for_member(kept=True)
def photo_small(request: HttpRequest, member: Member, photo_id: uuid.UUID) -> HttpResponseBase:
    return picture_answer(request, photos.get_photo(member.workshop, photo_id), small=True)


@for_member(methods=ACTION)
def photo_delete(request: HttpRequest, member: Member, photo_id: uuid.UUID) -> HttpResponse:
    gone = photos.delete_photo(member=member, photo_id=photo_id)
    messages.success(request, "The photo is deleted.")
    return redirect(_address(Subject(donor=gone.donor, part=gone.part, step=gone.step)))


def _address(subject: Subject) -> str:
    """Return the address of a subject's photos."""
    query = "?" + urlencode({"step": subject.step}) if subject.step else ""
    return reverse("donor-photos" if subject.donor else "part-photos", args=[subject.ref]) + query


def picture_answer(request: HttpRequest, row: Photo, *, small: bool = False) -> HttpResponseBase:
    """Return the picture: never taken for anything else, kept by this browser alone.

    The browser asks each time whether it may still show it (RFC 9111, no-cache): somebody else
    may have signed in. A kept copy is then answered with 304, for a photo never changes.
    Raises NotFound when its file is missing.
    """
    try:
        file = photo_files.path(row.pk, small=small).open("rb")
    except FileNotFoundError as gone:
        raise NotFound("The file of this photo is missing.") from gone
    etag = f'"{row.pk}{"-small" if small else ""}"'
    answer: HttpResponseBase | None = get_conditional_response(request, etag=etag)
    if answer is None:
        answer = FileResponse(file, content_type="image/jpeg", filename=f"{row.pk}.jpg")
    else:
        file.close()
    answer["Content-Security-Policy"] = "sandbox"
    answer["X-Content-Type-Options"] = "nosniff"
    answer["Cache-Control"] = "private, no-cache"
    answer["ETag"] = etag
    patch_vary_headers(answer, ["Cookie"])
    return answer
