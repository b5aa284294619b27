"""A character nobody can type, in every box one searches by: a page, never a fault."""

import pytest
from django.test import Client

pytestmark = pytest.mark.django_db

PLACES = [
    "/find/?text=%00",
    "/find/?part_number=%00",
    "/jobs/?text=%00",
    "/jobs/?text=a%00",
    "/donors/?text=%00",
    "/parts/?text=%00",
    "/models/?text=%00",
    "/listings/?text=%00",
    "/scan/?code=%00",
    "/rules/?kind=%00",
]


@pytest.mark.parametrize("address", PLACES)
def test_it_is_left_out_and_the_page_says_so(technician: Client, address: str) -> None:
    answer = technician.get(address, follow=True)
    assert answer.status_code == 200
    assert answer.redirect_chain[0][0] == address.replace("%00", "")
    assert "held a character that cannot be read" in answer.content.decode()


def test_it_leads_to_no_other_host(technician: Client) -> None:
    answer = technician.get("/x?a=%00", PATH_INFO="//example.test/x")
    assert answer["Location"] == "/%2Fexample.test/x?a="


@pytest.mark.parametrize("address", ["/jobs/J-1%00/", "/models/%00/"])
def test_in_a_path_it_is_refused_by_a_page_of_ours(technician: Client, address: str) -> None:
    answer = technician.get(address)
    assert answer.status_code == 400
    assert "That request cannot be read" in answer.content.decode()


def test_a_program_is_refused(technician: Client) -> None:
    assert technician.get("/api/v1/jobs/?text=%00").status_code == 400
