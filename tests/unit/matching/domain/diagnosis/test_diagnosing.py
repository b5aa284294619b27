"""A job's fault as people read it, from the delivered table (common practice)."""

import pytest

from matching.domain.diagnosis.diagnosing import PROPOSED_FROM, diagnose
from matching.domain.diagnosis.tables import SOMETHING_ELSE, FaultTable
from tests.unit.matching.domain.diagnosis.faults import delivered, kind_names
from workshop.domain.refusals import ValueRefused

WASHER, OVEN = "washing-machine", "microwave"


def diagnosed(*slugs, **known):
    table = delivered()
    return diagnose(table, [table.symptoms[one] for one in slugs], kinds=kind_names(), **known)


def odds_of(found, slug):
    return next(one.odds for one in found.suspects if one.slug == slug)


class TestHeatsNot:
    """The issue's example: heater resistance, sensor at 25 °C, wiring, then board."""

    def test_at_first(self):
        found = diagnosed(f"{WASHER}:no-heat")
        assert found.suspects[0].slug == "heater"
        assert found.suspects[0].name == "Heater element"
        assert sum(one.odds for one in found.suspects) == pytest.approx(1)
        assert found.rests_on == "guide table, no closed jobs yet, no check yet"
        assert found.next_check.check.slug == f"{WASHER}:heater-ohm"

    def test_the_checks_come_in_the_trade_s_order(self):
        ranked = [one for one in diagnosed(f"{WASHER}:no-heat").checks if one.pays]
        slugs = [one.check.slug.split(":")[1] for one in ranked]
        assert slugs == ["heater-ohm", "ntc-ohm", "wiring-look"]
        left = {one.check.slug for one in diagnosed(f"{WASHER}:no-heat").checks}
        assert f"{WASHER}:board-look" in left

    def test_a_good_heater_clears_it(self):
        found = diagnosed(f"{WASHER}:no-heat", answers={f"{WASHER}:heater-ohm": "good"})
        assert odds_of(found, "heater") < 0.1
        assert "heater" not in found.proposed
        assert f"{WASHER}:heater-ohm" not in {one.check.slug for one in found.checks}

    def test_a_bad_heater_is_proposed(self):
        found = diagnosed(f"{WASHER}:no-heat", answers={f"{WASHER}:heater-ohm": "bad"})
        assert found.proposed == ("heater",)
        assert odds_of(found, "heater") > 0.9
        assert found.next_check is None
        assert found.rests_on.endswith("1 check")

    def test_blank_answers_change_nothing(self):
        blank = diagnosed(f"{WASHER}:no-heat", answers={f"{WASHER}:heater-ohm": ""})
        assert blank == diagnosed(f"{WASHER}:no-heat")

    def test_closed_jobs_teach(self):
        closed = {f"{WASHER}:no-heat": {"ntc-sensor": 40}}
        found = diagnosed(f"{WASHER}:no-heat", closed=closed)
        assert found.suspects[0].slug == "ntc-sensor"
        assert "40 closed jobs" in found.rests_on


def test_a_cause_that_is_no_part_is_never_proposed():
    found = diagnosed(f"{WASHER}:no-drain", answers={f"{WASHER}:filter-clear": "bad"})
    assert found.suspects[0].slug == "blockage"
    assert found.suspects[0].odds > PROPOSED_FROM
    assert found.proposed == ()


def test_two_symptoms_point_to_what_they_share():
    """Dead and trips: the filter stands under both, the heater only under one."""
    apart = diagnosed(f"{WASHER}:dead")
    both = diagnosed(f"{WASHER}:dead", f"{WASHER}:trips")
    assert odds_of(both, "mains-filter") > odds_of(apart, "mains-filter")


def test_something_else_stays_possible():
    said = {one.slug: "bad" for one in delivered().checks_of(OVEN)}
    found = diagnosed(f"{OVEN}:no-heat", answers=said)
    assert odds_of(found, SOMETHING_ELSE) > 0


@pytest.mark.parametrize(
    "asked",
    [
        lambda: diagnosed(),
        lambda: diagnosed(f"{WASHER}:dead", f"{OVEN}:dead"),
        lambda: diagnosed(f"{WASHER}:dead", answers={f"{OVEN}:socket": "bad"}),
        lambda: diagnosed(f"{WASHER}:dead", answers={f"{WASHER}:socket": "perhaps"}),
    ],
)
def test_refused(asked):
    with pytest.raises(ValueRefused):
        asked()


class TestWhatTheCustomerSays:
    @pytest.mark.parametrize(
        ("text", "appliance", "slugs"),
        [
            ("It does NOT heat; dead, no lights", WASHER, ["dead", "no-heat"]),
            ("hums, needs a push", "tumble-dryer", ["no-turn"]),
            ("drips when idle", "coffee-machine", ["leaks"]),
            ("no drainage hose", WASHER, []),
            ("", WASHER, []),
            ("<script>alert('dead')</script>", WASHER, ["dead"]),
        ],
    )
    def test_symptoms_named(self, text, appliance, slugs):
        found = [one.slug.split(":")[1] for one in delivered().said(text, appliance=appliance)]
        assert sorted(found) == sorted(slugs)

    def test_words_within_longer_ones_count_once(self):
        """ "Motor runs, drum still" is one symptom's, though "drum still" might be another's."""
        found = delivered().said("motor runs, drum still", appliance="tumble-dryer")
        assert [one.slug for one in found] == ["tumble-dryer:no-turn"]


class TestTablesOfAWorkshopsOwn:
    def _data(self, **changed):
        answers = [
            {"slug": "bad", "says": "open", "likely": {"heater": 0.9}, "otherwise": 0.1},
            {"slug": "good", "says": "reads", "likely": {"heater": 0.1}, "otherwise": 0.9},
        ]
        symptom = {"slug": "s", "appliance": WASHER, "name": "cold", "words": [], "suspects": {}}
        check = {"slug": "c", "appliance": WASHER, "do": "measure", "minutes": 5, "order": 1}
        check |= {"answers": answers, "cautions": []}
        symptom["suspects"] = changed.pop("suspects", {"heater": 1})
        rows = {"symptoms": [symptom], "checks": [check | changed], "causes": []}
        return rows

    def test_good(self):
        assert list(FaultTable.of(self._data()).checks) == ["c"]

    @pytest.mark.parametrize(
        ("changed", "field", "why"),
        [
            ({"suspects": {}}, "s", "suspects nothing"),
            ({"suspects": {"heater": 0}}, "s", "must be more than 0"),
            ({"suspects": {"heater": -1}}, "s", "must be more than 0"),
            ({"suspects": {"heater": float("nan")}}, "s", "is no reading"),
            ({"minutes": 0}, "c", "must be more than 0"),
            ({"minutes": 9999}, "c", "is above 600"),
            ({"answers": []}, "c", "one answer or none"),
        ],
    )
    def test_refused(self, changed, field, why):
        with pytest.raises(ValueRefused) as refused:
            FaultTable.of(self._data(**changed))
        assert why in refused.value.fields[field]

    def test_chances_that_do_not_add_up(self):
        data = self._data()
        data["checks"][0]["answers"][0]["likely"] = {"heater": 0.5}
        with pytest.raises(ValueRefused, match=r"chances for heater add up to 0\.6, not to 1"):
            FaultTable.of(data)

    def test_an_answer_that_cannot_be(self):
        data = self._data()
        data["checks"][0]["answers"][0]["otherwise"] = 0
        with pytest.raises(ValueRefused, match="must be more than 0"):
            FaultTable.of(data)

    def test_a_name_used_twice(self):
        data = self._data()
        data["symptoms"] *= 2
        with pytest.raises(ValueRefused, match="is there twice"):
            FaultTable.of(data)
