"""The page on how good the odds are: what it says without, with few and with enough fittings."""

import re

import pytest
from django.test import Client
from django.urls import reverse

from matching.domain.reliability import reliability
from matching.domain.verdicts import Verdict
from matching.models import FitReport
from tests.factories import NOW, Bench

pytestmark = pytest.mark.django_db


def report(bench: Bench, count: int) -> None:
    """Store a measuring: two bins, chances 0.25 and 0.85, of which 1 in 5 and 4 in 5 fitted."""
    truths = [n % 5 == 0 if n % 2 else n % 5 != 0 for n in range(count)]
    chances = [0.25 if n % 2 else 0.85 for n in range(count)]
    verdicts = [Verdict.CHECK_FIRST if n % 2 else Verdict.LIKELY_FITS for n in range(count)]
    FitReport.objects.create(
        workshop=bench.workshop,
        found=reliability(truths, chances, verdicts).as_dict(),
        outcomes=count,
        learned=False,
        measured_at=NOW,
    )


def page(client: Client) -> str:
    answer = client.get(reverse("odds"))
    assert answer.status_code == 200
    return answer.content.decode()


def test_it_is_in_the_navigation(cataloguer: Client) -> None:
    assert f'href="{reverse("odds")}"' in cataloguer.get(reverse("home")).content.decode()


def test_before_any_measuring(cataloguer: Client) -> None:
    text = page(cataloguer)
    assert "Not measured yet" in text
    assert "<svg" not in text


def test_too_few_is_said_plainly(bench: Bench, cataloguer: Client) -> None:
    report(bench, 20)
    text = page(cataloguer)
    assert "Too few past fittings to say: 20." in text
    assert "<svg" not in text


def test_plot_and_table_say_the_same(bench: Bench, cataloguer: Client) -> None:
    report(bench, 100)
    text = page(cataloguer)
    assert len(re.findall("<circle", text)) == 2
    # 0.25 stated of a side of 300 beginning at 36; 10 of 50 fitted.
    assert 'cx="111.0" cy="276.0"' in text
    row = re.search(r'<th scope="row"[^>]*>20-30 %</th>(.*?)</tr>', text, re.S)
    assert row is not None
    cells = re.findall("<td[^>]*>(.*?)</td>", row[1])
    # Wilson for 10 of 50: 11.2 to 33.0 %, NIST handbook 7.2.4.1.
    assert cells == ["50", "25.0 %", "20.0 %", "11–33 %"]
    assert "likely fits" in text


def test_nothing_inline_and_nothing_of_others(bench: Bench, other_bench: Bench, sign_in) -> None:
    report(bench, 100)
    text = page(sign_in(bench))
    assert " style=" not in text
    assert text.count("<script") == text.count('<script src="/static/')
    assert "<style" not in text
    assert "Not measured yet" in page(sign_in(other_bench))
