"""Cells of a table carry the heading of their column."""

from pathlib import Path

import pytest

from workshop.templatetags.labelled import label

HEAD = (
    '<table><thead><tr><th scope="col">Job</th><th scope="col">What <i>it</i> &amp; lacks</th>'
    '<th colspan="2">Days</th></tr></thead><tbody>'
)


@pytest.mark.parametrize(
    ("row", "marked"),
    [
        (
            '<tr><th scope="row">J-1</th><td>pump</td><td>1</td><td class="amount">2</td></tr>',
            '<tr><th scope="row" data-label="Job">J-1</th><td data-label="What it &amp; lacks">pump'
            '</td><td data-label="Days">1</td><td class="amount" data-label="Days">2</td></tr>',
        ),
        ('<tr><td colspan="4">None.</td></tr>', '<tr><td colspan="4">None.</td></tr>'),
        (
            '<tr><td colspan="2">a</td><td>b</td></tr><tr><td>c</td></tr>',
            '<tr><td colspan="2">a</td><td data-label="Days">b</td></tr>'
            '<tr><td data-label="Job">c</td></tr>',
        ),
    ],
)
def test_cells(row: str, marked: str) -> None:
    found = label(f"{HEAD}{row}</tbody></table>")
    assert found.endswith(f"<tbody>{marked}</tbody></table>")
    assert found.startswith('<table class="cards"><thead>')


def test_a_class_stays_and_a_heading_cannot_break_out() -> None:
    found = label(
        '<table class="weighed"><thead><tr><th>5&quot; &lt;b&gt;</th></tr></thead>'
        "<tbody><tr><td>x</td></tr></tbody></table>"
    )
    assert found.startswith('<table class="cards weighed">')
    assert '<td data-label="5&quot; &lt;b&gt;">' in found


def test_without_a_head_nothing_changes() -> None:
    table = "<table><tbody><tr><th>a</th><td>b</td></tr></tbody></table>"
    assert label(table) == table


def test_every_table_of_the_site_is_labelled() -> None:
    root = Path(__file__).resolve().parents[3]
    for app in ("config", "workshop", "donors", "parts", "matching"):
        for file in (root / app).rglob("*.html"):
            text = file.read_text(encoding="utf-8")
            bare = text.count("<table") - text.count("{% labelled %}<table")
            assert bare == 0, file
            # Cells below one that spans rows would stand under the heading of another column.
            assert "rowspan" not in text, file
