"""A photo of a label, whose code is read here where the browser cannot (read_code.py)."""

import json
from pathlib import Path

from parts import pictures, programs
from workshop.errors import InputRefused

PATIENCE_S = 30.0  # the program ends itself after 10 s of processor time; a busy machine's
_PROGRAM = Path(__file__).with_name("read_code.py")
_places = programs.Places(2, "Too many photos come in at once. Try again in a moment.")


def read_codes(data: bytes) -> list[str]:
    """Return what the QR codes on an uploaded photo say; none when there is none.

    Raises InputRefused for what is no picture or takes too much, Conflict when busy.
    """
    picture = pictures.remake(data).large
    with _places.one(PATIENCE_S):
        try:
            said = json.loads(programs.run_apart(_PROGRAM, picture, patience_s=PATIENCE_S))
        except (programs.TooSlow, programs.Died) as failed:
            why = "it takes too much memory or time; come nearer or type the code"
            raise InputRefused(
                f"The photo was not read: {why}.", fields={"photo": f"Not read: {why}."}
            ) from failed
    return list(said["texts"])
