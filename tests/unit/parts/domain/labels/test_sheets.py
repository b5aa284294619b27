"""Grids of labels: on the page, apart from one another, in reading order.

Sizes by width and height: check-values 4.3 (from memory there too). A4: ISO 216.
"""

from itertools import combinations

import pytest

from parts.domain.labels.sheets import Box, Sheet, check_shift, roll
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

SHEETS = [Sheet.of(row) for row in read("label_sheets")]
# columns x rows of check-values 4.3
STATED = {
    (70, 37, 3, 8),
    (63.5, 38.1, 3, 7),
    (99.1, 38.1, 2, 7),
    (99.1, 67.7, 2, 4),
    (105, 74, 2, 4),
    (105, 148, 2, 2),
    (52.5, 29.7, 4, 10),
    (48.5, 25.4, 4, 10),
    (38.1, 21.2, 5, 13),
}
every_sheet = pytest.mark.parametrize("sheet", SHEETS, ids=lambda sheet: sheet.slug)


def test_the_grids_are_those_stated() -> None:
    assert {(*sheet.label, sheet.columns, sheet.rows) for sheet in SHEETS} == STATED
    assert len({sheet.slug for sheet in SHEETS}) == len(SHEETS)
    assert all(row["source"].startswith("from memory: ") for row in read("label_sheets"))


@every_sheet
def test_labels_lie_on_the_page_and_apart(sheet: Sheet) -> None:
    page = Box(0, 0, *sheet.page)
    boxes = sheet.boxes()
    assert len(boxes) == sheet.per_page == sheet.columns * sheet.rows
    assert all(box.inside(page) for box in boxes)
    assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))


@every_sheet
def test_the_grid_is_centred(sheet: Sheet) -> None:
    boxes = sheet.boxes()
    assert min(b.x for b in boxes) == pytest.approx(sheet.page[0] - max(b.right for b in boxes))
    assert min(b.y for b in boxes) == pytest.approx(sheet.page[1] - max(b.bottom for b in boxes))


@every_sheet
def test_what_is_printed_keeps_off_the_edges(sheet: Sheet) -> None:
    safe = Box(4, 4, sheet.page[0] - 8, sheet.page[1] - 8)
    for box in sheet.boxes():
        assert sheet.printable(box).inside(box)
        assert sheet.printable(box).inside(safe)


def test_a_half_used_sheet_goes_on_where_it_ended() -> None:
    sheet = next(one for one in SHEETS if one.slug == "21-64x38")
    places = list(sheet.places(4, start=20))
    boxes = sheet.boxes()
    assert places == [(0, boxes[19]), (0, boxes[20]), (1, boxes[0]), (1, boxes[1])]


@pytest.mark.parametrize("start", [0, -1, 66])
def test_a_position_the_sheet_has_not(start: int) -> None:
    with pytest.raises(ValueRefused, match="1 to 65") as refused:
        SHEETS[0].places(1, start=start)
    assert set(refused.value.fields) == {"start"}


def test_a_roll_is_one_label_a_page() -> None:
    label = roll(62, 29)
    assert (label.page, label.per_page) == ((62.0, 29.0), 1)
    assert [page for page, _ in label.places(3)] == [0, 1, 2]


@pytest.mark.parametrize(
    ("width", "length", "fields"),
    [
        (None, 30, {"width_mm"}),
        (5, 5, {"width_mm", "length_mm"}),
        (62, 5000, {"length_mm"}),
        (float("nan"), 30, {"width_mm"}),
        (-62, 30, {"width_mm"}),
    ],
)
def test_a_roll_no_printer_takes(width, length, fields) -> None:
    with pytest.raises(ValueRefused) as refused:
        roll(width, length)
    assert set(refused.value.fields) == fields


def test_a_shift_beyond_reason() -> None:
    check_shift(-5, 5)
    with pytest.raises(ValueRefused) as refused:
        check_shift(6, float("inf"))
    assert set(refused.value.fields) == {"dx_mm", "dy_mm"}
