"""Build dates from codes: at intake, on the machine's page and over the API."""

from datetime import date
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from donors.build_readings import CodeAsked
from donors.domain.build_reading import Clues
from donors.models import Donor
from matching import services as job_services
from matching.models import Job
from parts import services
from parts.models import Sighting
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from tests.integration.web.reading import has_field_message, text_of
from workshop.errors import Conflict, InputRefused

pytestmark = pytest.mark.django_db

WEEK_23 = date.fromisocalendar(2018, 23, 1), date.fromisocalendar(2018, 23, 7)
INTAKE = {
    "model_number": "W7-60 R1 W",
    "make": "Velthane",
    "appliance": "washing-machine",
    "received_on": "2026-11-20",
}


def fresh(machine: Any) -> Any:
    return type(machine).of(machine.workshop_id).get(pk=machine.pk)


def built(machine: Any) -> tuple[Any, Any, str]:
    row = fresh(machine)
    return row.built_from, row.built_to, row.build_known


def date_it(
    bench: Bench, donor: Donor, code: str, scheme: str = "DIGIT_WEEK", **more: Any
) -> Donor:
    replace = more.pop("replace", False)
    clues = Clues(**more.pop("clues", {}))
    asked = CodeAsked(code, scheme, clues=clues, **more)
    return services.date_donor(workshop=bench.workshop, ref=donor.ref, asked=asked, replace=replace)


@pytest.fixture
def coded(bench: Bench, reviewer_client: Client) -> Bench:
    """The bench, its make Velthane writing year and week at the start of serial numbers."""
    address = reverse("make-date-code", args=[bench.makes["Velthane"].pk])
    answer = reviewer_client.post(address, {"date_code": "YEAR_WEEK", "date_code_start": "1"})
    assert answer.status_code == 302
    return bench


@pytest.fixture
def reviewer_client(bench: Bench) -> Client:
    client = Client()
    client.force_login(bench.members["reviewer"].user)
    return client


class TestAtIntake:
    def take_in(self, client: Client, **more: str) -> Any:
        return client.post(reverse("donor-new"), {**INTAKE, **more})

    def test_from_the_serial_number(self, coded: Bench, technician: Client) -> None:
        answer = self.take_in(technician, serial_number="1823-00417", in_serial="on")
        assert answer.status_code == 302
        donor = Donor.of(coded.workshop).get()
        assert built(donor) == (*WEEK_23, "serial")
        assert "from the serial number" in text_of(technician.get(answer.url))

    def test_typed_as_the_make_writes_it(self, coded: Bench, technician: Client) -> None:
        assert self.take_in(technician, build_code="18 23").status_code == 302
        assert built(Donor.of(coded.workshop).get()) == (*WEEK_23, "coded")

    def test_several_decades_are_kept(self, bench: Bench, technician: Client) -> None:
        more = {"build_code": "823", "build_scheme": "DIGIT_WEEK", "sold_from": "2005"}
        answer = self.take_in(technician, **more)
        donor = Donor.of(bench.workshop).get()
        assert built(donor) == (None, None, "")
        assert [one["from"][:4] for one in donor.build_reading["kept"]] == ["2008", "2018"]
        page = text_of(technician.get(answer.url))
        assert "It may mean" in page
        assert "model sold 2005 to ?" in page

    @pytest.mark.parametrize(
        ("more", "field", "words"),
        [
            ({"build_code": "1853"}, "build_code", "2018 has 52 weeks"),
            ({"build_code": "hello"}, "build_code", "is not written as"),
            ({"build_code": "1823", "receipt_on": "2010-01-01"}, "build_code", "contradicts"),
            ({"in_serial": "on", "serial_number": "18"}, "serial_number", "places 1 to 4"),
            ({"build_code": "1823", "sold_to": "12"}, "sold_to", "outside 1950"),
            ({"build_code": "1823", "eras": "refrigerant-cfc"}, "eras", ""),
            (
                {"build_code": "1823", "built_from": "2015-01-01", "built_to": "2015-12-31"},
                "build_code",
                "the date on record",
            ),
        ],
    )
    def test_refusals_are_by_field_and_store_nothing(
        self, coded: Bench, technician: Client, more: dict[str, str], field: str, words: str
    ) -> None:
        answer = self.take_in(technician, **more)
        assert answer.status_code == 400
        if words:
            assert has_field_message(answer, f"id_{field}", words)
        assert not Donor.of(coded.workshop).exists()

    def test_without_a_shape_it_is_asked_for(self, bench: Bench, technician: Client) -> None:
        answer = self.take_in(technician, build_code="1823")
        assert has_field_message(answer, "id_build_scheme", "Say how the code is written")

    def test_a_printed_date_stays_and_says_so(self, coded: Bench, technician: Client) -> None:
        printed = {"built_from": "2018-06-01", "built_to": "2018-06-30", "build_known": "printed"}
        assert self.take_in(technician, build_code="1823", **printed).status_code == 302
        donor = Donor.of(coded.workshop).get()
        assert built(donor) == (date(2018, 6, 1), date(2018, 6, 30), "printed")
        assert len(donor.build_reading["kept"]) == 1


class TestLater:
    def test_it_is_cut_when_more_becomes_known(self, bench: Bench) -> None:
        donor = bench.donor()
        date_it(bench, donor, "823", clues={"sold_from": 2005})
        assert built(donor)[0] is None
        date_it(bench, donor, "823", clues={"sold_from": 2005, "eras": ("label-a-plus",)})
        assert built(donor) == (*WEEK_23, "coded")
        date_it(bench, donor, "823")  # what was only assumed is taken back
        assert built(donor) == (None, None, "")

    def test_the_model_s_last_day_on_the_market_cuts_too(self, bench: Bench) -> None:
        model = bench.makes["Velthane"].numbers.get(number="W7-60 R1 W")
        model.last_sold_from = model.last_sold_to = date(2012, 12, 31)
        model.save()
        donor = bench.donor()
        date_it(bench, donor, "823", clues={"sold_from": 2005})
        assert [one["from"][:4] for one in fresh(donor).build_reading["kept"]] == ["2008"]
        why = [one["why"] for one in fresh(donor).build_reading["dropped"]]
        assert any("model last sold 2012-12-31" in one for one in why)

    def test_a_person_chooses(self, bench: Bench, technician: Client) -> None:
        donor = bench.donor()
        date_it(bench, donor, "823", clues={"sold_from": 2005})
        address = reverse("donor-build-choose", args=[donor.ref])
        wrong = technician.post(address, {"built_from": "2018-01-01"})
        assert wrong.status_code == 400
        assert technician.post(address, {"built_from": "x"}).status_code == 400
        assert technician.post(address, {"built_from": str(WEEK_23[0])}).status_code == 302
        assert built(donor) == (*WEEK_23, "coded")
        assert "a person chose" in text_of(technician.get(reverse("donor", args=[donor.ref])))
        date_it(bench, donor, "823", clues={"sold_from": 2000})
        assert built(donor) == (*WEEK_23, "coded")  # still among them, still chosen

    def test_a_date_on_record_is_never_silently_overwritten(
        self, bench: Bench, technician: Client
    ) -> None:
        donor = bench.donor(built_from=date(2008, 6, 2), built_to=date(2008, 6, 8))
        date_it(bench, donor, "823")
        assert built(donor) == (date(2008, 6, 2), date(2008, 6, 8), "")
        with pytest.raises(InputRefused, match="the date on record"):
            date_it(bench, donor, "1823", "YEAR_WEEK")
        with pytest.raises(Conflict, match="not from its code"):
            services.choose_donor_build(workshop=bench.workshop, ref=donor.ref, start=WEEK_23[0])
        date_it(bench, donor, "1823", "YEAR_WEEK", replace=True)
        assert built(donor) == (*WEEK_23, "coded")

    def test_the_form_shows_what_is_on_record(self, coded: Bench, technician: Client) -> None:
        donor = coded.donor(serial_number="1823-1")
        address = reverse("donor-build", args=[donor.ref])
        assert "year and week, two figures" in text_of(technician.get(address))
        answer = technician.post(address, {"in_serial": "on", "receipt_on": "2019-01-01"})
        assert answer.status_code == 302
        html = technician.get(address).content.decode()
        assert 'value="1823"' in html
        assert 'value="2019-01-01"' in html
        refused = technician.post(address, {"build_code": "1853"})
        assert refused.status_code == 400
        assert has_field_message(refused, "id_build_code", "2018 has 52 weeks")
        assert built(donor) == (*WEEK_23, "serial")

    def test_what_its_parts_taught_is_dated_too(self, bench: Bench) -> None:
        donor = bench.donor()
        part = bench.part(donor)
        facts = PartFacts(part_number="BRD-1")
        services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
        date_it(bench, donor, "1823", "YEAR_WEEK")
        seen = Sighting.of(bench.workshop).get(source_ref=donor.ref)
        assert (seen.built_from, seen.built_to) == WEEK_23

    def test_a_job_s_code(self, coded: Bench, technician: Client) -> None:
        job = coded.job(serial_number="1823-00417")
        address = reverse("job-build", args=[job.ref])
        assert technician.post(address, {"in_serial": "on"}).status_code == 302
        assert built(job) == (*WEEK_23, "serial")
        with pytest.raises(InputRefused):
            job_services.choose_job_build(
                workshop=coded.workshop, ref=job.ref, start=date(2018, 1, 1)
            )
        assert Job.of(coded.workshop).get().build_known == "serial"

    def test_a_file_s_other_date_is_not_called_coded(self, bench: Bench, tmp_path: Any) -> None:
        from django.core.management import call_command

        donor = bench.donor(serial_number="S1")
        date_it(bench, donor, "1823", "YEAR_WEEK")
        header = (
            "ref,appliance,make,model_number,serial_number,built_from,built_to,received_on,"
            "cause,note\n"
        )
        path = tmp_path / "donors.csv"
        for day, known in (("2018-06-04", "coded"), ("2017-06-04", "")):
            row = f"{donor.ref},washing-machine,Velthane,W7-60 R1 W,S1,{day},2018-06-10,{TODAY},,\n"
            path.write_text(header + row)
            call_command("import_csv", "donors", str(path), workshop=bench.workshop.slug)
            assert built(donor)[2] == known


class TestOverTheApi:
    @pytest.fixture
    def client(self, bench: Bench, sign_in: Any) -> Any:
        return sign_in("owner")

    def decode(self, client: Any, **body: Any) -> Any:
        return client.post("/api/v1/build-dates/decode/", body, format="json")

    def test_decoding_stores_nothing(self, bench: Bench, client: Any) -> None:
        body = {"code": "823", "scheme": "DIGIT_WEEK", "received_on": "2026-11-20"}
        clues = {"sold_from": 2005, "appliance": "washing-machine", "eras": ["label-a-plus"]}
        answer = self.decode(client, **body, **clues)
        assert answer.status_code == 200
        week = {"from": "2018-06-04", "to": "2018-06-10"}
        assert answer.data["kept"] == [week]
        assert answer.data["chosen"] is None
        assert {"why", "from", "to"} == set(answer.data["dropped"][0])

    def test_the_make_s_shape(self, bench: Bench, client: Any) -> None:
        address = f"/api/v1/makes/{bench.makes['Velthane'].pk}/date-code/"
        body = {"date_code": "YEAR_WEEK", "date_code_start": 3}
        assert client.put(address, body, format="json").data["date_code_start"] == 3
        asked = {"make": "Velthane", "serial_number": "XX1823", "in_serial": True}
        assert self.decode(client, **asked).data["kept"][0]["from"] == "2018-06-04"
        for bad in ({"date_code": "moon"}, {"date_code": "", "date_code_start": 2}):
            assert client.put(address, bad, format="json").status_code == 400

    @pytest.mark.parametrize(
        ("body", "field"),
        [
            ({"code": "1853", "scheme": "YEAR_WEEK"}, "code"),
            ({"code": "1823"}, "scheme"),
            ({"code": "", "scheme": "YEAR_WEEK"}, "code"),
            ({"in_serial": True, "scheme": "YEAR_WEEK"}, "in_serial"),
            ({"code": "1823", "scheme": "YEAR_WEEK", "eras": ["moon"]}, "eras"),
            ({"code": "1823", "scheme": "YEAR_WEEK", "sold_from": 2**40}, "sold_from"),
            ({"code": "1823", "scheme": "YEAR_WEEK", "receipt_on": "0001-01-01"}, "receipt_on"),
            ({"code": "1823", "scheme": "moon"}, "scheme"),
        ],
    )
    def test_refusals(self, client: Any, body: dict[str, Any], field: str) -> None:
        answer = self.decode(client, **body)
        assert (answer.status_code, answer["Content-Type"]) == (400, "application/problem+json")
        assert [one["field"] for one in answer.data["errors"]] == [field]

    def test_intake_later_and_choosing(self, bench: Bench, client: Any) -> None:
        body = {
            "appliance": "washing-machine",
            "make": "Velthane",
            "model_number": "W7-60 R1 W",
            "received_on": "2026-11-20",
            "build_code": {"code": "823", "scheme": "DIGIT_WEEK", "sold_from": 2005},
        }
        taken = client.post("/api/v1/donors/", body, format="json")
        assert taken.status_code == 201
        assert taken.data["built_from"] is None
        assert len(taken.data["build_reading"]["kept"]) == 2
        path = f"/api/v1/donors/{taken.data['ref']}/build-date/"
        chosen = client.post(f"{path}choose/", {"built_from": "2018-06-04"}, format="json")
        assert (chosen.data["built_to"], chosen.data["build_known"]) == ("2018-06-10", "coded")
        again = {"code": "1923", "scheme": "YEAR_WEEK"}
        assert client.post(path, again, format="json").data["built_from"] == "2019-06-03"
        plain = client.post("/api/v1/donors/", {**body, "build_code": None}, format="json")
        assert plain.data["build_reading"] is None
        job = {**body, "opened_on": "2026-11-20", "needs": [{"kind": "heater"}]}
        opened = client.post("/api/v1/jobs/", job, format="json")
        assert len(opened.data["build_reading"]["kept"]) == 2
