"""An uploaded picture, made anew in a process of its own (remake_picture.py)."""

import json
from dataclasses import dataclass
from pathlib import Path

from parts import programs
from workshop.errors import InputRefused

MOST_BYTES = 20 * 2**20
PATIENCE_S = 30.0  # the program ends itself after 3 s of processor time; this is a busy machine's
AT_ONCE = 2  # programs beside each other in one server process
_PROGRAM = Path(__file__).with_name("remake_picture.py")
_places = programs.Places(AT_ONCE, "Too many pictures come in at once. Try again in a moment.")


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture as it is stored: two JPEG files of pixels alone. Sizes in points."""

    large: bytes
    small: bytes
    width: int
    height: int


def remake(data: bytes) -> Picture:
    """Return an uploaded file as a picture of our own making.

    Raises InputRefused for what is no picture, too large or damaged; Conflict when the server
    is too busy.
    """
    if len(data) > MOST_BYTES:
        raise _refused(
            f"it has {len(data) / 2**20:.1f} MiB; at most {MOST_BYTES // 2**20} are taken"
        )
    if not data:
        raise _refused("it is empty")
    with _places.one(PATIENCE_S):
        return _read(_run(data))


def _run(data: bytes) -> bytes:
    try:
        return programs.run_apart(_PROGRAM, data, patience_s=PATIENCE_S)
    except programs.TooSlow as slow:
        raise _refused("it takes too long to open; save it smaller") from slow
    except programs.Died as died:
        why = "it cannot be opened with the memory and time there is; save it smaller"
        raise _refused(why) from died


def _read(answer: bytes) -> Picture:
    line, _, files = answer.partition(b"\n")
    said = json.loads(line)
    if "refused" in said:
        raise _refused(said["refused"])
    cut = said["sizes"][0]
    return Picture(files[:cut], files[cut:], said["width"], said["height"])


def _refused(why: str) -> InputRefused:
    return InputRefused(f"The picture was not kept: {why}.", fields={"photo": f"Not kept: {why}."})
