"""The lookup on numbers nobody here invented, where the packages that carry them are there.

Sources: lensfunpy (PyPI), the lens and camera names of its database; Debian's smartmontools,
drivedb.h, drive families as regular expressions. Nothing of them is copied here.
"""

import os
import random
import re
from pathlib import Path

import pytest

from donors.catalogue import Catalogue, KnownModel
from donors.domain.model_numbers import canonical
from tests.speed import worlds

DRIVES = Path(os.environ.get("DRIVEDB", "/usr/share/smartmontools/drivedb.h"))


def catalogue_of(numbers: list[str]) -> Catalogue:
    catalogue = Catalogue()
    make = catalogue.add_make("Any")
    for i, number in enumerate(numbers):
        catalogue.add_model(KnownModel(i, make.pk, make.name, number, canonical(number), "", ""))
    return catalogue


def lens_names() -> list[str]:
    lensfunpy = pytest.importorskip("lensfunpy", reason="open data: lensfunpy is not installed")
    return distinct(lens.model for lens in lensfunpy.Database().lenses)


def drive_numbers() -> list[str]:
    if not DRIVES.exists():
        pytest.skip("open data: smartmontools is not installed")
    text = DRIVES.read_text(encoding="utf-8", errors="replace")
    said = re.findall(r"tested with ([A-Z0-9][\w .\-]{5,30}?)[/,\n]", text)
    return distinct(number.strip() for number in said)


def distinct(names) -> list[str]:
    found = {canonical(name): name for name in sorted(set(names)) if len(canonical(name)) >= 6}
    return list(found.values())


@pytest.mark.parametrize("source", [lens_names, drive_numbers])
@pytest.mark.parametrize(
    ("noise", "first", "among_five"),
    [
        ("other separators", 1.0, 1.0),
        ("confusable", 0.97, 1.0),
        ("transposition", 0.97, 0.99),
        ("substitution", 0.93, 0.98),
        ("deletion", 0.91, 0.98),
    ],
)
def test_open_data_is_seen_through(source, noise, first, among_five):
    numbers = source()
    catalogue = catalogue_of(numbers)
    rng = random.Random(noise)
    right = among = 0
    asked = rng.sample(range(len(numbers)), min(250, len(numbers)))
    for i in asked:
        seen = catalogue.recognise(worlds.CLASSES[noise](numbers[i].upper(), rng))
        found = [one.model.id for one in seen.candidates]
        right += found[:1] == [i]
        among += i in found[:5]
    assert right / len(asked) >= first
    assert among / len(asked) >= among_five
