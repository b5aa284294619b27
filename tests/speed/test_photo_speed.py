"""What a large picture costs its process: memory at most 400 MB, at most 3 s.

    python -m pytest -m speed tests/speed/test_photo_speed.py -s

Each program is started by a small process of its own, so that its peak is not mixed with this
one's. No figure decides a test.
"""

import io
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from parts.pictures import _PROGRAM
from parts.programs import LIMITED

pytestmark = pytest.mark.speed

MEASURE = """
import json, os, subprocess, sys, time
start = time.perf_counter()
program = subprocess.Popen([sys.executable, "-I", *sys.argv[1:3]], stdin=open(sys.argv[3], "rb"),
                           stdout=subprocess.PIPE)
said = json.loads(program.stdout.read().partition(b"\\n")[0])
_, _, used = os.wait4(program.pid, 0)
print(json.dumps([used.ru_maxrss / 1024, time.perf_counter() - start,
                  used.ru_utime + used.ru_stime, said.get("refused", "kept")]))
"""


def picture(width: int, height: int, mode: str) -> Image.Image:
    """Blocks of eight points in random colours: neither flat nor noise."""
    shape = (height // 8 + 1, width // 8 + 1, len(mode))
    blocks = np.random.default_rng(1).integers(0, 255, shape, dtype=np.uint8)
    points = blocks.repeat(8, 0).repeat(8, 1)[:height, :width].squeeze()
    return Image.fromarray(points, mode)


CASES: dict[str, tuple[tuple[int, int], str, str, dict[str, Any]]] = {
    "JPEG, 12 million": ((4000, 3000), "RGB", "JPEG", {}),
    "JPEG, 50 million": ((8160, 6120), "RGB", "JPEG", {}),
    "JPEG, 50 million, progressive, full colour": (
        (8160, 6120),
        "RGB",
        "JPEG",
        {"progressive": True, "subsampling": 0},
    ),
    "JPEG, 50 million, CMYK": ((8160, 6120), "CMYK", "JPEG", {}),
    "PNG, 50 million, RGB": ((8160, 6120), "RGB", "PNG", {"compress_level": 1}),
    "PNG, 50 million, RGBA": ((8160, 6120), "RGBA", "PNG", {"compress_level": 1}),
    "PNG, 50 million, grey": ((8160, 6120), "L", "PNG", {"compress_level": 1}),
    "WebP, 20 million": ((5160, 3870), "RGB", "WEBP", {"method": 0}),
    "WebP, 20 million, lossless, clear": (
        (5160, 3870),
        "RGBA",
        "WEBP",
        {"lossless": True, "method": 0, "quality": 0},
    ),
    "PNG, 81 million": ((9000, 9000), "L", "PNG", {"compress_level": 1}),
}


@pytest.mark.filterwarnings("ignore::DeprecationWarning")
@pytest.mark.parametrize("name", CASES)
def test_a_large_picture(name: str, tmp_path: Path) -> None:
    size, mode, kind, options = CASES[name]
    out = io.BytesIO()
    picture(*size, mode).save(out, kind, **options)
    file = tmp_path / "picture"
    file.write_bytes(out.getvalue())
    command = [sys.executable, "-c", MEASURE, str(LIMITED), str(_PROGRAM), str(file)]
    said = json.loads(subprocess.run(command, capture_output=True, check=True).stdout)
    memory, wall, processor, answer = said
    print(f"\n{name}: {memory:.0f} MiB, {wall:.2f} s, {processor:.2f} s of processor, {answer}")
