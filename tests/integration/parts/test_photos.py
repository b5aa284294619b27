"""Photos of parts and strip steps: kept, shown to their workshop alone, taken away, never alone.

What the pictures themselves are: tests/unit/parts/test_pictures.py.
"""

import os
import time
import uuid
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from parts import photo_files, photos
from parts.models import Part, Photo
from parts.photos import Subject
from tests import uploads
from tests.factories import NOW, Bench
from tests.integration.web.reading import text_of
from workshop.errors import Conflict

pytestmark = pytest.mark.django_db

Commit = Any


@pytest.fixture(autouse=True)
def folder(settings: Any, tmp_path: Path) -> Path:
    settings.DATA_DIR = tmp_path
    return tmp_path / "photos"


@pytest.fixture
def part(bench: Bench) -> Part:
    return bench.part(bench.donor())


def files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*") if path.is_file())


def keep(bench: Bench, part: Part, **more: Any) -> Photo:
    return photos.add_photo(
        member=more.pop("member", bench.technician),
        subject=more.pop("subject", Subject(part=part)),
        data=more.pop("data", uploads.jpeg()),
        now=NOW,
        **more,
    )


def upload(name: str = "IMG 1.JPG", data: bytes | None = None) -> SimpleUploadedFile:
    """As a browser sends it; the stated type is not believed."""
    content = uploads.jpeg() if data is None else data
    return SimpleUploadedFile(name, content, content_type="image/jpeg")


class TestKeeping:
    def test_row_and_files(self, bench: Bench, part: Part, folder: Path) -> None:
        photo = keep(bench, part, caption=" the loom, left side ")
        assert (photo.caption, photo.width, photo.taken_by) == (
            "the loom, left side",
            64,
            bench.technician,
        )
        assert sum(path.stat().st_size for path in files(folder)) == photo.size_bytes
        assert [path.name for path in files(folder)] == [
            f"{photo.pk.hex}.jpg",
            f"{photo.pk.hex}.small.jpg",
        ]

    def test_a_step_of_a_donor(self, bench: Bench, part: Part) -> None:
        subject = Subject(donor=part.donor, step="lid")
        keep(bench, part, subject=subject)
        keep(bench, part, subject=Subject(donor=part.donor))
        assert photos.list_photos(bench.workshop, subject).count() == 1
        assert photos.list_photos(bench.workshop, Subject(donor=part.donor)).count() == 2
        assert photos.list_photos(bench.workshop, Subject(part=part)).count() == 0

    def test_a_full_workshop(self, bench: Bench, part: Part, folder: Path) -> None:
        bench.workshop.photo_quota_mb = 0
        bench.workshop.save()
        with pytest.raises(Conflict, match="fill the 0 MB"):
            keep(bench, part)
        assert (Photo.of(bench.workshop).count(), files(folder)) == (0, [])

    def test_too_many_of_one_part(self, bench: Bench, part: Part, monkeypatch: Any) -> None:
        monkeypatch.setattr(photos, "MOST_OF_ONE", 1)
        keep(bench, part)
        with pytest.raises(Conflict, match="has 1 photos already"):
            keep(bench, part)


class TestFileAndRowStayTogether:
    def test_a_row_that_cannot_be_written_leaves_no_file(
        self, bench: Bench, part: Part, folder: Path, monkeypatch: Any
    ) -> None:
        def fail(*_: Any, **__: Any) -> None:
            assert len(files(folder)) == 2  # the files are there by now
            raise RuntimeError("no row")

        monkeypatch.setattr(Photo.objects, "create", fail)
        with pytest.raises(RuntimeError):
            keep(bench, part)
        assert files(folder) == []

    def test_a_file_that_cannot_be_written_leaves_no_row(
        self, bench: Bench, part: Part, folder: Path, monkeypatch: Any
    ) -> None:
        def full(number: int) -> None:
            raise OSError("no space left")

        monkeypatch.setattr(os, "fsync", full)
        with pytest.raises(OSError, match="no space left"):
            keep(bench, part)
        monkeypatch.undo()
        assert (Photo.of(bench.workshop).count(), files(folder)) == (0, [])

    def test_what_a_rollback_leaves_behind_is_swept(
        self, bench: Bench, part: Part, folder: Path
    ) -> None:
        kept = keep(bench, part)
        try:
            with transaction.atomic():
                keep(bench, part)
                raise RuntimeError("something later fails")
        except RuntimeError:
            pass
        assert len(files(folder)) == 4
        (folder / "ab").mkdir(exist_ok=True)
        (folder / "ab" / "notes.txt").write_text("not ours")
        later = timezone.now() + photo_files.GRACE + timedelta(minutes=1)
        assert photo_files.remove_orphans(timezone.now()) == 0  # it may still be at work
        assert photo_files.remove_orphans(later) == 2
        assert photo_files.remove_orphans(later) == 0
        assert photo_files.are_there(kept.pk)
        assert (folder / "ab" / "notes.txt").exists()

    def test_the_sweep_looks_once_an_hour(self, bench: Bench, folder: Path) -> None:
        photo_files._swept_at.clear()
        stray = folder / "ab" / f"{uuid.uuid4().hex}.jpg"
        stray.parent.mkdir(parents=True)

        def swept(at: datetime) -> bool:
            stray.write_bytes(b"x")
            os.utime(stray, (time.time() - 9e6, time.time() - 9e6))
            photo_files.sweep_orphans(at)
            return not stray.exists()

        now = timezone.now()
        hours = [timedelta(0), timedelta(minutes=59), timedelta(minutes=61)]
        assert [swept(now + hour) for hour in hours] == [True, False, True]

    def test_deleting_takes_the_files_once_it_is_committed(
        self,
        bench: Bench,
        part: Part,
        folder: Path,
        django_capture_on_commit_callbacks: Commit,
    ) -> None:
        photo = keep(bench, part)
        with django_capture_on_commit_callbacks(execute=True):
            photos.delete_photo(member=bench.technician, photo_id=photo.pk)
            assert len(files(folder)) == 2
        assert files(folder) == []

    def test_a_missing_file_is_said(
        self, bench: Bench, part: Part, technician: Client, folder: Path
    ) -> None:
        photo = keep(bench, part)
        photo_files.remove(photo.pk)
        answer = technician.get(reverse("photo", args=[photo.pk]))
        assert answer.status_code == 404
        assert "The file of this photo is missing" in text_of(answer)
        for route in ("part", "part-photos"):
            page = text_of(technician.get(reverse(route, args=[part.ref])))
            assert "The file of this photo is missing" in page


class TestPages:
    def test_taking_photos_and_looking_at_them(
        self, bench: Bench, part: Part, technician: Client
    ) -> None:
        address = reverse("donor-photos", args=[part.donor.ref]) + "?step=lid"
        data = {"photo": upload(), "more": [upload(), upload()], "caption": "before"}
        answer = technician.post(address, data)
        assert (answer.status_code, answer.url) == (302, address)
        page = technician.get(address)
        assert "Photos kept: 3" in text_of(page)
        assert page.content.decode().count("<img") == 3
        assert 'capture="environment"' in page.content.decode()
        for route, ref in (("donor", part.donor.ref), ("donor-photos", part.donor.ref)):
            html = technician.get(reverse(route, args=[ref])).content.decode()
            assert html.count("<img") == 3

    def test_the_answer_is_a_picture_and_nothing_else(
        self, bench: Bench, part: Part, technician: Client
    ) -> None:
        photo = keep(bench, part, data=uploads.with_passengers()["jpeg html behind"])
        for route in ("photo", "photo-small"):
            answer = technician.get(reverse(route, args=[photo.pk]))
            assert answer["Content-Type"] == "image/jpeg"
            assert answer["X-Content-Type-Options"] == "nosniff"
            assert answer["Content-Security-Policy"] == "sandbox"
            assert answer["Content-Disposition"].startswith("inline")
            assert answer["Cache-Control"] == "private, no-cache"
            body = b"".join(answer.streaming_content)
            assert body.startswith(b"\xff\xd8")
            assert uploads.CANARY not in body

    def test_a_kept_copy_is_shown_to_who_may_see_it_alone(
        self, bench: Bench, other_bench: Bench, part: Part, technician: Client, folder: Path
    ) -> None:
        """RFC 9110 13.1.2 and 9111 5.2.2.4: no-cache asks each time, with the tag kept."""
        photo = keep(bench, part)
        tags = set()
        for route in ("photo", "photo-small"):
            address = reverse(route, args=[photo.pk])
            answer = technician.get(address)
            b"".join(answer.streaming_content)
            assert "Cookie" in answer["Vary"]
            tags.add(answer["ETag"])
            kept = {"If-None-Match": answer["ETag"]}
            again = technician.get(address, headers=kept)
            assert (again.status_code, again.content) == (304, b"")
            assert again["Cache-Control"] == "private, no-cache"
            technician.logout()
            assert technician.get(address, headers=kept).status_code == 302
            technician.force_login(other_bench.technician.user)  # on the same browser
            assert technician.get(address, headers=kept).status_code == 404
            technician.force_login(bench.technician.user)
            other = technician.get(address, headers={"If-None-Match": '"another"'})
            assert other.status_code == 200
            b"".join(other.streaming_content)
        assert len(tags) == 2
        for file in files(folder):
            file.unlink()
        assert technician.get(address, headers=kept).status_code == 404

    def test_what_is_refused_is_said_and_nothing_is_kept(
        self, bench: Bench, part: Part, technician: Client, folder: Path
    ) -> None:
        address = reverse("part-photos", args=[part.ref])
        for data, words in (
            ({}, "No picture was chosen"),
            ({"photo": upload(data=b"no")}, "no JPEG, PNG or WebP"),
            ({"photo": upload(data=b"")}, "it is empty"),
            ({"more": [upload()] * 5}, "at most 4"),
            ({"photo": upload(), "caption": "x" * 201}, "t most 200"),
        ):
            answer = technician.post(address, data)
            assert (answer.status_code, words in text_of(answer)) == (400, True), words
        assert files(folder) == []
        assert technician.post(address, {"photo": "text"}).status_code == 400
        many = {"more": [upload(data=b"x")] * 9}
        assert technician.post(address, many).status_code == 400

    @pytest.mark.parametrize("name", uploads.bad())
    def test_no_file_makes_a_page_fall_over(
        self, part: Part, technician: Client, name: str
    ) -> None:
        data = {"photo": upload(data=uploads.bad()[name])}
        answer = technician.post(reverse("part-photos", args=[part.ref]), data)
        assert answer.status_code == 400
        assert not Photo.objects.unscoped().exists()

    def test_those_before_a_refused_one_are_kept(
        self, bench: Bench, part: Part, technician: Client
    ) -> None:
        data = {"more": [upload(), upload(data=b"no")]}
        answer = technician.post(reverse("part-photos", args=[part.ref]), data)
        assert answer.status_code == 400
        assert "Photos kept: 1" in text_of(answer)
        assert Photo.of(bench.workshop).count() == 1

    def test_who_deletes(self, bench: Bench, part: Part, technician: Client) -> None:
        cataloguer = Client()
        cataloguer.force_login(bench.members["cataloguer"].user)
        mine = keep(bench, part, member=bench.members["cataloguer"])
        other = keep(bench, part)
        assert cataloguer.post(reverse("photo-delete", args=[other.pk])).status_code == 403
        assert cataloguer.post(reverse("photo-delete", args=[mine.pk])).status_code == 302
        assert technician.post(reverse("photo-delete", args=[other.pk])).status_code == 302
        assert not Photo.of(bench.workshop).exists()

    @pytest.mark.parametrize("step", ["../x", "A", "a b", "%", "x" * 81])
    def test_a_step_that_is_none(self, part: Part, technician: Client, step: str) -> None:
        address = reverse("donor-photos", args=[part.donor.ref])
        assert technician.get(address, {"step": step}).status_code == 404

    def test_another_workshop_s_photo(
        self, bench: Bench, other_bench: Bench, technician: Client
    ) -> None:
        theirs = keep(other_bench, other_bench.part(other_bench.donor()))
        for route in ("photo", "photo-small", "photo-delete"):
            method = technician.post if route == "photo-delete" else technician.get
            assert method(reverse(route, args=[theirs.pk])).status_code == 404
        assert photo_files.are_there(theirs.pk)


class TestOverTheApi:
    @pytest.fixture
    def client(self, bench: Bench, sign_in: Any) -> Iterator[Any]:
        return sign_in("technician")

    def test_keep_list_fetch_delete(
        self, bench: Bench, part: Part, client: Any, django_capture_on_commit_callbacks: Commit
    ) -> None:
        path = f"/api/v1/donors/{part.donor.ref}/photos/"
        body = {"photo": upload(), "step": "lid", "caption": "before"}
        made = client.post(path, body, format="multipart")
        assert made.status_code == 201
        assert (made.data["step"], made.data["there"]) == ("lid", True)
        assert client.get(path, {"step": "lid"}).data["count"] == 1
        assert client.get(path, {"step": "rear"}).data["count"] == 0
        for accept in ("*/*", "image/jpeg", "image/avif,image/*"):
            client.credentials(HTTP_ACCEPT=accept)
            for address in (made.data["picture"], made.data["small_picture"]):
                answer = client.get(address)
                assert answer["Content-Type"] == "image/jpeg"
                assert answer["Content-Security-Policy"] == "sandbox"
        client.credentials()
        with django_capture_on_commit_callbacks(execute=True):
            gone = client.delete(f"/api/v1/photos/{made.data['id']}/")
        assert gone.status_code == 204
        assert client.get(made.data["picture"]).status_code == 404

    def test_refusals(self, part: Part, client: Any) -> None:
        path = f"/api/v1/parts/{part.ref}/photos/"
        for body, status in (
            ({}, 400),
            ({"photo": "text"}, 400),
            ({"photo": upload(data=b"no")}, 400),
            ({"photo": upload(data=b"")}, 400),
        ):
            answer = client.post(path, body, format="multipart")
            assert answer.status_code == status
            assert [one["field"] for one in answer.data["errors"]] == ["photo"]
        assert client.post(path, {"photo": "x"}, format="json").status_code == 415

    def test_a_repeated_upload_is_kept_once(self, bench: Bench, part: Part, client: Any) -> None:
        path, key = f"/api/v1/parts/{part.ref}/photos/", {"Idempotency-Key": "once"}
        answers = [
            client.post(path, {"photo": upload()}, format="multipart", headers=key)
            for _ in range(2)
        ]
        assert answers[0].content == answers[1].content
        assert Photo.of(bench.workshop).count() == 1
        other = upload(data=uploads.jpeg(80, 60))
        again = client.post(path, {"photo": other}, format="multipart", headers=key)
        assert again.status_code == 422
