"""Photos of rating plates, generated: invented makes, spoiled as photos are. No real plate.

`plate()` draws what stands on one; `photo()` lays it on a grey case, tilts, blurs, glares and
compresses it. A spoilage has three steps: `mild` and `strong`, at which a person reads every
letter, and `beyond`, at which some letters are guesswork; those are not counted as readable.
"""

import io
import random
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from PIL import Image, ImageDraw, ImageFilter, ImageFont

OURS = Path(__file__).parents[1] / "parts" / "fonts"
DEBIAN = Path("/usr/share/fonts/truetype")
SIZE = (1600, 1200)  # points of the photo
FONTS = [
    *(OURS / name for name in ("DejaVuSansCondensed.ttf", "DejaVuSansCondensed-Bold.ttf")),
    *(
        file
        for name in (
            "dejavu/DejaVuSans.ttf",
            "dejavu/DejaVuSansMono.ttf",
            "liberation/LiberationSans-Regular.ttf",
            "liberation/LiberationSansNarrow-Regular.ttf",
            "liberation/LiberationMono-Regular.ttf",
            "freefont/FreeSans.ttf",
            "freefont/FreeMonoBold.ttf",
        )
        if (file := DEBIAN / name).exists()
    ),
]
SPOILAGES = ("none", "blur", "motion", "glare", "tilt", "noise", "jpeg", "dim", "small", "all")
STEPS = ("mild", "strong", "beyond")


@dataclass(frozen=True)
class Printed:
    """What stands on a generated plate. lines: as printed, the name of the make first."""

    make: str
    model_number: str
    serial_number: str
    build_code: str
    lines: tuple[tuple[str, ...], ...]

    @property
    def text(self) -> str:
        return "\n".join(" ".join(line) for line in self.lines)


def printed(make: str, model_number: str, seed: int) -> Printed:
    """Return the lines of a plate: labels of several kinds, distractors, in a mixed order."""
    dice = random.Random(f"{make} {model_number} {seed}")
    serial = str(dice.randrange(10**9, 10**10))
    code = f"{dice.randrange(2009, 2024)}-W{dice.randrange(1, 53):02}"
    model = (dice.choice(["Mod.", "Model", "Type", "MOD", "Typ"]), model_number)
    others = [
        (dice.choice(["S/N", "Ser. No.", "Serial No", "SN"]), serial),
        (dice.choice(["Built", "Date", "Prod."]), code),
        ("220-240 V~", "50 Hz", f"{dice.randrange(6, 28)}00 W"),
        (dice.choice(["IPX4", "IP24", "Class I"]), f"{dice.randrange(25, 90)} kg"),
        ("Art.", f"{dice.randrange(100, 999)} {dice.randrange(100, 999)} {dice.randrange(10, 99)}"),
    ]
    dice.shuffle(others)
    place = dice.randrange(2)
    lines = [(make.upper(),), *others[:place], model, *others[place:]]
    return Printed(make, model_number, serial, code, tuple(lines))


def plate(what: Printed, seed: int) -> Image.Image:
    """Draw a plate: dark on silver, or light on black; a frame, rules, text in one typeface."""
    dice = random.Random(seed)
    dark = dice.random() < 0.25
    ground, ink = (40, 225) if dark else (205, 35)
    size = dice.randrange(34, 50)
    file = dice.choice(FONTS)
    face = ImageFont.truetype(str(file), size)
    head = ImageFont.truetype(str(file), int(size * 1.4))
    gap = int(size * 1.55)
    apart = dice.random() < 0.5  # labels in a column of their own
    width, height = 1050, gap * (len(what.lines) + 2)
    picture = Image.new("L", (width, height), ground)
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((8, 8, width - 8, height - 8), 18, outline=ink, width=3)
    for row, line in enumerate(what.lines):
        top = int(gap * (row + 0.7))
        if row and dice.random() < 0.2:
            draw.line((30, top - size // 4, width - 30, top - size // 4), fill=ink, width=2)
        if row and apart and len(line) == 2:
            draw.text((45, top), line[0], font=face, fill=ink)
            draw.text((330, top), line[1], font=face, fill=ink)
        else:
            draw.text((45, top), " ".join(line), font=head if row == 0 else face, fill=ink)
    return picture


def photo(what: Printed, spoilage: str = "none", step: str = "mild", seed: int = 0) -> bytes:
    """Return the photo of a plate as a JPEG file. spoilage: of SPOILAGES; step: of STEPS."""
    dice = random.Random(f"{what.model_number} {spoilage} {step} {seed}")
    level = STEPS.index(step)
    names = ("blur", "glare", "tilt", "noise", "jpeg", "dim") if spoilage == "all" else (spoilage,)
    level = 0 if spoilage == "all" and step == "mild" else level
    drawn = plate(what, dice.randrange(10**6))
    scale = (0.85, 0.55, 0.3)[level] if "small" in names else 1.0
    scene = Image.new("L", SIZE, dice.randrange(90, 180))
    shown = drawn.resize((int(drawn.width * scale), int(drawn.height * scale)), 1)
    left = (SIZE[0] - shown.width) // 2 + dice.randrange(-60, 60)
    top = (SIZE[1] - shown.height) // 2 + dice.randrange(-60, 60)
    scene.paste(shown, (left, top))
    scene = _tilted(scene, dice, (0.35, 1.0, 2.0)[level] if "tilt" in names else 0.08)
    points = np.asarray(scene, dtype=np.float32)
    points = points * _shade(dice)
    if "dim" in names:
        points = points * (0.55, 0.3, 0.12)[level] + 12
    if "glare" in names:
        points = _glare(points, dice, level)
    points = np.clip(points, 0, 255)
    picture = Image.fromarray(points.astype(np.uint8))
    if "blur" in names:
        picture = picture.filter(ImageFilter.GaussianBlur((1.5, 3.0, 6.5)[level]))
    if "motion" in names:
        picture = _moved(picture, (5, 9, 19)[level])
    grain = (9, 22, 55)[level] if "noise" in names else 3
    noise = np.random.default_rng(dice.randrange(10**6)).normal(0, grain, points.shape)
    points = np.clip(np.asarray(picture, dtype=np.float32) + noise, 0, 255).astype(np.uint8)
    out = io.BytesIO()
    quality = (30, 15, 4)[level] if "jpeg" in names else 88
    Image.fromarray(points).convert("RGB").save(out, "JPEG", quality=quality)
    return out.getvalue()


def _tilted(scene: Image.Image, dice: random.Random, much: float) -> Image.Image:
    """Turn by up to 12 degrees times `much` and lay the camera askew."""
    width, height = scene.size
    ground = scene.getpixel((0, 0))
    turned = scene.rotate(
        dice.uniform(0.6, 1) * dice.choice([-1, 1]) * 12 * min(much, 1.5),
        Image.Resampling.BICUBIC,
        fillcolor=ground,
    )
    push = [dice.uniform(0, 0.09) * much for _ in range(8)]
    corners = [
        (-push[0] * width, -push[1] * height),
        (-push[2] * width, height * (1 + push[3])),
        (width * (1 + push[4]), height * (1 + push[5])),
        (width * (1 + push[6]), -push[7] * height),
    ]
    flat = [(0, 0), (0, height), (width, height), (width, 0)]
    rows, right = [], []
    for (x, y), (u, v) in zip(flat, corners, strict=True):
        rows += [[x, y, 1, 0, 0, 0, -u * x, -u * y], [0, 0, 0, x, y, 1, -v * x, -v * y]]
        right += [u, v]
    terms = np.linalg.solve(np.array(rows, dtype=float), np.array(right, dtype=float))
    return turned.transform(
        scene.size, Image.Transform.PERSPECTIVE, terms, Image.Resampling.BICUBIC, fillcolor=ground
    )


def _shade(dice: random.Random) -> np.ndarray:
    """Light from one side, as in any room."""
    across = np.linspace(dice.uniform(0.8, 1), dice.uniform(0.8, 1.05), SIZE[0])
    return np.broadcast_to(across, (SIZE[1], SIZE[0])).astype(np.float32)


def _glare(points: np.ndarray, dice: random.Random, level: int) -> np.ndarray:
    """A lamp mirrored on the plate: soft, on top of the text; beyond: it burns letters out."""
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]]
    cx, cy = dice.uniform(0.3, 0.7) * SIZE[0], dice.uniform(0.35, 0.65) * SIZE[1]
    wide, high = ((160, 90), (240, 130), (330, 180))[level]
    lamp = np.exp(-(((x - cx) / wide) ** 2 + ((y - cy) / high) ** 2))
    return points * (1 - (0.5, 0.72, 1.0)[level] * lamp) + 255 * (0.5, 0.72, 1.0)[level] * lamp


def _moved(picture: Image.Image, length: int) -> Image.Image:
    """The hand moved sideways by `length` points."""
    points = np.asarray(picture, dtype=np.float32)
    parts = [np.roll(points, shift, axis=1) for shift in range(length)]
    return Image.fromarray((sum(parts) / length).astype(np.uint8))
