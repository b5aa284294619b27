"""What was noted of such parts stands in for what was not measured; a guess, never a stop."""

from matching.domain.noted import Guess
from matching.domain.scoring import score
from tests.unit.matching.building import kind, knowledge, machine, side

PUMP = kind("spec-match", slug="drain-pump")


def known(*sides):
    found = knowledge(PUMP)
    found.noted.add_all(sides)
    return found


def noted_row(found):
    return next(row for row in found.rows if row.evidence == "noted elsewhere")


def test_by_number_before_machine():
    """The number was noted with a snap mount, the family with a flange."""
    other = machine("X9X 60 111 S 1")
    index = known(
        side("P-100", other, mount="Snap"),
        side("", machine(), mount="flange"),
    ).noted
    offer, want = side("P-100", machine()), side("P-200", machine(), mount="snap")
    assert index.guesses(offer, want) == [Guess("mount", "agrees", "snap", "snap")]


def test_by_machine_where_there_is_no_number():
    found = known(side("", machine(), mount="flange"))
    offer, want = side("", machine()), side("P-2", machine("Y1Y 60 1 S 1"), mount="snap")
    row = noted_row(score(offer, want, found))
    assert (row.level, row.bits < 0) == ("conflict", True)
    assert row.sentence == (
        "By what was noted of such parts, they differ: mount flange against snap. Measure both."
    )


def test_stated_on_both_sides_is_not_guessed_again():
    found = known(side("P-1", machine(), mount="flange"))
    offer = side("P-1", machine(), mount="snap")
    assert found.noted.guesses(offer, side("P-2", machine(), mount="snap")) == []


def test_what_could_stop_a_part_is_never_guessed():
    """A voltage noted elsewhere neither stops nor speaks: it must be read off this part."""
    found = known(
        side("P-1", machine(), voltage_v="230"),
        side("P-2", machine(), voltage_v="120"),
    )
    got = score(side("P-1", machine()), side("P-2", machine()), found)
    assert not got.stopped
    assert (noted_row(got).level, noted_row(got).bits) == ("unknown", 0.0)


def test_notes_that_contradict_each_other_say_nothing():
    index = known(
        side("P-1", machine(), mount="snap"),
        side("P-1", machine(), mount="flange"),
    ).noted
    assert index.guesses(side("P-1", machine()), side("P-2", mount="snap")) == []
