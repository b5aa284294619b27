import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.model_numbers import canonical
from parts.domain.part_numbers import NumberLevel, Printed, compare, stem

printed = st.builds(
    Printed.of,
    st.one_of(
        st.from_regex(r"[0-9O]{4}[.][0-9S]{3}(-0[12I])?", fullmatch=True),
        st.from_regex(r"BS[0-2]{2}/[1-3]{4}(-[0O]1)?", fullmatch=True),
        st.sampled_from(["", " ", "-", "1234", "1234-01", "1234-02", "I234-01", "123401"]),
        st.text(max_size=8),
    ),
)


@pytest.mark.parametrize(
    ("a", "b", "level"),
    [
        ("", "", "unknown"),
        ("", "5443.796-01", "unknown"),
        (" - ", "5443.796-01", "unknown"),
        ("5443.796-01", "5443.796-01", "same"),
        ("5443.796-01", "5443 796 01", "same"),
        ("bs04/2396-01", "BS04/2396-01", "same"),
        ("５４４３.796-01", "5443.796-01", "same"),
        ("5443.796-01", "S443.796-01", "one-confusable-apart"),
        ("QP-772-889-01", "QP-772-B89-01", "one-confusable-apart"),
        ("5443.796-01", "5443.796-02", "same-stem"),
        ("5443.796-01", "5443.796-0I", "same-stem"),  # perhaps only misread: the index counts
        ("5443.796", "5443.796-02", "same-stem"),
        ("K30292 27", "K30292 31", "same-stem"),
        ("5443.796-01", "5443.797-01", "different"),
        ("5443.796-01", "S443.7961O1", "different"),
        ("5443.796-01", "5443.796-011", "same-stem"),
        ("5443.796-01", "SA43.796-01", "different"),
        ("123-01", "123-02", "different"),  # too short a stem to say anything
        ("123401", "123402", "different"),  # no index set off
    ],
)
def test_compare(a, b, level):
    assert compare(Printed.of(a), Printed.of(b)) is NumberLevel(level)
    assert compare(Printed.of(b), Printed.of(a)) is NumberLevel(level)


@given(printed, printed)
def test_symmetric_and_unknown_first(a, b):
    level = compare(a, b)
    assert level is compare(b, a)
    assert (level is NumberLevel.UNKNOWN) is (not a.canonical or not b.canonical)
    assert (level is NumberLevel.SAME) is (bool(a) and a.canonical == b.canonical)


@given(st.text(max_size=30))
def test_printed_keeps_the_raw_text(raw):
    found = Printed.of(raw)
    assert found.raw == raw.strip()
    assert found.canonical == canonical(raw)
    assert bool(found) is bool(canonical(raw))


@pytest.mark.parametrize(
    ("raw", "expected"),
    [
        ("5443.796-01", "5443796"),
        ("BS04/2396-02", "BS042396"),
        ("K30292 27", "K30292"),
        ("5443.796 - A3", "5443796"),
        ("5443.796/1", "5443796"),
        ("5443796", ""),
        ("5443796-0123", ""),  # four places are no index
        ("123-01", ""),  # three places are no stem
        ("-01", ""),
        ("", ""),
    ],
)
def test_stem(raw, expected):
    assert stem(raw) == expected


def test_levels_begin_with_unknown():
    assert next(iter(NumberLevel)) is NumberLevel.UNKNOWN
