"""Read the codes (QR, ISO/IEC 18004) on a picture. Runs as a program of its own (limited.py).

The picture comes on standard input: a JPEG of our own making (remake_picture.py), never an
uploaded file. On standard output goes one line of JSON: what the codes say.
"""

import io
import json
import sys
from typing import Any

import numpy as np
import zxingcpp
from PIL import Image

MOST_MEMORY = 500 * 2**20  # bytes of address space beyond the libraries'
MOST_SECONDS = 10  # of processor time
MOST_CODES = 8
QR: Any = zxingcpp.BarcodeFormat.QRCode
LONGEST = 500  # characters of one
SMALL = 1000  # points: below it a picture is looked at three times as large, too


def texts_on(picture: Image.Image) -> list[str]:
    """Return what the QR codes on a picture say, each once."""
    grey = picture.convert("L")
    for times in (1, 3) if max(grey.size) <= SMALL else (1,):
        large = grey.resize((grey.width * times, grey.height * times)) if times > 1 else grey
        found = zxingcpp.read_barcodes(np.asarray(large), formats=QR)
        texts = [one.text[:LONGEST] for one in found if one.valid and one.text]
        if texts:
            return list(dict.fromkeys(texts))[:MOST_CODES]
    return []


def main() -> None:
    picture = Image.open(io.BytesIO(sys.stdin.buffer.read()), formats=["JPEG"])
    sys.stdout.write(json.dumps({"texts": texts_on(picture)}) + "\n")
