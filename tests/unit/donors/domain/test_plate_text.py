"""Lines, labels and facts of the text on a plate. Labels: what plates print, common practice."""

import math
from typing import Any

import pytest

from donors.domain.plate_text import (
    LONGEST_LINE,
    MOST_LINES,
    Facts,
    facts_of,
    lines_of,
    pieces_of,
    sent_lines,
)


def piece(text: str, x: float, y: float, turn: float = 0.0) -> dict[str, Any]:
    """A piece 20 points high, turned about the origin by `turn` degrees."""
    wide = 12 * len(text)
    corners = [(x, y), (x + wide, y), (x + wide, y + 20), (x, y + 20)]
    c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
    return {"text": text, "box": [[a * c - b * s, a * s + b * c] for a, b in corners]}


@pytest.mark.parametrize("turn", [0, 5, -12, 18])
def test_lines_are_put_together_however_the_plate_lies(turn: float) -> None:
    rows = [
        piece("W7-60 R1 W", 330, 42, turn),
        piece("VELTHANE", 40, 0, turn),
        piece("Mod.", 40, 40, turn),
        piece("50 Hz", 400, 81, turn),
        piece("220-240 V~", 40, 80, turn),
    ]
    assert lines_of(pieces_of(rows)) == ["VELTHANE", "Mod. W7-60 R1 W", "220-240 V~ 50 Hz"]


def test_nothing_read_is_no_line() -> None:
    assert lines_of(pieces_of([])) == []
    assert lines_of(pieces_of([piece("  ", 0, 0)])) == []


@pytest.mark.parametrize(
    ("lines", "facts"),
    [
        (["Mod. E52-KK-081.01B"], Facts(model_number="E52-KK-081.01B")),
        (["TYPE: W7-60 R1 W"], Facts(model_number="W7-60 R1 W")),
        (["Model No. 08.747.0 KM"], Facts(model_number="08.747.0 KM")),
        (["Type"], Facts()),
        (["ModeI Y7L 60-801 W/R2J"], Facts(model_number="Y7L 60-801 W/R2J")),
        (["Mode1: W7-60"], Facts(model_number="W7-60")),
        (["MODERN 42-17"], Facts()),
        (["Type of protection IP24"], Facts()),
        (["Type IP24", "Type of enclosure IPX4", "Mod. W7-60"], Facts(model_number="W7-60")),
        (["Mod. No W7-60"], Facts(model_number="W7-60")),
        (["S/N ab-1234"], Facts(serial_number="AB-1234")),
        (["Ser. No. 2112070170"], Facts(serial_number="2112070170")),
        (["Serial 50 kg"], Facts()),
        (["Built 2018-W23"], Facts(build_code="2018-W23", build_scheme="ISO_WEEK")),
        (["Prod. 2018/23"], Facts(build_code="2018-W23", build_scheme="ISO_WEEK")),
        (["Date code: 1823"], Facts(build_code="1823")),
        (["220-240 V~ 50 Hz 2200 W"], Facts()),
    ],
)
def test_what_labels_say(lines: list[str], facts: Facts) -> None:
    assert facts_of(lines) == facts


@pytest.mark.parametrize("label", ["Mod", "type", "s/n", "serial no", "built", "date code"])
def test_long_runs_of_blanks_are_read_once(label: str) -> None:
    """A pattern that tries each blank with each other never ends here; nothing is timed."""
    for gap in (" ", ".", " .", "\u00a0"):
        assert facts_of([label + gap * 100_000 + "!"]) == Facts()
    assert facts_of(["Mod" + " " * 100_000 + "W7-60"]).model_number == "W7-60"


def test_text_a_browser_sends_is_cut_to_what_a_plate_has() -> None:
    sent = ("Mod." + " " * 5_000 + "W7-60 " + "x" * 5_000 + "\n\n") * 500 + "\ud800"
    lines = sent_lines(sent)
    assert (len(lines), {len(line) for line in lines}) == (MOST_LINES, {LONGEST_LINE})
    assert lines[0].startswith("Mod. W7-60 x")
