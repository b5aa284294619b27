"""Adding listings: read, told apart, seen again; all or nothing."""

from datetime import date, datetime, timedelta

import pytest
from django.db import IntegrityError, transaction

from donors.listings import services
from donors.listings.services import Correction, Offered, add_listing, add_listings
from donors.models import Listing, ListingKey, ListingSighting
from tests.factories import NOW, TODAY, Bench
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import OutboxEvent

TEXT = (
    "Velthane washing machine, model W7-60 R1 W, white. Very loud on spin, the bearings are gone. "
    "About 8 years old, with all hoses and the manual. Asking €45 ono. Collection only please."
)


def add(bench: Bench, text: str = TEXT, **values):
    on = values.pop("on", TODAY)
    offered = Offered(text, **values)
    return add_listing(workshop=bench.workshop, offered=offered, member=bench.technician, on=on)


def test_what_a_text_says_is_stored_with_its_words(bench):
    row = add(bench).listing
    assert (row.ref, row.state, row.make.name, row.model_number) == (
        "L-0001",
        "open",
        "Velthane",
        "W7-60 R1 W",
    )
    assert (row.appliance_id, row.cause.slug, row.family) == (
        "washing-machine",
        "bearing-drum",
        "W7",
    )
    assert (row.price_cents, row.currency) == (4500, "EUR")
    assert (row.built_from, row.built_to) == (date(2017, 1, 1), date(2018, 12, 31))
    assert 0.9 < row.certainty < 1
    said = {one["what"]: one["words"] for one in row.read["findings"]}
    assert said["price"] == "€45"
    assert said["cause"] == "loud on spin; bearings"
    assert row.text == TEXT
    assert row.expires_on == TODAY + timedelta(days=bench.workshop.listing_days)


def test_markup_is_read_as_text_and_the_raw_text_is_kept(bench):
    raw = "<p>Velthane <b>W7-60 R1 W</b> washer</p><script>alert(1)</script> 30&euro;"
    row = add(bench, raw).listing
    assert row.text == raw
    assert "alert" not in row.title
    assert row.price_cents == 3000


@pytest.mark.parametrize("text", ["", "   ", "<script>x</script>", "x" * 70_000, "y " * 15_000])
def test_what_cannot_be_read_is_refused_and_nothing_is_stored(bench, text):
    with pytest.raises(InputRefused) as refused:
        add(bench, text)
    assert refused.value.fields["text"]
    assert not Listing.of(bench.workshop).exists()
    assert not ListingSighting.of(bench.workshop).exists()


def test_a_price_below_zero_is_no_price_and_the_reason_is_told(bench):
    row = add(bench, TEXT.replace("€45 ono", "-45 €")).listing
    assert row.price_cents is None
    assert any("below zero" in one["words"] for one in row.read["findings"])


def test_one_bad_listing_of_a_file_stores_none(bench):
    offered = [Offered(TEXT), Offered("   "), Offered("z" * 70_000)]
    with pytest.raises(InputRefused) as refused:
        add_listings(workshop=bench.workshop, offered=offered, source="csv", member=None, on=TODAY)
    assert "listing 2" in str(refused.value)
    assert "listing 3" in str(refused.value)
    assert not Listing.of(bench.workshop).exists()
    events = OutboxEvent.of(bench.workshop).filter(kind="donors.listings-changed")
    assert not events.exists()


class TestSeenAgain:
    def test_the_same_text_is_one_listing(self, bench):
        first = add(bench).listing
        again = add(bench, TEXT + " Still available!", on=TODAY + timedelta(days=3))
        assert (again.listing.pk, again.is_new, again.price_changed) == (first.pk, False, False)
        row = Listing.of(bench.workshop).get()
        assert (row.seen_on, row.last_seen_on) == (TODAY, TODAY + timedelta(days=3))
        assert row.sightings.count() == 2

    def test_another_price_is_kept_as_history(self, bench):
        add(bench)
        again = add(bench, TEXT.replace("€45", "€35"), on=TODAY + timedelta(days=1))
        assert (again.price_before, again.listing.price_cents) == (4500, 3500)
        prices = ListingSighting.of(bench.workshop).order_by("id")
        assert list(prices.values_list("price_cents", flat=True)) == [4500, 3500]

    def test_the_same_link_is_the_same_listing_whatever_it_says(self, bench):
        link = "https://example.test/offer/7"
        first = add(bench, link=link).listing
        again = add(bench, "Price lowered, see photos, 20 €", link=f"{link}#photos")
        assert again.listing.pk == first.pk
        assert again.listing.price_cents == 2000

    def test_another_machine_of_the_same_model_stays_another(self, bench):
        add(bench)
        other = "Selling our Velthane W7-60 R1 W washer, does not drain, pump hums. 60 € fixed, Tel"
        assert add(bench, other).is_new

    def test_another_serial_number_is_another_machine(self, bench):
        add(bench, TEXT + " Serial 88231190.")
        assert add(bench, TEXT + " Serial 77120044.").is_new
        assert not add(bench, TEXT + " Serial 88231190. Still here.").is_new

    def test_two_links_of_one_file_are_two_machines(self, bench):
        offered = [Offered(TEXT, link=f"https://example.test/{n}") for n in (1, 2)]
        stored = add_listings(
            workshop=bench.workshop, offered=offered, source="feed", member=None, on=TODAY
        )
        assert [one.is_new for one in stored] == [True, True]

    def test_the_same_text_twice_in_a_file_is_one(self, bench):
        stored = add_listings(
            workshop=bench.workshop,
            offered=[Offered(TEXT), Offered(TEXT)],
            source="csv",
            member=None,
            on=TODAY,
        )
        assert [one.is_new for one in stored] == [True, False]
        assert Listing.of(bench.workshop).get().sightings.count() == 2

    def test_an_older_sighting_does_not_bring_its_price_back(self, bench):
        add(bench)
        add(bench, TEXT.replace("€45", "€70"), seen_on=TODAY - timedelta(days=9))
        row = Listing.of(bench.workshop).get()
        assert (row.price_cents, row.seen_on) == (4500, TODAY - timedelta(days=9))

    def test_one_that_was_gone_is_for_sale_again(self, bench):
        ref = add(bench).listing.ref
        services.close_listing(workshop=bench.workshop, ref=ref, state=Listing.State.GONE, on=TODAY)
        assert add(bench, on=TODAY + timedelta(days=2)).listing.is_open

    def test_one_not_worth_it_comes_back_only_when_cheaper(self, bench):
        ref = add(bench).listing.ref
        services.close_listing(
            workshop=bench.workshop, ref=ref, state=Listing.State.DECLINED, on=TODAY
        )
        assert not add(bench).listing.is_open
        assert add(bench, TEXT.replace("€45", "€20")).listing.is_open

    def test_workshops_do_not_see_each_other(self, bench, other_bench):
        add(bench)
        assert add(other_bench).is_new


class TestCorrecting:
    def test_what_a_person_states_is_not_read_over(self, bench):
        ref = add(bench).listing.ref
        stated = Correction(model_number="W7-80 R1 W", make="Velthane", cause="drain-blocked")
        row = services.correct_listing(workshop=bench.workshop, ref=ref, correction=stated)
        assert (row.likely_number, row.cause.slug, row.certainty) == ("W780R1W", "drain-blocked", 1)
        row = services.read_again(workshop=bench.workshop, ref=ref, on=TODAY)
        assert (row.likely_number, row.cause.slug) == ("W780R1W", "drain-blocked")
        assert row.stated == ["cause", "model"]

    @pytest.mark.parametrize(
        ("wrong", "field"),
        [
            (Correction(appliance="spaceship"), "appliance"),
            (Correction(make="Nobody"), "make"),
            (Correction(model_number="!"), "model_number"),
            (Correction(cause="boredom"), "cause"),
            (Correction(built_from=date(2020, 1, 1), built_to=date(2019, 1, 1)), "built_to"),
            (Correction(margin_percent=101), "margin_percent"),
        ],
    )
    def test_what_cannot_be_is_refused_by_field(self, bench, wrong, field):
        ref = add(bench).listing.ref
        with pytest.raises(InputRefused) as refused:
            services.correct_listing(workshop=bench.workshop, ref=ref, correction=wrong)
        assert field in refused.value.fields
        assert Listing.of(bench.workshop).get().stated == []

    def test_a_closed_one_is_not_corrected(self, bench):
        ref = add(bench).listing.ref
        services.close_listing(workshop=bench.workshop, ref=ref, state=Listing.State.GONE, on=TODAY)
        with pytest.raises(Conflict):
            services.correct_listing(workshop=bench.workshop, ref=ref, correction=Correction())
        with pytest.raises(NotFound):
            services.correct_listing(workshop=bench.workshop, ref="L-9", correction=Correction())


def test_it_expires_once_its_days_are_over(bench):
    row = add(bench).listing
    last = datetime.combine(row.expires_on, datetime.min.time(), tzinfo=NOW.tzinfo)
    assert services.expire_listings(now=last) == 0
    assert services.expire_listings(now=last + timedelta(days=1)) == 1
    assert services.expire_listings(now=last + timedelta(days=1)) == 0
    row.refresh_from_db()
    assert row.state == "expired"


@pytest.mark.parametrize(
    "nonsense",
    [
        {"state": "bought"},
        {"state": "gone"},
        {"closed_on": TODAY},
        {"price_cents": 5, "price_low_cents": 6},
        {"price_cents": 5, "price_low_cents": None},
        {"margin_percent": 101},
        {"last_seen_on": TODAY - timedelta(days=1)},
        {"text": ""},
        {"certainty": 1.5},
        {"source": "rumour"},
    ],
)
def test_the_database_refuses_nonsense(bench, nonsense):
    row = add(bench).listing
    with pytest.raises(IntegrityError), transaction.atomic():
        Listing.of(bench.workshop).filter(pk=row.pk).update(**nonsense)


def test_keys_stay_while_a_listing_does(bench):
    add(bench)
    assert ListingKey.of(bench.workshop).count() == 6


def test_queries_do_not_grow_with_the_listings(bench, django_assert_max_num_queries):
    offered = [Offered(f"{TEXT} {n} {n * 7919} {'x' * n}", link=f"id{n}") for n in range(60)]
    with django_assert_max_num_queries(22):
        add_listings(workshop=bench.workshop, offered=offered, source="csv", member=None, on=TODAY)
    assert Listing.of(bench.workshop).count() == 60
