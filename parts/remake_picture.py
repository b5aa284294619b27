"""Read one uploaded picture and write its pixels anew. Runs as a program of its own.

`parts/pictures.py` starts it under `limited.py`: a hostile file can at worst end this process,
which has little memory and little time. The bytes come on standard input; on standard output go
one line of JSON and, when the picture is accepted, two JPEG files. Nothing but pixels gets from one
to the other: no EXIF, XMP, ICC, comment, text chunk or bytes after the end.
"""

import io
import json
import struct
import sys
from collections.abc import Iterator

from PIL import Image

MOST_PIXELS = 50_000_000
# The WebP decoder keeps the picture three to four times: more would not fit into MOST_MEMORY.
MOST_PIXELS_WEBP = 20_000_000
MOST_MEMORY = 380 * 2**20  # bytes: 398 MB
MOST_SECONDS = 3  # of processor time
LONGEST_EDGE, SMALL_EDGE = 2048, 360
BAND = 64  # rows of the scaled picture made at a time
QUALITY, SMALL_QUALITY = 85, 80
FORMATS = ("JPEG", "PNG", "WEBP")
ORIENTATION = 0x0112  # EXIF 2.3
TURNS = {
    2: Image.Transpose.FLIP_LEFT_RIGHT,
    3: Image.Transpose.ROTATE_180,
    4: Image.Transpose.FLIP_TOP_BOTTOM,
    5: Image.Transpose.TRANSPOSE,
    6: Image.Transpose.ROTATE_270,
    7: Image.Transpose.TRANSVERSE,
    8: Image.Transpose.ROTATE_90,
}


class Refused(Exception):
    """The picture is not taken; the message says why, to a person."""


def remake(data: bytes) -> tuple[Image.Image, Image.Image]:
    """Return the picture and its small copy: RGB, turned upright, scaled. Raises Refused."""
    _refuse_large_webp(data)
    try:
        picture = Image.open(io.BytesIO(data), formats=FORMATS)
    except OSError as bad:
        raise Refused("it is no JPEG, PNG or WebP picture") from bad
    _refuse_size(*picture.size, MOST_PIXELS)
    # A JPEG of several pictures is a phone's, the first of them the photo; others are animated.
    if picture.format != "MPO" and getattr(picture, "n_frames", 1) > 1:
        raise Refused("it holds several pictures; take a single one")
    turn = _turn(picture)
    picture.draft("RGB", (LONGEST_EDGE, LONGEST_EDGE))  # JPEG: decoded smaller at once
    picture.load()
    large = _scaled(picture)
    if turn is not None:
        large = large.transpose(turn)
    small = large.copy()
    small.thumbnail((SMALL_EDGE, SMALL_EDGE), reducing_gap=2.0)
    return large, small


def _turn(picture: Image.Image) -> Image.Transpose | None:
    try:
        return TURNS.get(picture.getexif().get(ORIENTATION, 1))
    except Exception:  # EXIF is anybody's bytes; a picture without it is as good
        return None


def _scaled(picture: Image.Image) -> Image.Image:
    """Return the picture flat and no longer than LONGEST_EDGE, without a second large copy."""
    times = max(1, max(picture.size) // LONGEST_EDGE)
    width, height = (max(1, edge // times) for edge in picture.size)
    new = Image.new("RGB", (width, height))
    for top in range(0, height, BAND):
        rows = min(BAND, height - top)
        band = picture.crop((0, top * times, width * times, (top + rows) * times))
        new.paste(_flat(band).reduce(times), (0, top))
    new.thumbnail((LONGEST_EDGE, LONGEST_EDGE), Image.Resampling.LANCZOS, reducing_gap=None)
    return new


def _flat(picture: Image.Image) -> Image.Image:
    """Return the pixels alone, on white, in a new picture that knows nothing of the old one."""
    if picture.mode.startswith("I"):  # 16 bits of grey
        picture = picture.convert("I").point(lambda level: level * (1 / 256)).convert("L")
    elif picture.mode == "P" and "transparency" in picture.info:
        picture = picture.convert("RGBA")
    new = Image.new("RGB", picture.size, "white")
    clear = picture.mode in ("RGBA", "LA", "PA")
    new.paste(picture.convert("RGB"), mask=picture.getchannel("A") if clear else None)
    return new


def _refuse_size(width: int, height: int, most: int) -> None:
    if width * height > most:
        raise Refused(
            f"it has {width} × {height} points, {width * height / 1e6:.0f} million; "
            f"at most {most / 1e6:.0f} million are taken"
        )


def _refuse_large_webp(data: bytes) -> None:
    """Look at the header alone: the library's decoder takes memory as soon as it opens."""
    if data[:4] != b"RIFF" or data[8:12] != b"WEBP":
        return
    for width, height in _webp_sizes(data):
        _refuse_size(width, height, MOST_PIXELS_WEBP)


def _webp_sizes(data: bytes) -> Iterator[tuple[int, int]]:
    """Yield the size its first chunk states. Source: RFC 9649, WebP container."""
    kind, body = data[12:16], data[20:30]
    if len(body) < 10:
        return
    if kind == b"VP8X":
        yield 1 + int.from_bytes(body[4:7], "little"), 1 + int.from_bytes(body[7:10], "little")
    elif kind == b"VP8L":
        bits = struct.unpack("<I", body[1:5])[0]
        yield 1 + (bits & 0x3FFF), 1 + (bits >> 14 & 0x3FFF)
    elif kind == b"VP8 ":
        width, height = struct.unpack("<HH", body[6:10])
        yield width & 0x3FFF, height & 0x3FFF


def answer(data: bytes) -> bytes:
    """Return a line of JSON and, unless it says `refused`, the two files. Raises nothing."""
    try:
        large, small = remake(data)
        files = _as_jpeg(large, QUALITY), _as_jpeg(small, SMALL_QUALITY)
    except Refused as why:
        return _line(refused=str(why))
    except MemoryError:
        return _line(refused="it takes too much memory to open; save it smaller")
    except Exception:  # whatever a decoder raises on somebody's bytes
        return _line(refused="it cannot be read: damaged, or too large")
    width, height = large.size
    return _line(width=width, height=height, sizes=[len(file) for file in files]) + b"".join(files)


def _line(**said: object) -> bytes:
    return json.dumps(said).encode() + b"\n"


def _as_jpeg(picture: Image.Image, quality: int) -> bytes:
    out = io.BytesIO()
    picture.save(out, "JPEG", quality=quality)
    return out.getvalue()


def main() -> None:
    Image.MAX_IMAGE_PIXELS = None  # our own limits are stricter, and refuse instead of warning
    Image.init()
    sys.stdout.buffer.write(answer(sys.stdin.buffer.read()))
