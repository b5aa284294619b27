"""What reading a plate costs: time from the upload to its lines, and the program's memory.

    python -m pytest -m speed tests/speed/test_plate_speed.py -s

No figure decides a test.
"""

import io
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageDraw, ImageFont

from parts import plate_photos, read_plate
from parts.programs import LIMITED
from tests.plate_photos import FONTS, photo, printed

pytestmark = pytest.mark.speed
MEASURE = """
import os, subprocess, sys
program = subprocess.Popen([sys.executable, "-I", *sys.argv[1:3]], stdin=open(sys.argv[3], "rb"),
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
_, status, used = os.wait4(program.pid, 0)
print(status, used.ru_maxrss // 1024, "MiB", round(used.ru_utime + used.ru_stime, 1), "s processor")
"""


def full_of_text() -> Image.Image:
    picture = Image.new("RGB", (2048, 2048), "white")
    draw, face = ImageDraw.Draw(picture), ImageFont.truetype(str(FONTS[0]), 22)
    for y in range(0, 2048, 26):
        text = "".join("AB12 CDE 99Z K7 "[(i * 7 + y) % 16] for i in range(170))
        draw.text((0, y), text, font=face, fill="black")
    return picture


def test_a_photo_from_upload_to_lines() -> None:
    data = photo(printed("Velthane", "Y7L 60-801 W/R2J", 1), "tilt", "strong")
    for _ in range(5):
        start = time.perf_counter()
        lines = plate_photos.read_lines(data)
        print(f"\n{len(lines)} lines in {time.perf_counter() - start:.1f} s")


@pytest.mark.parametrize("what", ["plate", "full of text", "noise"])
def test_memory_and_processor(what: str, tmp_path: Path) -> None:
    plate = photo(printed("Velthane", "Y7L 60-801 W/R2J", 1))
    grain = np.random.default_rng(0).integers(0, 255, (2048, 2048, 3), dtype=np.uint8)
    picture = {
        "plate": Image.open(io.BytesIO(plate)),
        "full of text": full_of_text(),
        "noise": Image.fromarray(grain),
    }[what]
    file = tmp_path / "picture.jpg"
    picture.save(file, "JPEG")
    command = [sys.executable, "-c", MEASURE, str(LIMITED), read_plate.__file__, str(file)]
    print(f"\n{what}:", subprocess.run(command, capture_output=True, text=True).stdout.strip())
