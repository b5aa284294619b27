"""Read the text on a picture of a rating plate. Runs as a program of its own (limited.py).

Needs the extra of requirements-ocr.txt; its models come in the package, nothing is fetched.
The picture comes on standard input: a JPEG of our own making (remake_picture.py), never an
uploaded file. On standard output goes one line of JSON: the pieces of text, each with the
corners of its box in points of the picture and how sure the reader is of it (0..1).
"""

import io
import json
import logging
import sys
from typing import Any

import numpy as np
from PIL import Image, ImageOps
from rapidocr import RapidOCR

MOST_MEMORY = 1400 * 2**20  # bytes of address space beyond the libraries'
MOST_SECONDS = 40  # of processor time, of all cores together
LONGEST_EDGE = 1600
LEAST_SURE = 0.5


def pieces_on(picture: Image.Image, reader: RapidOCR) -> list[dict[str, object]]:
    """Return the pieces of text on a picture, as the reader gives them."""
    picture.thumbnail((LONGEST_EDGE, LONGEST_EDGE), Image.Resampling.LANCZOS)
    flat = ImageOps.autocontrast(picture.convert("L"), cutoff=0.5).convert("RGB")
    found: Any = reader(np.asarray(flat)[:, :, ::-1])
    if found.txts is None:
        return []
    return [
        {"text": text, "sure": float(sure), "box": [[float(x), float(y)] for x, y in box]}
        for text, sure, box in zip(found.txts, found.scores, found.boxes, strict=True)
        if sure >= LEAST_SURE
    ]


def new_reader() -> RapidOCR:
    return RapidOCR(
        params={
            "Global.log_level": "critical",
            "EngineConfig.onnxruntime.intra_op_num_threads": 2,
            "EngineConfig.onnxruntime.inter_op_num_threads": 1,
            "Rec.rec_batch_num": 1,  # one line at a time: half the memory
        }
    )


def main() -> None:
    logging.disable(logging.CRITICAL)
    reader = new_reader()
    picture = Image.open(io.BytesIO(sys.stdin.buffer.read()), formats=["JPEG"])
    sys.stdout.write(json.dumps({"pieces": pieces_on(picture, reader)}) + "\n")
