"""Pictures for tests, good and bad, each with what must not be kept of it."""

import io
import struct
import zlib
from functools import lru_cache
from typing import Any

from PIL import Image, PngImagePlugin

CANARY = b"canary-52.5200-13.4050"
TEXT = CANARY.decode()
HTML_TAIL = b"<html><script>alert('" + CANARY + b"')</script></html>"
ZIP_TAIL = b"PK\x03\x04" + CANARY + b"PK\x05\x06" + bytes(18)


def plain(width: int = 64, height: int = 48, mode: str = "RGB") -> Image.Image:
    """A picture whose top left quarter is red, the rest blue (so that turning it shows)."""
    picture = Image.new(mode, (width, height), "blue" if mode != "L" else 40)
    red = Image.new(mode, (width // 2, height // 2), "red" if mode != "L" else 200)
    picture.paste(red, (0, 0))
    return picture


def encoded(picture: Image.Image, kind: str, **options: Any) -> bytes:
    out = io.BytesIO()
    picture.save(out, kind, **options)
    return out.getvalue()


def jpeg(width: int = 64, height: int = 48) -> bytes:
    return encoded(plain(width, height), "JPEG")


def exif(orientation: int = 1) -> Image.Exif:
    """EXIF 2.3 with a place, a device and a comment."""
    found = Image.Exif()
    found[0x0112] = orientation
    found[0x010F] = TEXT
    found.get_ifd(0x8825)[1] = "N"
    found.get_ifd(0x8825)[2] = (52.0, 31.0, 12.0)
    found.get_ifd(0x8769)[0x9286] = TEXT
    return found


@lru_cache(maxsize=1)
def with_passengers() -> dict[str, bytes]:
    """Return pictures that carry more than pixels, by what they carry."""
    texts = PngImagePlugin.PngInfo()
    texts.add_text("Comment", TEXT)
    texts.add_text("Location", TEXT, zip=True)
    texts.add_itxt("XML:com.adobe.xmp", TEXT)
    xmp = b"<x:xmpmeta>" + CANARY + b"</x:xmpmeta>"
    icc = CANARY * 20
    rgb, clear = plain(), plain(mode="RGBA")
    return {
        "jpeg exif": encoded(rgb, "JPEG", exif=exif()),
        "jpeg icc": encoded(rgb, "JPEG", icc_profile=icc),
        "jpeg comment": encoded(rgb, "JPEG", comment=CANARY),
        "jpeg xmp": encoded(rgb, "JPEG", xmp=xmp),
        "jpeg html behind": jpeg() + HTML_TAIL,
        "jpeg zip behind": jpeg() + ZIP_TAIL,
        "png text": encoded(clear, "PNG", pnginfo=texts, exif=exif(), icc_profile=icc),
        "png html behind": encoded(rgb, "PNG") + HTML_TAIL,
        "png zip behind": encoded(rgb, "PNG") + ZIP_TAIL,
        "webp exif": encoded(clear, "WEBP", exif=exif(), icc_profile=icc, xmp=xmp),
        "webp html behind": encoded(rgb, "WEBP") + HTML_TAIL,
    }


def png_of_size(width: int, height: int) -> bytes:
    """Return a PNG whose header states a size and whose pixels are missing."""
    header = struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    chunks = (b"IHDR", header), (b"IDAT", zlib.compress(bytes(1000))), (b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(
        struct.pack(">I", len(body)) + kind + body + struct.pack(">I", zlib.crc32(kind + body))
        for kind, body in chunks
    )


def webp_of_size(width: int, height: int) -> bytes:
    """Return the header of a WebP that states a size (RFC 9649)."""
    size = (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    body = b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4) + size
    return b"RIFF" + struct.pack("<I", len(body)) + body


@lru_cache(maxsize=1)
def bad() -> dict[str, bytes]:
    """Return files that must be refused, by what is wrong with them."""
    frames = [plain(), plain(mode="L").convert("RGB")]
    whole = {kind: encoded(plain(400, 300), kind) for kind in ("JPEG", "PNG", "WEBP")}
    return {
        "no bytes": b"",
        "one byte": b"\xff",
        "text": b"this is no picture",
        "bomb of 81 million, flat": encoded(Image.new("L", (9000, 9000)), "PNG"),
        "header of 4 thousand million": png_of_size(65_000, 65_000),
        "webp header of 268 million": webp_of_size(16_383, 16_383),
        "webp header of 21 million": webp_of_size(4600, 4600),
        "animated png": encoded(frames[0], "PNG", save_all=True, append_images=frames[1:]),
        "animated webp": encoded(frames[0], "WEBP", save_all=True, append_images=frames[1:]),
        **{f"half of a {kind}": data[: len(data) // 2] for kind, data in whole.items()},
        "gif": encoded(plain(), "GIF"),
        "tiff": encoded(plain(), "TIFF"),
        "eps": encoded(plain(), "EPS"),
        "psd": b"8BPS\x00\x01" + bytes(6) + struct.pack(">HIIHH", 3, 40, 40, 8, 3) + bytes(5000),
        "svg": b'<svg xmlns="http://www.w3.org/2000/svg" onload="alert(1)"/>',
        "pdf": b"%PDF-1.4\n%%EOF",
        "zip": ZIP_TAIL,
        "html": HTML_TAIL,
        "png with a text of 70 MB": encoded(plain(), "PNG", pnginfo=_long_text()),
    }


def _long_text() -> PngImagePlugin.PngInfo:
    texts = PngImagePlugin.PngInfo()
    texts.add_text("Comment", "x" * 70_000_000, zip=True)
    return texts
