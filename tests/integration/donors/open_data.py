"""Numbers nobody here invented, read from packages where they are installed; nothing is copied in.

lensfunpy (PyPI): lens and camera names. Debian's smartmontools, drivedb.h: drive numbers and
the regular expressions that describe their families. Debian's foomatic-db: printers, each with
the model number of its maker and the names it gives of itself over the wire.
"""

import os
import re
from collections.abc import Iterable, Iterator
from functools import lru_cache
from pathlib import Path
from xml.etree import ElementTree

import pytest

from donors.domain.model_numbers import canonical

DRIVES = Path(os.environ.get("DRIVEDB", "/usr/share/smartmontools/drivedb.h"))
PRINTERS = Path(os.environ.get("FOOMATIC_DB", "/usr/share/foomatic/db/source/printer"))
SHORTEST = 6

Numbers = list[tuple[str, str]]  # (make, number)


def lens_names() -> Numbers:
    return _distinct((lens.maker, lens.model) for lens in _lensfun().lenses)


def camera_names() -> Numbers:
    return _distinct((camera.maker, camera.model) for camera in _lensfun().cameras)


def _lensfun():
    lensfunpy = pytest.importorskip("lensfunpy", reason="open data: lensfunpy is not installed")
    return lensfunpy.Database()


def drive_numbers() -> Numbers:
    said = re.findall(r"tested with ([A-Z0-9][\w .\-]{5,30}?)[/,\n]", _drivedb())
    return _distinct(("Any", number.strip()) for number in said)


def drive_patterns() -> list[str]:
    """Return the regular expressions of drive families: the second text of each entry."""
    entries = re.findall(r'^  \{ "[^"]*",(?: //.*)?\n((?:\s*"[^"]*"[^\n]*\n)+)', _drivedb(), re.M)
    found = []
    for lines in entries:
        pieces = []
        for line in lines.splitlines():
            text = re.match(r'\s*"((?:[^"\\]|\\.)*)"(,?)', line)
            if text is None:
                break
            pieces.append(text[1].replace("\\\\", "\\"))
            if text[2]:
                break
        found.append("".join(pieces))
    return [one for one in found if one]


def _drivedb() -> str:
    if not DRIVES.exists():
        _missing("smartmontools")
    return DRIVES.read_text(encoding="utf-8", errors="replace")


def printer_numbers() -> Numbers:
    return _distinct((make, number) for make, number, _ in _printers())


def printer_names() -> list[tuple[str, str]]:
    """Return (what a printer calls itself, its number), where the two differ."""
    known = {canonical(number) for _, number in printer_numbers()}
    found = {
        (name, number)
        for _, number, names in _printers()
        for name in names
        if canonical(name) != canonical(number) and canonical(number) in known
    }
    return sorted(found)


@lru_cache(maxsize=1)
def _read_printers() -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    return tuple(_each_printer())


def _printers() -> tuple[tuple[str, str, tuple[str, ...]], ...]:
    if not PRINTERS.is_dir():
        _missing("foomatic-db")
    return _read_printers()


def _each_printer() -> Iterator[tuple[str, str, tuple[str, ...]]]:
    for path in sorted(PRINTERS.glob("*.xml")):
        try:
            tree = ElementTree.parse(path).getroot()
        except ElementTree.ParseError:
            continue
        make, number = tree.findtext("make"), tree.findtext("model")
        said = [
            *tree.iterfind(".//autodetect//model"),
            *tree.iterfind(".//autodetect//description"),
        ]
        if make and number:
            yield make, number, tuple(sorted({one.text for one in said if one.text}))


def _missing(package: str) -> None:
    """Skip where a contributor has not installed a package; in CI that is a failure."""
    if os.environ.get("CI", "").lower() in {"1", "true"}:
        pytest.fail(f"open data: {package} is not installed; .ci/run should have")
    pytest.skip(f"open data: {package} is not installed")


def _distinct(rows: Iterable[tuple[str, str]]) -> Numbers:
    found = {
        (make, canonical(number)): (make, number)
        for make, number in sorted(set(rows))
        if len(canonical(number)) >= SHORTEST
    }
    return list(found.values())
