"""What is made of an uploaded picture (reliability plan, rows 22 and 23).

Judges: a reader of JPEG's own segments written here from ITU-T T.81, table B.1, and Pillow as a
client that opens the result.
"""

import contextlib
import io
import struct
import sys

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from parts import pictures, remake_picture
from tests import uploads
from workshop.errors import InputRefused

# Markers a JPEG of pixels alone needs; APP0 is the JFIF header. Nothing else may be there.
NEEDED = {0xE0: "APP0", 0xDB: "DQT", 0xC0: "SOF0", 0xC4: "DHT", 0xDA: "SOS"}


def segments(data: bytes) -> tuple[list[int], bytes]:
    """Return the markers of a JPEG before its end, and the bytes behind it (ITU-T T.81, B.1)."""
    assert data[:2] == b"\xff\xd8"
    found, place = [], 2
    while data[place : place + 2] != b"\xff\xd9":
        assert data[place] == 0xFF
        marker = data[place + 1]
        found.append(marker)
        place += 2 + struct.unpack(">H", data[place + 2 : place + 4])[0]
        if marker == 0xDA:  # coded pixels: FF 00 is a byte of theirs
            while data[place] != 0xFF or data[place + 1] == 0:
                place += 1
    return found, data[place + 2 :]


def opened(data: bytes) -> Image.Image:
    with Image.open(io.BytesIO(data)) as picture:
        picture.load()
        return picture


def refusal(data: bytes) -> str:
    with pytest.raises(InputRefused) as refused:
        pictures.remake(data)
    assert set(refused.value.fields) == {"photo"}
    return refused.value.message


@pytest.mark.parametrize("name", uploads.with_passengers())
def test_nothing_but_pixels_is_kept(name: str) -> None:
    data = uploads.with_passengers()[name]
    made = pictures.remake(data)
    for file in (made.large, made.small):
        assert uploads.CANARY not in file
        markers, tail = segments(file)
        assert set(markers) <= set(NEEDED)
        assert markers.count(0xE0) == 1
        assert tail == b""
        seen = opened(file)
        assert set(seen.info) <= {"jfif", "jfif_version", "jfif_unit", "jfif_density"}
        assert not seen.getexif()
    red, blue = opened(made.large).getpixel((5, 5)), opened(made.large).getpixel((60, 40))
    assert red[0] > 200 > red[2]
    assert blue[2] > 200 > blue[0]


def test_the_control_keeps_passengers() -> None:
    """A plain save keeps a JPEG's comment: the test above can fail."""
    data = uploads.with_passengers()["jpeg comment"]
    assert uploads.CANARY in uploads.encoded(Image.open(io.BytesIO(data)), "JPEG")


@pytest.mark.parametrize(
    ("orientation", "corner"),
    # EXIF 2.3, tag 274: where the stored top left corner lies when the picture is upright.
    [(1, "tl"), (2, "tr"), (3, "br"), (4, "bl"), (5, "tl"), (6, "tr"), (7, "br"), (8, "bl")],
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG", "WEBP"])
def test_pictures_are_turned_upright(orientation: int, corner: str, kind: str) -> None:
    data = uploads.encoded(uploads.plain(80, 40), kind, exif=uploads.exif(orientation))
    made = pictures.remake(data)
    size = (40, 80) if orientation >= 5 else (80, 40)
    assert (made.width, made.height) == opened(made.large).size == size
    x = 3 if "l" in corner else size[0] - 4
    y = 3 if "t" in corner else size[1] - 4
    red = opened(made.large).getpixel((x, y))
    assert red[0] > 200 > red[2]


def test_broken_exif_is_no_fault() -> None:
    data = uploads.encoded(uploads.plain(), "JPEG", exif=b"Exif\0\0II*\0\xff\xff\xff\xff")
    assert pictures.remake(data).width == 64


@pytest.mark.parametrize(
    ("width", "height", "expected"),
    [(4096, 3072, (2048, 1536)), (100, 6000, (34, 2048)), (2048, 10, (2048, 10)), (1, 1, (1, 1))],
)
@pytest.mark.parametrize("kind", ["JPEG", "PNG"])
def test_scaled_to_the_longest_edge(width, height, expected, kind) -> None:
    made = pictures.remake(uploads.encoded(uploads.plain(width, height), kind))
    assert (made.width, made.height) == expected
    assert max(opened(made.small).size) <= 360


@pytest.mark.parametrize("mode", ["1", "L", "LA", "P", "RGBA", "CMYK", "I;16"])
def test_every_kind_of_pixel(mode: str) -> None:
    kind = "JPEG" if mode == "CMYK" else "PNG"
    grey = Image.new("L", (40, 30), 128)
    picture = Image.new(mode, (40, 30), 128 * 256) if mode[0] == "I" else grey.convert(mode)
    seen = opened(pictures.remake(uploads.encoded(picture, kind)).large).getpixel((5, 5))
    wanted = (0, 255) if mode == "1" else (128,)  # black or white, by dithering
    assert all(min(abs(level - one) for one in wanted) < 10 for level in seen)


def test_what_is_clear_becomes_white() -> None:
    picture = Image.new("RGBA", (40, 30), (255, 0, 0, 0))
    for kind in ("PNG", "WEBP"):
        made = pictures.remake(uploads.encoded(picture, kind, lossless=True))
        assert opened(made.large).getpixel((5, 5)) == (255, 255, 255)


def test_a_phone_s_jpeg_of_several_pictures_is_its_first() -> None:
    """A Multi-Picture Format file (CIPA DC-007), as phones write for depth or light."""
    data = uploads.encoded(
        uploads.plain(), "MPO", save_all=True, append_images=[Image.new("RGB", (8, 8))]
    )
    made = pictures.remake(data)
    assert (made.width, made.height) == (64, 48)


@pytest.mark.parametrize("name", uploads.bad())
def test_what_is_refused(name: str) -> None:
    message = refusal(uploads.bad()[name])
    for words, said in (("million", "at most"), ("animated", "several pictures")):
        if words in name:
            assert said in message


def test_more_bytes_than_are_taken() -> None:
    assert "at most 20" in refusal(uploads.jpeg() + bytes(pictures.MOST_BYTES))


@pytest.mark.skipif(sys.platform != "linux", reason="address space is limited on Linux alone")
def test_memory_is_limited_whatever_the_file(monkeypatch: pytest.MonkeyPatch, tmp_path) -> None:
    """With far less memory the same picture is refused, and this process goes on."""
    text = (pictures._PROGRAM).read_text(encoding="utf-8")
    program = tmp_path / "remake.py"
    program.write_text(text.replace("MOST_MEMORY = 380 * 2**20", "MOST_MEMORY = 60 * 2**20"))
    data = uploads.encoded(Image.new("RGB", (6000, 4000)), "PNG")
    assert pictures.remake(data).width == 2048
    monkeypatch.setattr(pictures, "_PROGRAM", program)
    assert "memory" in refusal(data) or "too large" in refusal(data)


def test_a_program_that_hangs_or_dies_is_a_refusal(monkeypatch, tmp_path) -> None:
    monkeypatch.setattr(pictures, "PATIENCE_S", 1.0)
    for code, words in (
        ("while True: pass", "too long"),
        ("import os; os.kill(os.getpid(), 9)", "cannot be opened"),
    ):
        program = tmp_path / "program.py"
        program.write_text(code)
        monkeypatch.setattr(pictures, "_PROGRAM", program)
        assert words in refusal(uploads.jpeg())


GOOD = [
    uploads.encoded(uploads.plain(mode=mode), kind, **more)
    for kind, mode, more in (
        ("JPEG", "RGB", {"exif": uploads.exif(6)}),
        ("JPEG", "L", {"progressive": True}),
        ("PNG", "RGBA", {}),
        ("PNG", "RGB", {"exif": uploads.exif(3)}),
        ("WEBP", "RGBA", {"exif": uploads.exif(8)}),
        ("WEBP", "RGB", {"lossless": True}),
    )
]


@st.composite
def mutated(draw: st.DrawFn) -> bytes:
    """A good file with bytes changed, cut out, doubled, or its end missing."""
    data = bytearray(draw(st.sampled_from(GOOD)))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, max(0, len(data) - 1)))
        length = draw(st.integers(1, 12))
        act = draw(st.sampled_from(["change", "cut", "double", "end"]))
        if act == "change":
            data[at : at + length] = draw(st.binary(min_size=length, max_size=length))
        elif act == "cut":
            del data[at : at + length]
        elif act == "double":
            data[at:at] = data[at : at + length]
        else:
            del data[at:]
    return bytes(data)


@settings(max_examples=1000, deadline=None, suppress_health_check=list(HealthCheck))
@given(mutated())
def test_a_thousand_mutated_files_are_pictures_or_refusals(data: bytes) -> None:
    """What the program answers, here within this process: no error gets out."""
    said = remake_picture.answer(data)
    try:
        made = pictures._read(said)
    except InputRefused:
        return
    assert segments(made.large)[1] == b""
    assert opened(made.large).size == (made.width, made.height)


@pytest.mark.parametrize("seed", range(12))
def test_mutated_files_in_the_real_program(seed: int) -> None:
    data = bytearray(GOOD[seed % len(GOOD)])
    data[30 + seed * 7 : 40 + seed * 7] = bytes(10)
    with contextlib.suppress(InputRefused):
        assert pictures.remake(bytes(data)).width in (48, 64)
