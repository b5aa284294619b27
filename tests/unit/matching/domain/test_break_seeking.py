"""Where breaks are looked for: what all machines of a family tell of, and what one model does."""

from dataclasses import replace
from datetime import date, timedelta

from hypothesis import given
from hypothesis import strategies as st

from matching.domain.break_seeking import FoundBreak, seek
from matching.domain.breaks import Search
from matching.domain.known_breaks import BreakIndex, Scope
from matching.domain.sightings import Seen
from parts.domain.interchange import InterchangeGraph
from tests.unit.matching.building import TABLE, kind, machine
from workshop.domain.intervals import Interval

SEARCH = Search.of(TABLE["breaks"])
GRAPH = InterchangeGraph.of([])
# Nothing but the model tells these apart, so that no field can explain what differs.
PLAIN = kind(matters=frozenset({"family"}))
DAY = date(2014, 1, 1)
FAMILY = Scope("Velthane", "M2W")


def month(nth: int) -> Interval:
    start = DAY + timedelta(days=30 * nth)
    return Interval(start, start + timedelta(days=6))


def seen(letters: str, model: str, start: int = 0) -> list[Seen]:
    """Return a sighting a letter, in machines of one model built a month apart."""
    base = machine(number=model, fields={}, family="M2W")
    return [
        Seen(f"{letter}1", replace(base, built=month(start + place)))
        for place, letter in enumerate(letters)
    ]


def told(*groups: list[Seen]) -> list[tuple[str, tuple[str, ...], tuple[str, ...]]]:
    """Return the model ("" for the family), and the numbers before and after, of each break."""
    found = seek([one for rows in groups for one in rows], PLAIN, GRAPH, SEARCH)
    return [(f.scope.model, f.found.numbers_before, f.found.numbers_after) for f in found]


def test_what_every_model_tells_of_is_told_of_the_family():
    assert told(seen("AAAAAABBBBBB", "M1"), seen("AAAAAABBBBBB", "M2")) == [("", ("A1",), ("B1",))]


def test_what_one_model_alone_tells_of_is_told_of_that_model():
    """M2 carries A throughout: a change of the whole family would part machines it does not."""
    one = told(seen("AAAAAABBBBBB", "M1"), seen("A" * 12, "M2"))
    assert one == [("M1", ("A1",), ("B1",))]


def test_models_that_change_at_other_dates_each_have_their_own():
    """A year apart and more: no single date holds for the family."""
    early, late = "AAAABBBBBBBBBBBBBBBB", "AAAAAAAAAAAAAAAABBBB"
    rows = [*seen(early, "M1"), *seen(late, "M2")]
    first, second = seek(rows, PLAIN, GRAPH, SEARCH)
    assert (first.scope.model, second.scope.model) == ("M1", "M2")
    assert first.found.changed.end < second.found.changed.start
    assert seek([replace_model(row, "") for row in rows], PLAIN, GRAPH, SEARCH) == []


def replace_model(row: Seen, model: str) -> Seen:
    return replace(row, machine=replace(row.machine, number=model))


def test_one_model_with_too_few_others_is_told_of_the_family():
    """Two sightings of another model cannot tell whether it changed as well."""
    found = told(seen("AAAAAABBBBBB", "M1"), seen("A", "M2"), seen("B", "M2", start=11))
    assert found == [("", ("A1",), ("B1",))]


def test_a_single_model_on_record_is_its_family():
    assert told(seen("AAAAAABBBBBB", "M1")) == [("", ("A1",), ("B1",))]


def test_a_machine_of_no_known_model_teaches_the_family_only():
    assert told(seen("AAAAAABBBBBB", ""), seen("AAAAAA", "M2")) == [("", ("A1",), ("B1",))]
    assert told(seen("AAAAAABBBBBB", ""), seen("A" * 12, "M2")) == []


def test_a_quiet_family_tells_of_nothing():
    assert told(seen("A" * 12, "M1"), seen("B" * 12, "M2")) == []


letters = st.text(alphabet="AB", min_size=0, max_size=14)


@given(letters, letters, letters)
def test_no_change_is_told_twice_and_each_covers_what_it_was_found_in(one, two, three):
    rows = [*seen(one, "M1"), *seen(two, "M2"), *seen(three, "M3")]
    found = seek(rows, PLAIN, GRAPH, SEARCH)
    of_family = [f.found.changed for f in found if not f.scope.model]
    for f in found:
        covered = [row for row in rows if f.scope.covers(row.machine)]
        assert f.found.sightings <= len(covered)
        if f.scope.model:
            assert not any(f.found.changed.overlaps(changed) for changed in of_family)


def test_a_break_of_one_model_parts_machines_of_that_model_only():
    [found] = seek([*seen("AAAAAABBBBBB", "M1"), *seen("A" * 12, "M2")], PLAIN, GRAPH, SEARCH)
    assert found.scope == Scope("Velthane", "M2W", model="M1")
    assert str(found.scope) == "Velthane M2W model M1"
    index = BreakIndex.of([FoundBreak(found.scope, found.found).known()])
    old, new = (seen("A", "M1", start=at)[0].machine for at in (0, 11))
    other_old, other_new = (seen("A", "M2", start=at)[0].machine for at in (0, 11))
    assert index.part_ways(old, new)
    assert not index.part_ways(other_old, other_new)
    assert not index.part_ways(old, other_new)
