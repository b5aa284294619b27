"""The duty to supply spare parts, where people ask: the model's page, the job's, the API.

The ends are those of check_values.json: Regulations (EU) 2019/2019, 2019/2022, 2019/2023.
"""

import pytest
from django.test import Client
from django.urls import reverse

from donors import services
from donors.models import ModelNumber
from tests.factories import Bench
from tests.integration.api.conftest import api, sign_in
from tests.integration.web.reading import text_of
from tests.unit.published import rows
from workshop.errors import InputRefused, NotFound

__all__ = ["api", "sign_in"]
pytestmark = pytest.mark.django_db
PATH = "/api/v1/spare-part-duties/"


@pytest.mark.parametrize(("appliance", "part_class", "ends"), rows("spare_part_duty"))
def test_published_ends_over_the_api(sign_in, appliance: str, part_class: str, ends: str) -> None:
    client = sign_in("cataloguer")
    asked = {"appliance": appliance, "last_sold": "2022-06-30"}
    for on, holds in ((ends, "yes"), (f"{ends[:4]}-12-31", "expired")):
        found = client.get(PATH, {**asked, "on": on}).data
        [row] = [row for row in found if row["part_class"] == part_class]
        assert (row["holds"], str(row["until_to"])) == (holds, ends)
        assert row["delivery_working_days"] == 15
        assert "not legal advice" in row["caution"]


def test_before_the_rules_there_was_no_duty(sign_in) -> None:
    asked = {"appliance": "washing-machine", "kind": "control-board", "last_sold": "2020"}
    [row] = sign_in("cataloguer").get(PATH, asked).data
    assert row["holds"] == "no duty"


@pytest.mark.parametrize("text", ["2022-13", "soon", "1931"])
def test_a_day_that_is_none_is_refused_by_the_field(sign_in, bench: Bench, text: str) -> None:
    model = bench.makes["Velthane"].numbers.order_by("id").first()
    path = f"/api/v1/model-numbers/{model.pk}/last-sold/"
    answer = sign_in("technician").put(path, {"last_sold": text}, format="json")
    assert answer.status_code == 400
    assert [one["field"] for one in answer.data["errors"]] == ["last_sold"]


def test_noted_once_it_stands_on_the_pages_of_model_and_job(bench: Bench, sign_in) -> None:
    job = bench.job("W7-60 R1 W", kind="drain-pump")
    model = job.recognised
    assert model is not None
    client = Client()
    client.force_login(bench.technician.user)
    page = text_of(client.get(reverse("model", args=[model.pk])))
    assert "unknown" in page
    sent = client.post(reverse("model-last-sold", args=[model.pk]), {"last_sold": "2024"})
    assert sent.status_code == 302
    page = text_of(client.get(reverse("model", args=[model.pk])))
    assert "2034-01-01 to 2034-12-31" in page
    assert "professional repairers and end users" in page
    assert "until 2034-01-01 to 2034-12-31" in text_of(client.get(reverse("job", args=[job.ref])))
    refused = client.post(reverse("model-last-sold", args=[model.pk]), {"last_sold": "2024-2-30"})
    assert refused.status_code == 400
    assert 'value="2024-2-30"' in refused.content.decode()


def test_the_machine_s_own_build_date_only_says_not_before(bench: Bench) -> None:
    from datetime import date

    job = bench.job("W7-60 R1 W", kind="drain-pump", built_from=date(2023, 5, 1))
    client = Client()
    client.force_login(bench.technician.user)
    assert "at least until 2033-05-01" in text_of(client.get(reverse("job", args=[job.ref])))


def test_another_workshop_s_model_is_not_found(bench: Bench, other_bench: Bench) -> None:
    theirs = other_bench.makes["Velthane"].numbers.order_by("id").first()
    with pytest.raises(NotFound):
        services.set_last_sold(workshop=bench.workshop, model_id=theirs.pk, text="2022")


def test_blank_takes_it_away(bench: Bench) -> None:
    model = bench.makes["Velthane"].numbers.order_by("id").first()
    services.set_last_sold(workshop=bench.workshop, model_id=model.pk, text="2022-06")
    services.set_last_sold(workshop=bench.workshop, model_id=model.pk, text="")
    fresh = ModelNumber.of(bench.workshop).get(pk=model.pk)
    assert (fresh.last_sold_from, fresh.last_sold_to) == (None, None)
    with pytest.raises(InputRefused):
        services.set_last_sold(workshop=bench.workshop, model_id=model.pk, text="2022-06-31")
