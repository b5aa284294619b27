"""A photo of a rating plate, read where the extra for it is installed (read_plate.py)."""

import json
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

from donors.domain import plate_text
from parts import pictures, programs
from workshop.errors import Conflict, InputRefused

PATIENCE_S = 60.0  # the program ends itself after 40 s of processor time; a busy machine's
WAIT_S = 20.0  # for another photo that is being read
_PROGRAM = Path(__file__).with_name("read_plate.py")
_places = programs.Places(1, "A photo is being read already. Try again in a moment.")
EXTRA = "Reading a photo needs the extra of requirements-ocr.txt, which is not installed here."


class ReaderMissing(Conflict):
    """The extra that reads photos is not installed."""

    code = "plate-reader-missing"


@lru_cache(maxsize=1)
def can_read() -> bool:
    """Return whether photos can be read here."""
    return all(find_spec(name) is not None for name in ("rapidocr", "onnxruntime"))


def read_lines(data: bytes) -> list[str]:
    """Return the lines of text on an uploaded photo, from the top; none when nothing is read.

    Raises ReaderMissing without the extra, InputRefused for what is no picture or cannot be
    read with the memory and time there is, Conflict when another is being read for long.
    """
    if not can_read():
        raise ReaderMissing(f"{EXTRA} Type what stands on the plate.")
    picture = pictures.remake(data).large
    with _places.one(WAIT_S):
        return plate_text.lines_of(plate_text.pieces_of(_pieces(picture)))


def _pieces(picture: bytes) -> list[dict[str, object]]:
    why = "it cannot be read with the memory and time there is; come nearer or type the number"
    try:
        said = json.loads(programs.run_apart(_PROGRAM, picture, patience_s=PATIENCE_S))
    except (programs.TooSlow, programs.Died) as failed:
        raise InputRefused(
            f"The photo was not read: {why}.", fields={"photo": f"Not read: {why}."}
        ) from failed
    return list(said["pieces"])
