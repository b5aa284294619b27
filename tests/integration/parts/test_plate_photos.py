"""Photos of rating plates: read on the pages of intake and over the API, stored beside a choice.

The photos are generated (tests/plate_photos.py). How well they are read: tests/speed.
"""

from datetime import date

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient

from donors.catalogue import Catalogue
from donors.models import Donor
from donors.plate_candidates import seen_on
from matching.models import Job
from parts import plate_photos, programs
from tests import uploads
from tests.factories import TODAY, Bench
from tests.integration.web.reading import text_of
from tests.plate_photos import photo, printed
from workshop.errors import InputRefused

pytestmark = pytest.mark.django_db
LINES = ["VELTHANE", "Mod. W7-6O R1 W", "S/N AB1234567", "Built 2018-W23", "220-240 V~ 50 Hz"]


def upload(data: bytes = b"") -> SimpleUploadedFile:
    return SimpleUploadedFile("plate.jpg", data or uploads.jpeg(), content_type="image/jpeg")


@pytest.fixture
def reads(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """Have every photo read as LINES: what follows does not hang on the reader."""
    monkeypatch.setattr(plate_photos, "can_read", lambda: True)
    monkeypatch.setattr(plate_photos, "read_lines", lambda data: list(LINES))
    return LINES


def test_what_is_read_fills_blanks_and_is_shown_with_candidates(
    bench: Bench, technician: Client, reads: list[str]
) -> None:
    typed = {"act": "read-plate", "plate_photo": upload(), "note": "dead", "serial_number": ""}
    answer = technician.post(reverse("donor-new"), typed)
    assert answer.status_code == 200
    form, page = answer.context["form"], text_of(answer)
    assert form["model_number"].value() == "W7-6O R1 W"
    assert form["serial_number"].value() == "AB1234567"
    assert (form["build_code"].value(), form["build_scheme"].value()) == ("2018-W23", "ISO_WEEK")
    assert form["note"].value() == "dead"
    assert "2018-06-04 to 2018-06-10" in page
    assert all(line in page for line in LINES)
    assert answer.context["plate_candidates"][0].model.number == "W7-60 R1 W"
    assert "needed" not in str(form.errors)
    assert not Donor.of(bench.workshop).exists()


def test_what_was_typed_is_kept_and_a_second_photo_replaces_only_what_the_first_filled(
    bench: Bench, technician: Client, reads: list[str]
) -> None:
    typed = {"act": "read-plate", "plate_photo": upload(), "serial_number": "MINE"}
    first = technician.post(reverse("donor-new"), typed).context["form"]
    assert first["serial_number"].value() == "MINE"
    reads[1] = "Mod. K3-60 R1 W"
    again = {
        "act": "read-plate",
        "plate_photo": upload(),
        "serial_number": "MINE",
        "model_number": "W7-6O R1 W",
        "read_text": first["read_text"].value(),
    }
    try:
        second = technician.post(reverse("donor-new"), again).context["form"]
    finally:
        reads[1] = "Mod. W7-6O R1 W"
    assert second["model_number"].value() == "K3-60 R1 W"
    assert second["serial_number"].value() == "MINE"


@pytest.mark.parametrize("page", ["donor-new", "job-new"])
def test_a_choice_is_stored_beside_the_number_as_read(
    bench: Bench, technician: Client, reads: list[str], page: str
) -> None:
    read = technician.post(reverse(page), {"act": "read-plate", "plate_photo": upload()})
    form, chosen = read.context["form"], read.context["plate_candidates"][0].model
    sent = {
        "model_number": form["model_number"].value(),
        "make": form["make"].value(),
        "read_text": form["read_text"].value(),
        "model_id": str(chosen.id),
        "appliance": "washing-machine",
        "received_on": "2026-11-20",
        "opened_on": "2026-11-20",
        "symptom": "does not turn",
    }
    assert technician.post(reverse(page), sent).status_code == 302
    row = (Donor if page == "donor-new" else Job).of(bench.workshop).get()
    assert row.model_number == "W7-6O R1 W"
    assert (row.recognised_id, row.confirmed, row.certainty) == (chosen.id, True, 1.0)


def test_a_second_photo_that_cannot_be_read_takes_nothing_away(
    bench: Bench, technician: Client, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    first = technician.post(
        reverse("donor-new"), {"act": "read-plate", "plate_photo": upload()}
    ).context["form"]
    names = ("make", "model_number", "serial_number", "build_code", "build_scheme", "read_text")
    sent = {name: first[name].value() for name in names}
    assert sent["model_number"] == "W7-6O R1 W"
    monkeypatch.setattr(plate_photos, "read_lines", lambda data: [])
    again = {**sent, "act": "read-plate", "plate_photo": upload()}
    answer = technician.post(reverse("donor-new"), again)
    assert "Nothing could be read" in text_of(answer)
    assert {name: answer.context["form"][name].value() for name in names} == sent
    assert answer.context["plate_candidates"]


@pytest.mark.parametrize("page", ["donor-new", "job-new"])
def test_a_model_chosen_for_another_number_is_asked_for_again(
    bench: Bench, technician: Client, reads: list[str], page: str
) -> None:
    read = technician.post(reverse(page), {"act": "read-plate", "plate_photo": upload()})
    chosen = read.context["plate_candidates"][0].model
    assert b'name="chosen_for" value="W7-6O R1 W"' in read.content
    sent = {
        "model_number": "K3-60 R1 W",
        "chosen_for": "W7-6O R1 W",
        "read_text": read.context["form"]["read_text"].value(),
        "model_id": str(chosen.id),
        "appliance": "washing-machine",
        "received_on": "2026-11-20",
        "opened_on": "2026-11-20",
        "symptom": "does not turn",
    }
    answer = technician.post(reverse(page), sent)
    model = Donor if page == "donor-new" else Job
    assert (answer.status_code, model.of(bench.workshop).count()) == (400, 0)
    assert "chosen while the number was W7-6O R1 W" in text_of(answer)
    assert answer.context["plate_chosen"] == ""
    assert b'name="chosen_for" value="K3-60 R1 W"' in answer.content
    assert technician.post(reverse(page), {**sent, "model_id": ""}).status_code == 302
    assert not model.of(bench.workshop).get().confirmed


def test_candidates_stay_on_the_page_when_something_else_is_refused(
    bench: Bench, technician: Client, reads: list[str]
) -> None:
    sent = {"read_text": "\n".join(LINES), "model_number": "W7-6O R1 W", "received_on": ""}
    answer = technician.post(reverse("donor-new"), {**sent, "appliance": "washing-machine"})
    assert answer.status_code == 400
    assert answer.context["plate_candidates"]
    assert "VELTHANE" in text_of(answer)


def test_a_model_of_another_workshop_or_appliance_is_refused(
    bench: Bench, other_bench: Bench, technician: Client
) -> None:
    theirs = other_bench.makes["Velthane"].numbers.first()
    mine = bench.makes["Velthane"].numbers.filter(appliance__isnull=False).first()
    sent = {"model_number": "W7", "received_on": "2026-11-20", "appliance": "washing-machine"}
    assert technician.post(reverse("donor-new"), {**sent, "model_id": theirs.pk}).status_code == 404
    sent["appliance"] = "dishwasher"
    assert technician.post(reverse("donor-new"), {**sent, "model_id": mine.pk}).status_code == 409
    assert not Donor.of(bench.workshop).exists()


def test_text_sent_back_is_cut_before_it_is_looked_through(
    bench: Bench, technician: Client, reads: list[str]
) -> None:
    sent = {"read_text": "Mod." + " " * 500_000 + "!\n" + "\n".join(LINES), "received_on": ""}
    answer = technician.post(reverse("donor-new"), sent)
    assert answer.status_code == 400
    assert answer.context["plate_seen"].lines[:2] == ("Mod. !", "VELTHANE")


def test_without_the_extra_the_page_says_so_and_typing_goes_on(
    bench: Bench, technician: Client, monkeypatch: pytest.MonkeyPatch, api: APIClient
) -> None:
    monkeypatch.setattr(plate_photos, "can_read", lambda: False)
    page = technician.get(reverse("donor-new"))
    assert "requirements-ocr.txt" in text_of(page)
    assert b'name="plate_photo"' not in page.content
    read = technician.post(reverse("donor-new"), {"act": "read-plate", "plate_photo": upload()})
    assert read.status_code == 409
    answer = api.post("/api/v1/plates/read/", {"photo": upload()}, format="multipart")
    assert (answer.status_code, answer.json()["code"]) == (409, "plate-reader-missing")


@pytest.fixture
def api(bench: Bench) -> APIClient:
    client = APIClient()
    client.force_login(bench.technician.user)
    return client


def test_no_photo_and_no_text_are_said(
    bench: Bench, technician: Client, reads: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    none = technician.post(reverse("donor-new"), {"act": "read-plate"})
    assert (none.status_code, "No photo was chosen" in text_of(none)) == (400, True)
    monkeypatch.setattr(plate_photos, "read_lines", lambda data: [])
    blank = technician.post(reverse("donor-new"), {"act": "read-plate", "plate_photo": upload()})
    assert (blank.status_code, "Nothing could be read" in text_of(blank)) == (400, True)


def test_a_generated_photo_is_read_by_the_real_reader(bench: Bench, api: APIClient) -> None:
    pytest.importorskip("rapidocr", reason="needs requirements-ocr.txt")
    what = printed("Velthane", "W7-60 R1 W", seed=3)
    answer = api.post(
        "/api/v1/plates/read/", {"photo": upload(photo(what, "tilt", "strong"))}, format="multipart"
    )
    said = answer.json()
    assert answer.status_code == 200
    assert said["candidates"][0]["model_number"] == "W7-60 R1 W"
    assert said["serial_number"] == what.serial_number
    assert said["built"]["kept"]


@pytest.mark.any_engine
@pytest.mark.parametrize("name", ["empty", "text", "cut"])
def test_what_is_no_picture_is_refused_before_it_is_read(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plate_photos, "can_read", lambda: True)
    monkeypatch.setattr(plate_photos, "_pieces", lambda picture: pytest.fail("was read"))
    data = {"empty": b"", "text": b"no picture", "cut": uploads.jpeg()[:200]}[name]
    with pytest.raises(InputRefused):
        plate_photos.read_lines(data)


@pytest.mark.any_engine
@pytest.mark.parametrize("ends", ["import os; os.kill(os.getpid(), 9)", "while True: pass"])
def test_a_reader_that_dies_or_hangs_is_a_refusal(
    ends: str, monkeypatch: pytest.MonkeyPatch, tmp_path
) -> None:
    program = tmp_path / "program.py"
    program.write_text(ends)
    monkeypatch.setattr(plate_photos, "can_read", lambda: True)
    monkeypatch.setattr(plate_photos, "_PROGRAM", program)
    monkeypatch.setattr(plate_photos, "PATIENCE_S", 1.0)
    with pytest.raises(InputRefused, match="not read"):
        plate_photos.read_lines(uploads.jpeg())


@pytest.mark.any_engine
def test_memory_of_a_program_is_limited(tmp_path) -> None:
    """With the limit it dies; with a higher one the same bytes pass (the control)."""
    program = tmp_path / "program.py"
    text = "MOST_MEMORY = {} * 2**20\nMOST_SECONDS = 5\ndef main(): print(len(bytes(300 * 2**20)))"
    program.write_text(text.format(500))
    assert programs.run_apart(program, b"", patience_s=20) == b"314572800\n"
    program.write_text(text.format(100))
    with pytest.raises(programs.Died):
        programs.run_apart(program, b"", patience_s=20)


def test_numbers_behind_no_label_are_found_too(bench: Bench) -> None:
    seen = seen_on(Catalogue.load(bench.workshop), ["VELTHAME", "W7-80 R1 W", "230 V"], today=TODAY)
    assert seen.candidates[0].model.number == "W7-80 R1 W"
    assert (seen.make, seen.model_number) == ("Velthane", "W7-80 R1 W")
    assert seen_on(Catalogue.load(bench.workshop), ["230 V 50 Hz"], today=TODAY).candidates == ()


def test_a_week_that_is_none_fills_nothing_in(bench: Bench) -> None:
    catalogue = Catalogue.load(bench.workshop)
    for line in ("Built 2018-W60", "Date 2030-W10", "Made 99"):
        seen = seen_on(catalogue, [line], today=date(2026, 1, 1))
        assert (seen.build_code, seen.built) == ("", None)
