from dataclasses import replace

import pytest
from hypothesis import given

from donors.domain.machines import Machine
from matching.domain.comparisons import (
    LEAST_SURE,
    compare_attributes,
    compare_builds,
    compare_models,
    compare_numbers,
)
from parts.domain.interchange import Edge, InterchangeGraph
from tests.unit.matching import strategies
from tests.unit.matching.building import TABLE, built, kind, machine, side

YEARS = TABLE["build_years"]
GRAPH = InterchangeGraph.of([Edge("111122201", "BS04239601"), Edge("A1234", "B1234", True)])


@pytest.mark.parametrize(
    ("offered", "wanted", "level", "group", "path"),
    [
        ("", "", "unknown", "unknown", ()),
        ("1111.222-01", "", "unknown", "unknown", ()),
        ("", "1111.222-01", "unknown", "unknown", ()),
        ("1111.222-01", "1111 222 01", "same", "agrees", ()),
        ("BS04/2396-01", "1111.222-01", "interchange", "agrees", ("111122201", "BS04239601")),
        ("1111.222-01", "BS04/2396-01", "different", "differs", ()),  # it runs one way
        ("A1234", "B1234", "interchange", "agrees", ("B1234", "A1234")),
        ("B1234", "A1234", "interchange", "agrees", ("A1234", "B1234")),
        ("1111.222-01", "1111.Z22-01", "one-confusable-apart", "agrees", ()),
        ("1111.222-01", "1111.222-02", "same-stem", "differs", ()),
        ("1111.222-01", "9999.222-01", "different", "differs", ()),
    ],
)
def test_numbers(offered, wanted, level, group, path):
    found = compare_numbers(side(offered), side(wanted), GRAPH)
    assert (found.level, found.group, found.path) == (level, group, path)
    assert found.agrees is (group == "agrees")


@pytest.mark.parametrize(
    ("makes", "level"),
    [
        (("Velthane", "Borsund"), "other-make-number"),
        (("Velthane", "Velthane"), "different"),
        (("Velthane", ""), "different"),  # a make not known is no other make
        (("", ""), "different"),
    ],
)
def test_different_numbers_of_two_makes_say_less(makes, level):
    offer, want = (
        side(number, machine(make=make))
        for number, make in zip(("1111.222-01", "9999.222-01"), makes, strict=True)
    )
    found = compare_numbers(offer, want, GRAPH)
    assert found.level == level
    assert found.group == ("unknown" if level == "other-make-number" else "differs")


M = machine()
LOOSE = Machine("washing-machine", "Velthane", "M2W90246S4")


@pytest.mark.parametrize(
    ("a", "b", "level"),
    [
        # nothing known on one side or both: unknown, never same
        (Machine(), Machine(), "unknown"),
        (Machine(), M, "unknown"),
        (Machine(appliance="washing-machine"), Machine(appliance="washing-machine"), "unknown"),
        (Machine(make="Velthane"), Machine(make="Velthane"), "unknown"),
        (M, machine("? ? ? ? ?", number=""), "unknown"),
        # appliance first
        (M, machine(appliance="dishwasher"), "other-appliance"),
        (M, machine(appliance=""), "same"),
        # then make
        (M, machine(make="Borsund"), "other-make"),
        (M, machine(make=""), "same"),  # the whole number agrees; which make is not known
        (M, machine("M2W 90 246 W 4", make=""), "alike"),
        (M, machine("H3C 60 111 W 1", make=""), "unlike"),
        # then the number and its fields
        (M, machine(), "same"),
        (M, machine("M2W 90 246 W 4"), "immaterial"),
        (M, machine("M2W 60 246 W 4"), "immaterial"),
        (M, machine("M2W 90 247 S 4"), "same-revision"),
        (M, machine("M2W 90 246 S 3"), "other-revision"),
        (M, machine("M2W 90 247 S 3"), "other-revision"),
        (M, machine("H3C 90 246 S 4"), "other-family"),
        # a field that counts was not read: same family is all that can be said
        (M, machine("M2W 90 246 S ?"), "same-family"),
        (machine("M2W 90 246 S ?"), machine("M2W 90 246 W ?"), "same-family"),
        (machine("M2W 90 246 S ?"), machine("M2W 90 247 S ?"), "same-family"),
        (machine("M2W 90 246 S ?"), machine("M2W 90 247 S 4"), "same-family"),
        (M, machine("M2W 90 ? S 4"), "same-family"),
        # a family known from the catalogue, not from the number
        (LOOSE, machine("M2W 60 111 W 1", fields={}), "same-beginning"),
        (replace(LOOSE, family="M2W"), machine("M2W 60 111 W 1", fields={}), "same-family"),
        (replace(LOOSE, family="H3C"), machine("M2W 60 111 W 1", fields={}), "other-family"),
        (M, machine("M2W 90 246 S 4", number="X", family="H3C"), "other-family"),
        (M, machine("M2W 60 111 W 1", family="", number="X"), "other-revision"),
        (machine("M2W 1 1 1 1", family=""), machine("H3C 1 1 1 1", family=""), "other-family"),
        # numbers without a pattern
        (LOOSE, replace(LOOSE, number="M2W90246W4"), "alike"),
        (LOOSE, replace(LOOSE, number="M2W90555K1"), "same-beginning"),
        (LOOSE, replace(LOOSE, number="90246AB77"), "unknown"),
        (LOOSE, replace(LOOSE, number="M2"), "unknown"),  # too little was read
        (LOOSE, replace(LOOSE, number="Z9"), "unknown"),
        (LOOSE, replace(LOOSE, number="QX7711KB"), "unlike"),
        # hardly recognised: the fields of the guess are not to be trusted
        (M, machine("M2W 90 246 S 3", sure=LEAST_SURE - 0.01), "alike"),
        (M, machine("H3C 60 111 W 1", sure=LEAST_SURE - 0.01), "unlike"),
        (M, machine("M2W 90 246 S 3", sure=LEAST_SURE), "other-revision"),
    ],
)
def test_models(a, b, level):
    assert compare_models(a, b, kind()) == level
    assert compare_models(b, a, kind()) == level


@pytest.mark.parametrize(
    ("matters", "text", "level"),
    [
        ({"family", "colour"}, "M2W 90 246 W 4", "same-revision"),
        ({"family", "colour"}, "M2W 60 247 S 1", "immaterial"),
        ({"family", "size"}, "M2W 60 246 S 4", "same-revision"),
        ({"family", "size"}, "M2W 60 246 S 3", "other-revision"),
        (set(), "M2W 60 247 W 1", "immaterial"),
    ],
)
def test_which_fields_count_depends_on_the_kind(matters, text, level):
    assert compare_models(M, machine(text), kind(matters=frozenset(matters))) == level


@given(strategies.machines, strategies.machines)
def test_models_compare_the_same_both_ways(a, b):
    level = compare_models(a, b, kind())
    assert level == compare_models(b, a, kind())
    assert level in TABLE["model"]


@given(strategies.machines)
def test_a_machine_without_make_and_number_is_unknown_beside_any(one):
    level = compare_models(Machine(), one, kind())
    assert level == "unknown"


@pytest.mark.parametrize(
    ("a", "b", "level"),
    [
        (None, None, "unknown"),
        (built(2014), None, "unknown"),
        (built(2014), built(2014), "near"),
        (built(2014, 365), built(2015), "near"),
        (built(2014, 0), built(2014.49, 0), "near"),
        (built(2014, 0), built(2014.51, 0), "apart"),
        (built(2014, 0), built(2015.9, 0), "apart"),
        (built(2014, 0), built(2016.1, 0), "far-apart"),
        (built(2002), built(2024), "far-apart"),
    ],
)
def test_builds(a, b, level):
    assert compare_builds(a, b, YEARS) == level
    assert compare_builds(b, a, YEARS) == level


@pytest.mark.parametrize(
    ("name", "offered", "wanted", "level", "hard"),
    [
        ("voltage_v", "230", "230", "agrees", True),
        ("voltage_v", "230", "230.0", "agrees", True),
        ("voltage_v", "240", "230", "within-tolerance", True),
        ("voltage_v", "253", "230", "within-tolerance", True),  # just 10 %
        ("voltage_v", "253.1", "230", "conflict", True),
        ("voltage_v", "120", "230", "conflict", True),
        ("voltage_v", "230 V", "230", "agrees", True),
        ("voltage_v", "230", "230VAC", "agrees", True),
        ("voltage_v", "240V", "230 volts", "within-tolerance", True),
        ("voltage_v", "120 V", "230", "conflict", True),
        ("mount", "3 lugs", "3", "conflict", False),
        ("spigot_mm", "22.5", "22", "within-tolerance", False),
        ("spigot_mm", "22.51", "22", "conflict", False),
        ("spigot_mm", "21.5", "22", "within-tolerance", False),
        ("mount", "3-lug", " 3-LUG", "agrees", False),
        ("mount", "3-lug", "4-lug", "conflict", False),
        ("mount", "3-lug", "3", "conflict", False),
        ("mount", "nan", "nan", "agrees", False),
        ("not_in_the_table", "a", "A", "agrees", False),
        ("not_in_the_table", "1", "2", "conflict", False),
    ],
)
def test_attributes(name, offered, wanted, level, hard):
    [found] = compare_attributes(side(**{name: offered}), side(**{name: wanted}), kind())
    assert (found.name, found.level, found.hard) == (name, level, hard)
    assert (found.offered, found.wanted) == (offered, wanted)


@pytest.mark.parametrize(
    ("offer", "want"),
    [
        (side(), side()),
        (side(mount="3-lug"), side()),
        (side(mount="3-lug"), side(voltage_v="230")),
        (side(voltage_v=""), side(voltage_v="230")),  # blank is unknown, never a conflict
        (side(voltage_v="1,4"), side(voltage_v="230")),  # a number that cannot be read as well
        (side(voltage_v="220-240 V"), side(voltage_v="120")),
        (side(power_w="1.5 kW"), side(power_w="1500")),  # another unit is not compared
        (side(voltage_v=" "), side(voltage_v="230")),
        (side(voltage_v=""), side(voltage_v="")),
        (side(position="wash"), side()),
    ],
)
def test_what_one_side_does_not_state_is_not_compared(offer, want):
    assert compare_attributes(offer, want, kind()) == []
    assert compare_attributes(want, offer, kind()) == []


@pytest.mark.parametrize(
    ("wanted", "level"), [("wash", "agrees"), ("WASH", "agrees"), ("rinse", "conflict")]
)
def test_positions_are_compared_too(wanted, level):
    [found] = compare_attributes(side(position="wash"), side(position=wanted), kind())
    assert (found.name, found.level, found.hard) == ("position", level, False)


def test_attributes_come_in_alphabetical_order():
    offer = side(voltage_v="230", mount="a", connector="b")
    assert [one.name for one in compare_attributes(offer, offer, kind())] == [
        "connector",
        "mount",
        "voltage_v",
    ]
