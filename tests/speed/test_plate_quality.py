"""How well photos of plates are read, by what spoils them. The photos are generated.

    python -m pytest -m speed tests/speed/test_plate_quality.py -s
    python -m tests.speed.test_plate_quality 20        (photos of each spoilage and step)

Read by the program's own function with one reader for all, not by a process each: what is read
is the same. What a process costs is measured apart. No figure decides a test.
"""

import csv
import io
import os
import random
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import django
import pytest
from PIL import Image
from rapidfuzz.distance import Levenshtein

if __name__ == "__main__":
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")
    django.setup()

from donors.catalogue import Catalogue
from donors.catalogue_files import read_catalogue
from donors.domain import model_numbers, plate_text
from donors.plate_candidates import seen_on
from parts import remake_picture
from tests import plate_photos

pytestmark = pytest.mark.speed
DEMO = Path("fixtures/demo/millrace-lane")
TODAY = date(2026, 1, 1)


@dataclass
class Read:
    """One photo: which was it, what came of it."""

    spoilage: str
    step: str
    characters: float  # share of the model number's characters read right, where it stands
    all_characters: float  # of the whole plate's
    place: int  # of the right model among the candidates, from 1; 0: not among them
    serial: bool
    built: bool


def readable(spoilage: str, step: str) -> bool:
    """A person reads every letter: all that is mild or strong; of all at once only the mild."""
    return step == "mild" or (step == "strong" and spoilage != "all")


def plates(count: int, seed: int) -> Iterator[plate_photos.Printed]:
    """Yield plates of known models of the demo's catalogue, each of another."""
    with (DEMO / "models.csv").open(encoding="utf-8", newline="") as file:
        rows = [row for row in csv.DictReader(file) if not set(row["model_number"]) & set("#*")]
    for at, row in enumerate(random.Random(seed).sample(rows, count)):
        yield plate_photos.printed(row["make"], row["model_number"], at)


def judge(what: plate_photos.Printed, lines: list[str], catalogue: Catalogue) -> Read:
    seen = seen_on(catalogue, lines, today=TODAY)
    right = model_numbers.canonical(what.model_number)
    numbers = [one.model.canonical for one in seen.candidates]
    said = "".join(what.text.split())
    got = "".join("".join(lines).split())
    built = seen.built.settled if seen.built else None
    return Read(
        spoilage="",
        step="",
        characters=Levenshtein.normalized_similarity(
            right, model_numbers.canonical(seen.model_number)
        ),
        all_characters=Levenshtein.normalized_similarity(said, got),
        place=numbers.index(right) + 1 if right in numbers else 0,
        serial=seen.serial_number == what.serial_number,
        built=built is not None
        and f"{built.start.isocalendar().year}-W{built.start.isocalendar().week:02}"
        == what.build_code,
    )


def measure(count: int, seed: int = 1) -> list[Read]:
    read_plate = pytest.importorskip("parts.read_plate", reason="needs requirements-ocr.txt")

    catalogue = read_catalogue(makes=DEMO / "makes.csv", models=DEMO / "models.csv")
    reader = read_plate.new_reader()
    found = []
    for spoilage in plate_photos.SPOILAGES:
        for step in plate_photos.STEPS if spoilage != "none" else ("mild",):
            for at, what in enumerate(plates(count, seed)):
                data = plate_photos.photo(what, spoilage, step, seed=at)
                large, _ = remake_picture.remake(data)
                again = Image.open(io.BytesIO(remake_picture._as_jpeg(large, 85)))
                pieces = plate_text.pieces_of(read_plate.pieces_on(again, reader))
                lines = plate_text.lines_of(pieces)
                one = judge(what, lines, catalogue)
                one.spoilage, one.step = spoilage, step
                if one.place == 0 or one.place > 3:
                    print(spoilage, step, what.model_number, "|", " / ".join(lines), flush=True)
                found.append(one)
            report(
                [one for one in found if (one.spoilage, one.step) == (spoilage, step)],
                f"{spoilage}, {step}",
            )
    return found


def report(rows: list[Read], name: str) -> None:
    def share(values: list[float]) -> str:
        return f"{100 * sum(values) / len(values):.1f} %"

    print(
        f"| {name} | {len(rows)} | {share([r.all_characters for r in rows])} "
        f"| {share([r.characters for r in rows])} | {share([r.place == 1 for r in rows])} "
        f"| {share([0 < r.place <= 3 for r in rows])} | {share([r.serial for r in rows])} "
        f"| {share([r.built for r in rows])} |",
        flush=True,
    )


def main(count: int) -> None:
    rows = measure(count)
    report([r for r in rows if readable(r.spoilage, r.step)], "all readable")
    report([r for r in rows if not readable(r.spoilage, r.step)], "beyond")


def test_reading_plates() -> None:
    main(4)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 8)
