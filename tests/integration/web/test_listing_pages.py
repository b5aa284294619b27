"""The pages of listings: pasting, importing, correcting, buying; what is hostile stays text."""

import gzip
from io import BytesIO
from pathlib import Path

import pytest
from django.core.management import CommandError, call_command
from django.urls import reverse
from django.utils import timezone

from donors import events
from donors.listings.services import Correction, correct_listing
from donors.models import Donor, Listing
from tests.factories import Bench
from tests.integration.web.reading import text_of

pytestmark = pytest.mark.django_db
DEMO = Path(__file__).parents[3] / "fixtures" / "demo_listings"
TEXT = "Velthane washing machine, model W7-60 R1 W, does not drain. Asking €15 ono."
CAUSE = "bearing-drum"
CSV = "id_or_link,title,text,price,currency,seen_on\n"


def upload(client, raw: bytes, name: str = "file.xml", kind: str = "auto"):
    file = BytesIO(raw)
    file.name = name
    return client.post(reverse("listing-import"), {"file": file, "kind": kind})


def test_from_a_pasted_text_to_a_donor(bench: Bench, technician) -> None:
    bench.job(max_price_cents=9000, technician=bench.technician)
    bench.drain()
    typed = {"text": TEXT, "seen_on": "2026-11-20"}
    answer = technician.post(reverse("listing-new"), typed)
    row = Listing.of(bench.workshop).get()
    assert answer.url == reverse("listing", args=[row.ref])
    bench.drain()
    page = text_of(technician.get(answer.url))
    assert "J-0001" in page
    assert "counted in the sum" in page
    assert "W7-60 R1 W" in page
    assert row.ref in text_of(technician.get(reverse("alerts")))
    assert row.title[:20] in text_of(technician.get(reverse("listings")))
    bought = technician.post(
        reverse("listing-buy", args=[row.ref]), {"paid": "12.50", "received_on": "2026-11-20"}
    )
    donor = Donor.of(bench.workshop).get()
    assert bought.url == reverse("donor", args=[donor.ref])
    assert "bought" in text_of(technician.get(reverse("listing", args=[row.ref])))


def test_it_says_not_worked_out_yet_until_it_is(bench: Bench, technician) -> None:
    from rest_framework.test import APIClient

    api = APIClient()
    api.force_authenticate(bench.technician.user)
    ref = api.post("/api/v1/listings/", {"text": TEXT}, format="json").data["listing"]["ref"]

    def told() -> tuple[str, str, dict[str, object]]:
        pages = [reverse("listing", args=[ref]), reverse("listings")]
        page, table = (text_of(technician.get(one)).lower() for one in pages)
        return page, table, api.get(f"/api/v1/listings/{ref}/").data["worth"]

    page, table, worth = told()
    assert "not worked out yet" in page
    assert "not worked out yet" in table
    assert not any(said in page for said in ("✓ worth it", "✗ not worth", "✗ too dear"))
    assert (worth["worked_out"], worth["most"], worth["pays"]) == (False, None, None)
    bench.drain()
    page, table, worth = told()
    assert "not worked out yet" not in page + table
    assert worth["worked_out"] is True
    assert worth["most"] is not None
    assert worth["pays"] is not None


def test_one_that_failed_says_so_until_newer_news_of_it_is_done(bench: Bench, technician) -> None:
    row = bench.listing()
    bench.drain()
    other = bench.listing(TEXT.replace("€15", "€90").replace("R1 W", "R2 W"))

    def told(one: Listing) -> str:
        return text_of(technician.get(reverse("listing", args=[one.ref]))).lower()

    bench.dead_letter(
        kind=events.LISTINGS_CHANGED, payload={"listing_ids": [row.pk]}, recorded_at=timezone.now()
    )
    assert "could not be worked out" in told(row)
    assert "listed among what failed" in told(row)
    assert "not worked out yet" not in told(row)
    assert "not worked out yet" in told(other)
    assert "could not be worked out" in text_of(technician.get(reverse("listings")))
    correct_listing(workshop=bench.workshop, ref=row.ref, correction=Correction(cause=CAUSE))
    assert "not worked out yet" in told(row)  # it is being tried
    bench.drain()
    for one in (row, other):
        assert "worked out" not in told(one)
    assert "worked out" not in text_of(technician.get(reverse("listings")))


def test_correcting_changes_only_what_was_changed(bench: Bench, technician) -> None:
    ref = bench.listing().ref
    row = Listing.of(bench.workshop).get()
    form = {
        "appliance": "washing-machine",
        "make": "Velthane",
        "model_number": row.model_number,
        "cause": "bearing-drum",
        "price": "15.00",
        "built_from": "",
        "built_to": "",
    }
    answer = technician.post(reverse("listing-correct", args=[ref]), form)
    assert answer.status_code == 302
    row.refresh_from_db()
    assert (row.stated, row.cause.slug) == (["cause"], "bearing-drum")
    wrong = technician.post(reverse("listing-correct", args=[ref]), {**form, "price": "-5"})
    assert wrong.status_code == 400
    assert "below zero" in text_of(wrong)


def test_closing_and_taking_it_back(bench: Bench, technician) -> None:
    ref = bench.listing().ref
    technician.post(reverse("listing-close", args=[ref]), {"state": "declined", "why": "rust"})
    assert "rust" in text_of(technician.get(reverse("listing", args=[ref])))
    again = technician.post(reverse("listing-close", args=[ref]), {"state": "gone"})
    assert again.status_code == 409
    technician.post(reverse("listing-reopen", args=[ref]))
    assert Listing.of(bench.workshop).get().is_open


def test_hostile_words_and_links_stay_text(bench: Bench, technician) -> None:
    nasty = f'{TEXT} <script>alert(1)</script> "><img src=x onerror=alert(2)>'
    bad = bench.listing(nasty, link="javascript:alert(3)")
    page = technician.get(reverse("listing", args=[bad.ref])).content.decode()
    assert "<script" not in page.replace('<script src="/static/', "")
    assert "onerror" not in page
    assert 'href="javascript' not in page
    good = bench.listing("Velthane K3-60 R1 W washer 5 €", link="https://example.test/a?b=1&c=2")
    page = technician.get(reverse("listing", args=[good.ref])).content.decode()
    assert 'rel="noopener noreferrer nofollow"' in page


@pytest.mark.parametrize("name", ["listings.csv", "saved_feed.atom", "tip.eml"])
def test_the_demo_files_are_taken_by_what_they_are(bench: Bench, cataloguer, name: str) -> None:
    raw = (DEMO / name).read_bytes()
    answer = upload(cataloguer, raw, name)
    assert answer.status_code == 302, text_of(answer)
    before = Listing.of(bench.workshop).count()
    assert before
    upload(cataloguer, raw, name)
    assert Listing.of(bench.workshop).count() == before


@pytest.mark.parametrize(
    ("raw", "kind", "why"),
    [
        (b'<!DOCTYPE x [<!ENTITY a "b">]><feed/>', "feed", "document type"),
        (gzip.compress(b"x", mtime=0), "auto", "compressed"),
        (b"y" * 5_000_000, "text", "t most"),
        (b"z " * 40_000, "text", "t most"),
        (b"", "auto", "empty"),
        ((CSV + "a,,,5,EUR,").encode(), "auto", "give one of them"),
        ((CSV + "a,T,washer,-5,EUR,").encode(), "auto", "below zero"),
        ((CSV + "a,T,washer,5,EURO,").encode(), "auto", "currency"),
        ((CSV + "a,T,washer,5,EUR,2099-01-01").encode(), "auto", "ahead"),
        (
            (CSV + "a,T,good washer,5,EUR,\nb,T,<script>x</script>,5,EUR,").encode(),
            "csv",
            "listing 2",
        ),
    ],
)
def test_a_bad_file_stores_nothing_and_says_why(bench: Bench, cataloguer, raw, kind, why) -> None:
    answer = upload(cataloguer, raw, "file.dat", kind)
    assert answer.status_code == 400
    assert why in text_of(answer)
    assert not Listing.of(bench.workshop).exists()


def test_the_command_stores_or_only_says(bench: Bench, tmp_path, capsys) -> None:
    shop = bench.workshop.slug
    path = str(DEMO / "listings.csv")
    call_command("import_listings", path, workshop=shop, dry_run=True)
    assert "8 new" in capsys.readouterr().out
    assert not Listing.of(bench.workshop).exists()
    call_command("import_listings", path, workshop=shop)
    assert Listing.of(bench.workshop).count() == 8
    for wrong in ({"workshop": "nowhere"}, {"workshop": shop, "kind": "feed"}):
        with pytest.raises(CommandError):
            call_command("import_listings", path, **wrong)
    with pytest.raises(CommandError):
        call_command("import_listings", str(tmp_path / "none"), workshop=shop)


def test_the_api_offers_the_same(bench: Bench) -> None:
    from rest_framework.test import APIClient

    bench.job(max_price_cents=9000)
    bench.drain()
    api = APIClient()
    api.force_authenticate(bench.technician.user)
    base = "/api/v1/listings/"
    ref = api.post(base, {"text": TEXT}, format="json").data["listing"]["ref"]
    bench.drain()
    found = api.get(f"{base}{ref}/").data
    assert found["served"][0]["job_ref"] == "J-0001"
    lines = sum(line["money"] for line in found["worth"]["lines"])
    assert max(0.0, lines) == pytest.approx(found["worth"]["most"])
    patched = api.patch(f"{base}{ref}/", {"price": "20.00", "margin_percent": 10}, format="json")
    assert patched.data["listing"]["price"] == "20.00"
    assert patched.data["worth"]["margin_percent"] == 10
    assert api.patch(f"{base}{ref}/", {"cause": "boredom"}, format="json").status_code == 400
    assert api.post(base, {"text": " "}, format="json").status_code == 400
    buy = {"paid": "5.00", "received_on": "2026-11-20"}
    assert api.post(f"{base}{ref}/buy/", buy, format="json").status_code == 201
    assert api.post(f"{base}{ref}/buy/", buy, format="json").status_code == 409
    listed = api.get(base, {"state": "bought"}).data["results"]
    assert [one["ref"] for one in listed] == [ref]
    terms = {"days_kept": 10, "collection": "5.00", "margin_percent": 0}
    assert api.put(f"{base}terms/", terms, format="json").status_code == 403
    api.force_authenticate(bench.members["owner"].user)
    assert api.put(f"{base}terms/", terms, format="json").data == terms


def test_the_list_asks_no_more_as_it_grows(
    bench: Bench, technician, django_assert_max_num_queries
) -> None:
    for number in range(12):
        bench.listing(f"{TEXT} Serial {number * 7919 + 100000}.")
    with django_assert_max_num_queries(10):
        technician.get(reverse("listings"))
