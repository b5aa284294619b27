"""Rules of thumb: practice.md 9, and the half-price rule at exactly half."""

import pytest

from matching.domain.triage.rules_of_thumb import Facts, Rule, advice
from tests.unit.published import rows
from tests.unit.reference import FOLDER, read
from workshop.domain.refusals import ValueRefused

ROWS = read("rules_of_thumb")
RULES = tuple(Rule.of(row) for row in ROWS)


def says(slug, **facts):
    return next(one for one in advice(Facts(**facts), RULES) if one.rule.slug == slug)


@pytest.mark.parametrize(("repair", "new", "share", "counts"), rows("half_price"))
def test_half_price(repair, new, share, counts):
    found = says("share-middle", age_years=5, repair_total=repair, new_machine_price=new)
    assert found.applies is counts
    assert f"{100 * share:.0f} % of a new machine" in found.because


@pytest.mark.parametrize(
    ("age", "share", "slug"),
    [
        (2, 0.59, "share-young"),
        (3, 0.59, "share-young"),
        (3.1, 0.49, "share-middle"),
        (8, 0.49, "share-middle"),
        (8.1, 0.34, "share-old"),
    ],
)
def test_the_line_falls_with_age(age, share, slug):
    """60 % up to 3 years, 50 %, 30 to 40 % over 8 years."""
    asked = {"age_years": age, "new_machine_price": 100.0}
    assert says(slug, repair_total=100 * share, **asked).applies is True
    assert says(slug, repair_total=100 * share + 2, **asked).applies is False
    found = advice(Facts(repair_total=10, **asked), RULES)
    assert [
        one.rule.slug for one in found if one.applies and one.rule.test.startswith("repair")
    ] == [slug]


def test_a_high_end_machine_has_its_own_line():
    facts = {"age_years": 9, "repair_total": 55, "new_machine_price": 100, "high_end": True}
    assert says("share-high-end", **facts).applies is True
    assert says("share-old", **facts).applies is False


@pytest.mark.parametrize(
    ("slug", "facts", "applies"),
    [
        ("past-mean-life", {"age_years": 13, "mean_life_years": 12.6, "major_part": True}, True),
        ("past-mean-life", {"age_years": 12, "mean_life_years": 12.6, "major_part": True}, False),
        ("past-mean-life", {"age_years": 13, "mean_life_years": 12.6, "major_part": False}, False),
        ("two-major-faults", {"independent_major_faults": 2}, True),
        ("two-major-faults", {"independent_major_faults": 1}, False),
        ("safety-corrosion", {"safety_corrosion": True}, True),
        ("safety-corrosion", {"safety_corrosion": False}, False),
        ("nothing-new", {"age_years": 5, "part_available_new": False}, True),
        ("nothing-new", {"age_years": 6, "part_available_new": False}, False),
        ("nothing-new", {"age_years": 5, "part_available_new": True}, False),
    ],
)
def test_the_other_rules(slug, facts, applies):
    assert says(slug, **facts).applies is applies


def test_what_is_unknown_advises_nothing():
    for one in advice(Facts(), RULES):
        assert one.applies is not True
        assert "unknown" in one.because or "nobody" in one.because or "class" in one.because


@pytest.mark.parametrize(
    ("facts", "field"),
    [
        ({"age_years": -1}, "age_years"),
        ({"repair_total": -1}, "repair_total"),
        ({"new_machine_price": 0}, "new_machine_price"),
        ({"independent_major_faults": -1}, "major_faults"),
    ],
)
def test_bad_facts_are_refused(facts, field):
    with pytest.raises(ValueRefused) as refused:
        advice(Facts(**facts), RULES)
    assert field in refused.value.fields


@pytest.mark.parametrize(
    "changed", [{"test": "by-mood"}, {"advises": "pray"}, {"figure": None}, {"figure": -1}]
)
def test_bad_rules_are_refused(changed):
    with pytest.raises(ValueRefused):
        Rule.of(ROWS[0] | changed)


def test_the_table():
    text = (FOLDER / "rules_of_thumb.json").read_text(encoding="utf-8")
    assert text.count("\n") == len(ROWS) + 2
    assert len({row["slug"] for row in ROWS}) == len(ROWS)
    assert all(row["source"].startswith("common practice") for row in ROWS)
