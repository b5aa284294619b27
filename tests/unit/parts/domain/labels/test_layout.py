"""Nothing on a label overlaps or leaves it, whatever it says. By geometry."""

from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from parts.domain.labels.layout import LEAST_MODULE, QUIET_ZONE, Content, lay_out, shorten
from parts.domain.labels.sheets import Box, Sheet, roll
from tests.unit.reference import read
from workshop.domain.refusals import ValueRefused

AREAS = [
    sheet.printable(box) for sheet in map(Sheet.of, read("label_sheets")) for box in sheet.boxes()
]
sizes = st.tuples(st.floats(25, 110), st.floats(20, 300))
rolls = sizes.map(lambda size: roll(*size)).map(lambda one: one.printable(one.boxes()[0]))
texts = st.text(st.characters(codec="utf-8", exclude_categories=("C",)), max_size=120)
contents = st.builds(
    Content,
    code=st.sampled_from(["0001E", "ZZZZ5", "MMMMMMMMW"]),
    qr=st.just("0001E"),
    kind=texts,
    donor=texts,
    model_number=texts,
    bin=texts,
    grade=texts,
    dated=st.sampled_from(["", "2026-11-20"]),
)


def measure(text: str, bold: bool, size: float) -> float:
    """A made-up font: every character as wide as two thirds of its size."""
    return len(text) * size * 25.4 / 72 * (0.7 if bold else 0.6)


@given(contents, st.sampled_from(AREAS) | rolls, st.sampled_from([21, 25, 29]))
def test_nothing_overlaps_or_leaves_its_label(content: Content, area: Box, modules: int) -> None:
    laid = lay_out(content, area, modules, measure)
    boxes = [laid.qr, *(line.box for line in laid.lines)]
    assert all(box.inside(area) for box in boxes)
    assert not any(one.overlaps(other) for one, other in combinations(boxes, 2))
    assert laid.lines[0].text == content.code  # never shortened
    for line in laid.lines:
        assert measure(line.text, line.bold, line.size) == pytest.approx(line.box.width)
        assert line.box.height >= 1.17 * line.size * 25.4 / 72  # ascent and descent of the font
    assert laid.qr.width == pytest.approx(laid.qr.height)
    assert laid.qr.width / (modules + 2 * QUIET_ZONE) >= LEAST_MODULE


@given(contents, st.sampled_from(AREAS))
def test_lines_keep_their_order_and_the_telling_ones_stay(content: Content, area: Box) -> None:
    said = [line.text for line in lay_out(content, area, 25, measure).lines[1:]]
    wanted = [line for line in content.lines() if line.strip()]
    for text, line in zip(said, wanted, strict=False):
        assert line.startswith(text.rstrip("…").rstrip()) or text == "…"


def test_all_lines_are_on_the_smallest_label_of_the_sheets() -> None:
    content = Content("0001E", "0001E", "Drain pump", "D-0042", "W7-60", "B-12", "good", "2026")
    for area in AREAS:
        assert len(lay_out(content, area, 29, measure).lines) == 7


def test_short_texts_stand_in_larger_type() -> None:
    small = lay_out(Content("0001E", "", "Drain pump " * 9), AREAS[0], 21, measure).lines[1].size
    assert lay_out(Content("0001E", "", "Pump"), AREAS[0], 21, measure).lines[1].size > small


def test_a_code_too_fine_to_scan_is_refused() -> None:
    with pytest.raises(ValueRefused, match="too fine") as refused:
        lay_out(Content("0001E", ""), AREAS[0], 57, measure)
    assert set(refused.value.fields) == {"sheet"}


@given(texts, st.floats(0, 60))
def test_shortening_runs_no_wider_and_keeps_the_most(text: str, width: float) -> None:
    found = shorten(text, width, len)
    assert len(found) <= width
    if len(text) <= width:
        assert found == text
    elif width >= 2:
        assert found.endswith("…")
        longest = max(n for n in range(len(text)) if len(text[:n].rstrip()) + 1 <= width)
        assert found == text[:longest].rstrip() + "…"
