"""From the intake form to the donor's page and its parts."""

import pytest
from django.test import Client
from django.urls import reverse

from donors.models import Donor
from parts.models import BenchTest, Part
from tests.factories import Bench
from tests.integration.web.reading import has_field_message, text_of
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

MACHINE = {
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 W",
    "received_on": "2026-11-20",
    "cause": "washing-machine/board-fault",
    "note": "dead, no lights",
}


def take_in(client: Client, **changed: str) -> object:
    return client.post(reverse("donor-new"), {**MACHINE, **changed})


def test_a_machine_taken_in_is_recognised_and_its_parts_are_listed(
    bench: Bench, cataloguer: Client
) -> None:
    answer = cataloguer.post(reverse("donor-new"), MACHINE, follow=True)
    donor = Donor.of(bench.workshop).get()
    assert answer.redirect_chain == [(reverse("donor", args=[donor.ref]), 302)]
    page = text_of(answer)
    assert f"Taken in as {donor.ref}" in page
    assert "Settled: Velthane W7-60 R1 W" in page
    assert "Board fault" in page
    assert "Before you open it: plug out and proved dead, capacitors discharged" in page
    for part in donor.parts.all():
        assert reverse("part", args=[part.ref]) in answer.content.decode()


def test_a_misread_number_stays_as_read_until_and_after_a_person_settles_it(
    bench: Bench, cataloguer: Client
) -> None:
    donor = bench.donor("W7-6O R1 W")
    bench.drain()
    page = cataloguer.get(reverse("donor", args=[donor.ref]))
    assert "Likely, not settled: Velthane W7-60 R1 W" in text_of(page)
    assert "differs only in characters that are easily misread" in text_of(page)
    model = next(one for one in page.context["seen"].candidates if one.model.number == "W7-60 R1 W")
    settled = cataloguer.post(
        reverse("donor-confirm", args=[donor.ref]), {"model_id": model.model.id}, follow=True
    )
    assert "Confirmed by a person: Velthane W7-60 R1 W" in text_of(settled)
    assert "W7-6O R1 W" in text_of(settled)
    assert OutboxEvent.of(bench.workshop).filter(done_at__isnull=True).exists()


@pytest.mark.parametrize(
    ("changed", "field", "words"),
    [
        ({"model_number": ""}, "id_model_number", "Blank"),
        ({"model_number": "---"}, "id_model_number", "fewer than two letters or digits"),
        ({"make": "Velthan"}, "id_make", "Did you mean Velthane?"),
        ({"built_from": "2020-05-02", "built_to": "2020-05-01"}, "id_built_to", "lies before"),
        ({"received_on": "2026-02-30"}, "id_received_on", "is no date"),
        ({"received_on": ""}, "id_received_on", "Fill this in"),
        ({"received_on": "2019-01-01", "built_from": "2020-01-01"}, "id_received_on", "before"),
        ({"model_number": "A" * 81}, "id_model_number", "80"),
        ({"cause": "dishwasher/unrelated"}, "id_cause", "another appliance"),
        ({"cause": "washing-machine/made-up"}, "id_cause", "none of the choices"),
        ({"appliance": "", "model_number": "QQ-77"}, "id_appliance", "Choose the kind"),
    ],
)
def test_what_cannot_be_used_is_said_beside_its_field_and_nothing_is_stored(
    bench: Bench, cataloguer: Client, changed: dict[str, str], field: str, words: str
) -> None:
    answer = take_in(cataloguer, **changed)
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)
    assert 'role="alert"' in answer.content.decode()
    assert "dead, no lights" in answer.content.decode()
    assert not Donor.of(bench.workshop).exists()


def test_without_a_plate_the_number_may_stay_blank(bench: Bench, cataloguer: Client) -> None:
    take_in(cataloguer, model_number="", no_plate="on")
    donor = Donor.of(bench.workshop).get()
    assert "none: no plate was left" in text_of(cataloguer.get(reverse("donor", args=[donor.ref])))


def test_confirming_what_is_no_model_here_shows_the_page_with_the_sentence(
    bench: Bench, other_bench: Bench, cataloguer: Client
) -> None:
    donor = bench.donor("W7-6O R1 W")
    theirs = other_bench.makes["Velthane"].numbers.first()
    confirm = reverse("donor-confirm", args=[donor.ref])
    answer = cataloguer.post(confirm, {"model_id": theirs.pk})
    assert answer.status_code == 404
    assert "not known in this workshop" in text_of(answer)
    assert cataloguer.post(confirm, {"model_id": "many"}).status_code == 400
    donor.refresh_from_db()
    assert not donor.confirmed


def test_a_part_is_taken_out_described_and_tested(bench: Bench, cataloguer: Client) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    removed = cataloguer.post(
        reverse("part-remove", args=[part.ref]),
        {"removed_on": "2026-11-21", "bin": "A-1"},
        follow=True,
    )
    assert "is out of its machine" in text_of(removed)
    cataloguer.post(
        reverse("part-describe", args=[part.ref]),
        {"part_number": "4711-02", "attributes": "mount=bayonet", "bin": "A-2", "price": "12.50"},
    )
    tested = cataloguer.post(
        reverse("part-test", args=[part.ref]),
        {
            "drain_pump_look": "good",
            "temperature_c": "20",
            "volts": "230",
            "drain_pump_coil_ohm": "165",
            "winding_insulation_mohm_open": "on",
            "drain_pump_run": "good",
            "tested_on": "2026-11-21",
        },
        follow=True,
    )
    page = text_of(tested)
    assert "Tested good, P(good) 95 %" in page
    assert "coil of the pump: reading: 165 ohm" in page
    part.refresh_from_db()
    assert (part.state, part.bin, part.price_cents) == (Part.State.SHELVED, "A-2", 1250)
    assert part.attributes == {"mount": "bayonet"}
    assert part.tests.get().tested_by == bench.members["cataloguer"]


def test_emptying_the_price_and_the_bin_takes_them_away(bench: Bench, cataloguer: Client) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    remove = reverse("part-remove", args=[part.ref])
    cataloguer.post(remove, {"removed_on": "2026-11-21", "bin": "A-1"})
    describe = reverse("part-describe", args=[part.ref])
    cataloguer.post(describe, {"bin": "A-1", "price": "3"})
    cataloguer.post(describe, {"bin": "", "price": ""})
    part.refresh_from_db()
    assert (part.state, part.bin, part.price_cents) == (Part.State.REMOVED, "", None)


@pytest.mark.parametrize(
    ("route", "typed", "field", "words"),
    [
        ("part-describe", {"price": "-3"}, "describe_price", "cannot be negative"),
        ("part-describe", {"price": "1.234"}, "describe_price", "may be read in two ways"),
        ("part-describe", {"attributes": "bayonet"}, "describe_attributes", "name=value"),
        ("part-remove", {"removed_on": "yesterday"}, "remove_removed_on", "is no date"),
    ],
)
def test_bad_input_on_a_part_is_shown_with_what_was_typed(
    bench: Bench, cataloguer: Client, route: str, typed: dict[str, str], field: str, words: str
) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    answer = cataloguer.post(reverse(route, args=[part.ref]), typed)
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)
    for value in typed.values():
        assert value in answer.content.decode()
    part.refresh_from_db()
    assert part.state == Part.State.IN_MACHINE
    assert not BenchTest.of(bench.workshop).exists()


def test_a_part_that_is_out_already_cannot_be_taken_out_again(
    bench: Bench, cataloguer: Client
) -> None:
    part = bench.part(bench.donor(), "drain-pump")
    remove = reverse("part-remove", args=[part.ref])
    cataloguer.post(remove, {"removed_on": "2026-11-21"})
    again = cataloguer.post(remove, {"removed_on": "2026-11-22"})
    assert again.status_code == 409
    assert "it is not in a machine" in text_of(again)


def test_a_loose_part_is_added_and_a_bad_one_is_not(bench: Bench, cataloguer: Client) -> None:
    typed = {"kind": "drain-pump", "received_on": "2026-11-20", "bin": "B-1", "price": "-1"}
    refused = cataloguer.post(reverse("part-new"), typed)
    assert refused.status_code == 400
    assert has_field_message(refused, "id_price", "cannot be negative")
    assert not Part.of(bench.workshop).exists()
    never = cataloguer.post(reverse("part-new"), {**typed, "price": "", "kind": "fill-hose"})
    assert never.status_code == 400
    added = cataloguer.post(reverse("part-new"), {**typed, "price": "9"}, follow=True)
    part = Part.of(bench.workshop).get()
    assert added.redirect_chain[-1][0] == reverse("part", args=[part.ref])
    assert part.price_cents == 900


def test_the_lists_filter_and_nonsense_filters_nothing(bench: Bench, cataloguer: Client) -> None:
    first, second = bench.donor("W7-60 R1 W"), bench.donor("K3-60 R1 W")
    found = cataloguer.get(reverse("donors"), {"text": "k3 60"})
    assert [donor.ref for donor in found.context["page"]] == [second.ref]
    everything = cataloguer.get(reverse("donors"), {"state": "melted", "page": "last"})
    assert {donor.ref for donor in everything.context["page"]} == {first.ref, second.ref}
    parts = cataloguer.get(reverse("parts"), {"kind": "drain-pump", "text": first.ref})
    assert [part.ref for part in parts.context["page"]] == [bench.part(first, "drain-pump").ref]
