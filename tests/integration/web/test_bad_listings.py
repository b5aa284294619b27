"""Bad and hostile listings, each through page, API and command: refused with why, or cleaned.

Hostile XML after OWASP's XML External Entity Prevention Cheat Sheet and the "billion laughs" of
CVE-2003-1564: entities, their expansion, external files and parameter entities.
"""

from collections.abc import Callable
from io import BytesIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from rest_framework.test import APIClient

from donors.models import Listing, ListingKey, ListingSighting
from tests.factories import Bench
from tests.integration.web.reading import text_of
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

HEAD = b'<?xml version="1.0"?>'
ATOM = b'<feed xmlns="http://www.w3.org/2005/Atom">'
CSV = b"id_or_link,title,text,price,currency,seen_on\n"
GOOD = "Velthane washing machine, model W7-60 R1 W, does not drain."
SECRET = "what-no-listing-may-hold"


def entry(words: bytes) -> bytes:
    good = b"<entry><id>1</id><title>" + GOOD.encode() + b"</title><content>5 EUR</content></entry>"
    return ATOM + good + b"<entry><id>2</id><title>" + words + b"</title></entry></feed>"


def laughs() -> bytes:
    lines = [b'<!ENTITY a0 "ha ha ha">']
    for nth in range(1, 12):
        lines.append(b'<!ENTITY a%d "%s">' % (nth, (b"&a%d;" % (nth - 1)) * 10))
    return HEAD + b"<!DOCTYPE feed [" + b"".join(lines) + b"]>" + entry(b"&a11;")


def external(path: Path) -> bytes:
    return HEAD + b'<!DOCTYPE feed [<!ENTITY x SYSTEM "file://%s">]>' % bytes(path) + entry(b"&x;")


def outside(path: Path) -> bytes:
    return HEAD + b'<!DOCTYPE feed SYSTEM "file://%s">' % bytes(path) + entry(b"two")


def parameter(path: Path) -> bytes:
    asked = b'<!ENTITY %% x SYSTEM "file://%s"> %%x;' % bytes(path)
    return HEAD + b"<!DOCTYPE feed [" + asked + b"]>" + entry(b"two")


BAD_FILES: dict[str, tuple[Callable[[Path], bytes], str, str]] = {
    "billion laughs": (lambda _: laughs(), "a.xml", "document type or entities"),
    "external entity": (external, "a.xml", "document type or entities"),
    "external document type": (outside, "a.xml", "document type or entities"),
    "parameter entity": (parameter, "a.xml", "document type or entities"),
    "unknown entity": (lambda _: HEAD + entry(b"&nobody;"), "a.xml", "no well-formed XML"),
    "not closed": (lambda _: HEAD + entry(b"two")[:-9], "a.xml", "no well-formed XML"),
    "too deep": (lambda _: HEAD + ATOM + b"<a>" * 500 + b"</a>" * 500, "a.xml", "nested more"),
    "empty": (lambda _: b"", "a.txt", ""),  # each way says it in words of its own
    "only blanks": (lambda _: b" \n\t ", "a.txt", "holds no word"),
    "5 MB": (lambda _: b"good washer " * 430_000, "a.txt", "at most"),
    "only a script": (lambda _: b"<script>alert(1)</script>", "a.txt", ""),
    "price below zero": (
        lambda _: CSV + b"a,T,washer,5,EUR,\nb,T,washer two,-5,EUR,",
        "a.csv",
        "below zero",
    ),
}


def by_page(bench: Bench, client, raw: bytes, name: str, _: Path) -> tuple[bool, str]:
    client.force_login(bench.technician.user)
    file = BytesIO(raw)
    file.name = name
    answer = client.post(reverse("listing-import"), {"file": file, "kind": "auto"})
    return answer.status_code == 302, "" if answer.status_code == 302 else text_of(answer)


def by_api(bench: Bench, client, raw: bytes, name: str, _: Path) -> tuple[bool, str]:
    api = APIClient()
    api.force_authenticate(bench.technician.user)
    file = BytesIO(raw)
    file.name = name
    answer = api.post("/api/v1/listings/import/", {"file": file}, format="multipart")
    assert answer.status_code in (201, 400), answer.content
    return answer.status_code == 201, answer.content.decode()


def by_command(bench: Bench, client, raw: bytes, name: str, folder: Path) -> tuple[bool, str]:
    path = folder / name
    path.write_bytes(raw)
    try:
        call_command("import_listings", path, workshop=bench.workshop.slug)
    except CommandError as refused:
        return False, str(refused)
    return True, ""


WAYS = pytest.mark.parametrize("send", [by_page, by_api, by_command])


@WAYS
@pytest.mark.parametrize("what", BAD_FILES)
def test_a_bad_file_is_refused_with_why_and_nothing_is_written(
    bench: Bench, client, tmp_path: Path, send, what: str
) -> None:
    made, name, why = BAD_FILES[what]
    hidden = tmp_path / "hidden.txt"
    hidden.write_text(SECRET)
    taken, said = send(bench, client, made(hidden), name, tmp_path)
    assert not taken
    assert why in said
    assert SECRET not in said
    for table in (Listing, ListingSighting, ListingKey):
        assert not table.of(bench.workshop).exists()
    assert not OutboxEvent.of(bench.workshop).filter(kind="donors.listings-changed").exists()


@WAYS
def test_control_the_same_feed_without_the_fault_is_stored(
    bench: Bench, client, tmp_path: Path, send
) -> None:
    assert send(bench, client, HEAD + entry(b"dryer"), "a.xml", tmp_path)[0]
    assert Listing.of(bench.workshop).count() == 2


@WAYS
def test_markup_and_a_price_below_zero_in_a_text_are_cleaned_and_told(
    bench: Bench, client, tmp_path: Path, send
) -> None:
    raw = f'{GOOD} <script>steal()</script><img src=x onerror="steal()"> Asking -45 €.'.encode()
    assert send(bench, client, raw, "a.txt", tmp_path)[0]
    row = Listing.of(bench.workshop).get()
    assert row.price_cents is None
    assert any("below zero" in one["words"] for one in row.read["findings"])
    assert "steal" not in row.title
    client.force_login(bench.technician.user)
    assert "steal" not in client.get(reverse("listing", args=[row.ref])).content.decode()


def paste_on_page(bench: Bench, client, typed: dict[str, str]) -> int:
    client.force_login(bench.technician.user)
    answer = client.post(reverse("listing-new"), {"seen_on": "2026-11-20", **typed})
    return int(answer.status_code)


def paste_to_api(bench: Bench, client, typed: dict[str, str]) -> int:
    api = APIClient()
    api.force_authenticate(bench.technician.user)
    return int(api.post("/api/v1/listings/", typed, format="json").status_code)


@pytest.mark.parametrize("paste", [paste_on_page, paste_to_api])
@pytest.mark.parametrize(
    "typed",
    [
        {"text": ""},
        {"text": " \n "},
        {"text": "<script>x</script>"},
        {"text": "good washer " * 430_000},
        {"text": GOOD, "price": "-5"},
        {"text": GOOD, "price": "-0.01"},
    ],
    ids=["empty", "blanks", "script", "5 MB", "below zero", "just below zero"],
)
def test_what_cannot_be_pasted_is_refused_and_nothing_is_written(
    bench: Bench, client, paste, typed: dict[str, str]
) -> None:
    assert paste(bench, client, typed) in (400, 413)
    assert not Listing.of(bench.workshop).exists()
    assert not OutboxEvent.of(bench.workshop).filter(kind="donors.listings-changed").exists()
