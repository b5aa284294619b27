"""Listings beside waiting jobs: found both ways, told once, never stock, bought once."""

from datetime import timedelta

import pytest
from django.db import IntegrityError, connection, transaction
from django.test.utils import CaptureQueriesContext

from donors import events as donor_events
from donors import services as donor_services
from donors.listings import services as listing_services
from donors.listings.services import Correction, Offered, add_listing, add_listings
from donors.models import Donor, Listing
from matching import cover, finding, holds, keeping, selectors
from matching.finding import Query
from matching.listings import serving
from matching.listings.buying import buy_listing
from matching.listings.worth import weigh_listing
from matching.models import Alert, ListingMatch, Match, Need
from matching.services import NeedFacts
from parts.models import Part
from tests.factories import NOW, TODAY, Bench
from workshop import dispatcher
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import OutboxEvent

TEXT = (
    "Velthane washing machine, model W7-60 R1 W. Does not drain, pump hums. "
    "About 8 years old. Asking €15. Collection only."
)


def add(bench: Bench, text: str = TEXT, **values) -> Listing:
    stored = add_listing(
        workshop=bench.workshop, offered=Offered(text, **values), member=None, on=TODAY
    )
    bench.drain()
    return stored.listing


def told(bench: Bench):
    return Alert.of(bench.workshop).filter(news="listing")


class TestServing:
    def test_a_waiting_job_is_found_and_its_technician_told_once(self, bench):
        need = bench.need(technician=bench.technician)
        bench.drain()
        row = add(bench)
        match = ListingMatch.of(bench.workshop).get()
        assert (match.listing_id, match.need_id, match.kind_id) == (
            row.pk,
            need.pk,
            "control-board",
        )
        alert = told(bench).get()
        assert (alert.recipient, alert.listing, alert.part) == (bench.technician, row, None)
        assert alert.p_fit == pytest.approx(match.p_fit)
        add(bench, TEXT + " Still here!")
        with transaction.atomic():
            listing_services.announce(bench.workshop.pk, [row.pk])
        bench.drain()
        assert told(bench).count() == 1

    def test_both_ways_find_the_same_pair_with_the_same_odds(self, bench):
        add(bench)
        bench.need()
        bench.drain()
        later = ListingMatch.of(bench.workshop).get()
        ListingMatch.of(bench.workshop).delete()
        with transaction.atomic():
            listing_services.announce(bench.workshop.pk, [later.listing_id])
        bench.drain()
        first = ListingMatch.of(bench.workshop).get()
        assert (first.need_id, first.verdict) == (later.need_id, later.verdict)
        assert first.p_fit == pytest.approx(later.p_fit)

    def test_the_odds_are_those_of_a_donor_that_is_here(self, bench):
        """The judge: the same machine taken in as a donor, scored by the engine as ever."""
        need = bench.need()
        row = add(bench)
        match = ListingMatch.of(bench.workshop).get()
        bench.donor(cause=row.cause.slug, built_from=row.built_from, built_to=row.built_to)
        bench.drain()
        here = Match.of(bench.workshop).get(need=need)
        assert match.p_fit_if_said == pytest.approx(here.p_fit)
        assert match.p_good == pytest.approx(here.p_good)
        assert match.p_fit < here.p_fit
        assert match.p_fit <= row.certainty

    def test_the_rows_add_up_to_the_odds(self, bench):
        """The judge: log2 of the odds is the sum of the bits, as on every explanation."""
        bench.need()
        add(bench)
        match = ListingMatch.of(bench.workshop).get()
        bits = sum(row["bits"] for row in match.reasons)
        assert 1 / (1 + 2**-bits) == pytest.approx(match.p_fit)

    def test_the_reasons_say_that_it_is_known_from_a_text_alone(self, bench):
        bench.need()
        row = add(bench)
        said = ListingMatch.of(bench.workshop).get().reasons[0]["sentence"]
        assert row.ref in said
        assert "W760R1W" in said
        assert f"{row.certainty:.0%}" in said

    def test_a_doubtful_number_lowers_the_odds(self, bench):
        bench.need()
        add(bench)
        add(bench, TEXT.replace("model W7-60 R1 W", "W7-60 R1 V").replace("€15", "€60"))
        sure, doubtful = ListingMatch.of(bench.workshop).order_by("listing__ref")
        assert doubtful.p_fit < sure.p_fit

    @pytest.mark.parametrize("state", ["gone", "declined"])
    def test_a_closed_one_serves_nobody_and_tells_nobody(self, bench, state):
        row = add(bench)
        listing_services.close_listing(
            workshop=bench.workshop, ref=row.ref, state=Listing.State(state), on=TODAY
        )
        bench.need()
        bench.drain()
        assert not ListingMatch.of(bench.workshop).exists()
        assert not told(bench).exists()

    def test_the_sweep_expires_it(self, bench):
        bench.need()
        row = add(bench)
        dispatcher.sweep(now=NOW + timedelta(days=bench.workshop.listing_days + 2))
        bench.drain()
        row.refresh_from_db()
        assert row.state == "expired"
        assert not ListingMatch.of(bench.workshop).exists()

    def test_below_the_threshold_nobody_is_told(self, bench):
        bench.workshop.alert_from_p_fit = 1.0
        bench.workshop.save()
        bench.need()
        add(bench)
        assert ListingMatch.of(bench.workshop).exists()
        assert not told(bench).exists()

    def test_an_unknown_kind_of_machine_serves_nobody_until_it_is_said(self, bench):
        bench.need(model="K3-60 R1 W")
        row = add(bench, "Velthane for sale, white, cheap, €5")
        assert row.appliance_id is None
        assert not ListingMatch.of(bench.workshop).exists()
        stated = Correction(appliance="washing-machine", make="Velthane", model_number="K3-60R1W")
        listing_services.correct_listing(workshop=bench.workshop, ref=row.ref, correction=stated)
        bench.drain()
        assert ListingMatch.of(bench.workshop).get().p_fit > 0.5

    def test_workshops_do_not_meet(self, bench, other_bench):
        other_bench.need()
        other_bench.drain()
        add(bench)
        assert not ListingMatch.objects.unscoped().exists()


class TestCatalogueGrowth:
    """A number that comes in is read in the listings that wait, by itself."""

    WORDS = "Borsund washing machine, model BQ 778-3, does not drain. Asking €15."

    def grow(self, bench, number="BQ 778-3"):
        donor_services.add_model_number(
            workshop=bench.workshop,
            make=bench.makes["Borsund"],
            number=number,
            appliance="washing-machine",
            family="BQ7",
        )
        bench.drain()

    def test_one_that_was_not_known_is_recognised_and_its_job_told(self, bench):
        row = add(bench, self.WORDS)
        need = bench.need("BQ 778-3", make="Borsund", technician=bench.technician)
        bench.drain()
        assert row.recognised_id is None
        assert not told(bench).exists()
        self.grow(bench)
        row.refresh_from_db()
        assert row.recognised.number == "BQ 778-3"
        assert row.price_cents == 1500
        assert told(bench).get().need == need

    def test_what_a_person_stated_stays(self, bench):
        row = add(bench, self.WORDS)
        correction = listing_services.Correction(make="Velthane", model_number="XX 1")
        listing_services.correct_listing(
            workshop=bench.workshop, ref=row.ref, correction=correction
        )
        self.grow(bench)
        row.refresh_from_db()
        assert (row.model_number, row.recognised_id) == ("XX 1", None)

    def test_another_number_or_a_closed_one_changes_nothing(self, bench):
        row, gone = add(bench, self.WORDS), add(bench, TEXT.replace("W7-60 R1 W", "ZZ 90-1"))
        listing_services.close_listing(
            workshop=bench.workshop, ref=gone.ref, state=Listing.State.GONE, on=TODAY
        )
        bench.drain()
        self.grow(bench, "QX 12")
        row.refresh_from_db()
        assert row.recognised_id is None

    def test_what_waits_to_be_read_is_asked_for_once(self, bench):
        for number in range(3):
            add(bench, self.WORDS.replace("778-3", f"77{number}-{number}"))
        with transaction.atomic():
            for _ in range(4):
                listing_services.ask_to_read_unrecognised(bench.workshop.pk)
        waiting = OutboxEvent.of(bench.workshop).filter(
            kind=donor_events.LISTINGS_UNREAD, done_at__isnull=True
        )
        assert sum(len(one.payload["listing_ids"]) for one in waiting) == 3


class TestNeverStock:
    def test_no_part_match_or_figure_comes_of_it(self, bench):
        need = bench.need()
        bench.drain()
        before = selectors.workshop_figures(bench.workshop)
        add(bench)
        assert selectors.workshop_figures(bench.workshop) == before
        assert not Part.of(bench.workshop).exists()
        assert not Match.of(bench.workshop).exists()
        found = finding.find_parts(
            bench.workshop, Query(text="W7-60 R1 W", kind="control-board"), on=TODAY
        )
        assert not found.offered
        with pytest.raises(NotFound):
            holds.hold_part(
                workshop=bench.workshop,
                need_id=need.pk,
                part_ref="L-0001.control-board",
                member=bench.technician,
                now=NOW,
            )


class TestWorth:
    def test_the_lines_add_up_and_the_asked_price_is_judged(self, bench):
        bench.job(max_price_cents=9000)
        row = add(bench)
        found = weigh_listing(bench.workshop, row, on=TODAY)
        assert max(0.0, found.total) == pytest.approx(found.ceiling.most)
        assert found.ceiling.serves == (found.served[0].job.ref,)
        assert found.served[0].counted
        assert found.asked == 15
        assert found.pays == (found.ceiling.most >= 15)
        assert found.left_over == pytest.approx(found.ceiling.most - 15)

    def test_a_job_that_lacks_another_part_is_told_and_not_counted(self, bench):
        bench.job(
            needs=[
                NeedFacts(kind="control-board", max_price_cents=9000),
                NeedFacts(kind="run-capacitor", max_price_cents=100),
            ]
        )
        row = add(bench)
        found = weigh_listing(bench.workshop, row, on=TODAY)
        assert not found.served[0].whole
        assert found.served[0].why == "it lacks other parts too"
        assert not found.served[0].counted

    def test_a_job_pays_for_what_it_would_complete(self, bench):
        row = add(bench)
        without = weigh_listing(bench.workshop, row, on=TODAY).ceiling.most
        bench.job(max_price_cents=30_000)
        bench.drain()
        assert weigh_listing(bench.workshop, row, on=TODAY).ceiling.most > without

    def test_a_job_closed_while_it_is_weighed_is_not_counted(self, bench, monkeypatch):
        job, row, real = bench.job(max_price_cents=9000), add(bench), cover.of_jobs
        bench.drain()

        def closed_before(*asked):
            act = {"workshop": bench.workshop, "ref": job.ref, "member": bench.technician}
            keeping.refuse_repair(answer=keeping.Answer(), now=NOW, **act)
            return real(*asked)

        monkeypatch.setattr(cover, "of_jobs", closed_before)
        (served,) = weigh_listing(bench.workshop, row, on=TODAY).served
        assert (served.why, served.counted) == ("it was closed just now", False)

    def test_it_is_not_judged_before_its_jobs_are_looked_through(self, bench):
        """A job waits that makes it worth its price; until it is found nothing is said."""
        bench.job(max_price_cents=30_000)
        bench.drain()
        offered = Offered(TEXT.replace("€15", "€40"))
        row = add_listing(workshop=bench.workshop, offered=offered, member=None, on=TODAY).listing
        before = weigh_listing(bench.workshop, row, on=TODAY)
        assert (before.worked_out, before.ceiling, before.pays) == (False, None, None)
        assert before.yielded
        bench.drain()
        after = weigh_listing(bench.workshop, row, on=TODAY)
        assert (after.worked_out, after.pays) == (True, True)

    def test_what_is_said_of_the_machine_has_it_worked_out_anew_and_terms_do_not(self, bench):
        row, other = add(bench), add(bench, "Velthane K3-60 R1 W washer. 5 €")

        def worked_out(one, **said):
            correction = Correction(**said)
            listing_services.correct_listing(
                workshop=bench.workshop, ref=row.ref, correction=correction
            )
            return weigh_listing(bench.workshop, one, on=TODAY).worked_out

        assert worked_out(row, margin_percent=5, price_cents=700)
        assert not worked_out(row, cause="bearing-drum")
        assert worked_out(other)

    def test_own_terms_go_before_the_workshops(self, bench):
        row = add(bench)
        dear = weigh_listing(bench.workshop, row, on=TODAY)
        terms = Correction(collection_cents=0, margin_percent=0)
        listing_services.correct_listing(workshop=bench.workshop, ref=row.ref, correction=terms)
        row.refresh_from_db()
        free = weigh_listing(bench.workshop, row, on=TODAY)
        assert (free.collection, free.margin_percent) == (0, 0)
        assert free.total > dear.total

    def test_another_currency_is_not_compared(self, bench):
        row = add(bench, TEXT.replace("€15", "£15"))
        found = weigh_listing(bench.workshop, row, on=TODAY)
        assert found.other_currency
        assert (found.pays, found.pays_from) == (None, None)

    def test_queries_do_not_grow_with_the_jobs(self, bench, django_assert_max_num_queries):
        row = add(bench)
        for _ in range(3):
            bench.job(max_price_cents=9000)
        bench.drain()
        with django_assert_max_num_queries(21):
            few = weigh_listing(bench.workshop, row, on=TODAY)
        for _ in range(9):
            bench.job(max_price_cents=9000)
        bench.drain()
        with django_assert_max_num_queries(21):
            many = weigh_listing(bench.workshop, row, on=TODAY)
        assert len(many.served) > len(few.served)


class TestBuying:
    def test_a_bought_one_is_a_donor_whose_arrival_is_told(self, bench):
        need = bench.need(technician=bench.technician)
        bench.drain()
        row = add(bench)
        donor = buy_listing(
            workshop=bench.workshop, ref=row.ref, paid_cents=1200, received_on=TODAY
        )
        bench.drain()
        row.refresh_from_db()
        assert (row.state, row.donor, row.paid_cents) == ("bought", donor, 1200)
        assert (donor.model_number, donor.cause) == (row.model_number, row.cause)
        assert row.ref in donor.note
        assert "12.00" in donor.note
        assert Match.of(bench.workshop).filter(need=need).exists()
        assert Alert.of(bench.workshop).filter(news="found", need=need).exists()
        assert not ListingMatch.of(bench.workshop).exists()

    def test_once(self, bench):
        row = add(bench)
        buy = {"workshop": bench.workshop, "ref": row.ref, "paid_cents": 0, "received_on": TODAY}
        buy_listing(**buy)
        with pytest.raises(Conflict):
            buy_listing(**buy)
        assert Donor.of(bench.workshop).count() == 1

    def test_one_donor_is_of_one_listing(self, bench):
        row = add(bench)
        other = add(bench, TEXT.replace("W7-60 R1 W", "W7-80 R1 W"))
        donor = buy_listing(workshop=bench.workshop, ref=row.ref, paid_cents=0, received_on=TODAY)
        with pytest.raises(IntegrityError), transaction.atomic():
            Listing.of(bench.workshop).filter(pk=other.pk).update(
                state="bought", donor=donor, paid_cents=0, closed_on=TODAY
            )

    def test_seen_again_after_it_was_bought_it_stays_bought(self, bench):
        row = add(bench)
        buy_listing(workshop=bench.workshop, ref=row.ref, paid_cents=0, received_on=TODAY)
        add(bench)
        assert Listing.of(bench.workshop).get().state == "bought"

    def test_an_unknown_kind_is_refused_and_nothing_is_written(self, bench):
        row = add(bench, "Velthane for sale, white, cheap, €5")
        with pytest.raises(InputRefused):
            buy_listing(workshop=bench.workshop, ref=row.ref, paid_cents=0, received_on=TODAY)
        assert not Donor.of(bench.workshop).exists()


def test_queries_of_an_event_do_not_grow_with_the_listings(bench, django_assert_max_num_queries):
    bench.need()
    bench.drain()
    offered = [Offered(f"{TEXT} {n * 7919}", link=f"id{n}") for n in range(12)]
    add_listings(workshop=bench.workshop, offered=offered, source="csv", member=None, on=TODAY)
    with django_assert_max_num_queries(70):
        bench.drain()
    assert ListingMatch.of(bench.workshop).count() == 12
    assert Need.of(bench.workshop).count() == 1


def test_numbers_nothing_is_known_of_are_looked_up_together(bench):
    """Listings and jobs of numbers no catalogue knows: those that read alike are asked for too."""
    for nth in range(3):
        bench.job(f"ZX-{nth}4471 K", "door-lock", make="Borsund")
    bench.drain()

    def asked(count: int) -> int:
        texts = [
            f"Borsund washing machine, model ZX-{nth}447{count % 10} K. Number {nth * 7919}."
            for nth in range(count)
        ]
        offered = [
            Offered(text, link=f"https://a.test/{count}/{i}") for i, text in enumerate(texts)
        ]
        add_listings(workshop=bench.workshop, offered=offered, source="csv", member=None, on=TODAY)
        ids = list(Listing.of(bench.workshop).order_by("-id").values_list("id", flat=True)[:count])
        with transaction.atomic(), CaptureQueriesContext(connection) as seen:
            serving.match_listings(bench.workshop.pk, ids, now=NOW)
        return len(seen)

    few = asked(3)
    assert ListingMatch.of(bench.workshop).exists()
    assert asked(9) == few
