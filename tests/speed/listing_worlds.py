"""Invented listings with what is true of each, to measure how well they are read.

The phrases below were written after fixtures/reference/listing_words.json, by paraphrasing the
faults and without looking at it again; no word list was changed after reading what was missed,
except where docs/listings.md says so. Makes and numbers are invented (worlds.py).
"""

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical
from donors.recognition import KnownModel
from tests.speed import worlds

APPLIANCES = {
    "washing-machine": [
        "washing machine",
        "washer",
        "frontloader washing machine",
        "automatic washing machine",
    ],
    "tumble-dryer": ["tumble dryer", "condenser tumble dryer", "dryer", "heat pump drier"],
    "dishwasher": [
        "dishwasher",
        "built-in dishwasher",
        "dish washer 45cm",
        "integrated dishwasher",
    ],
    "fridge-freezer": ["fridge freezer", "fridge", "freezer", "tall fridge-freezer"],
    "microwave": ["microwave", "microwave oven", "micro wave"],
    "coffee-machine": [
        "coffee machine",
        "bean to cup coffee machine",
        "espresso machine",
        "coffee maker",
    ],
    "vacuum-cleaner": ["vacuum cleaner", "hoover", "cordless vacuum", "vacuum"],
}
FAULTS = {
    "washing-machine": {
        "bearing-drum": [
            "it roars like an aeroplane during the spin",
            "bearings are shot",
            "drum has a lot of play",
            "bearing noise",
            "terrible grinding from the drum",
        ],
        "board-fault": [
            "no sign of life at all",
            "control board is faulty",
            "panel stays dark",
            "dead as a doornail, no lights",
            "electronics have packed up",
        ],
        "leak-internals": [
            "leaks from underneath",
            "leaves a pool under it after every wash",
            "leaking badly",
            "water comes out at the bottom",
        ],
        "motor-drive": [
            "drum refuses to go round",
            "motor has given up",
            "carbon brushes worn out",
            "does not spin any more",
        ],
        "drain-blocked": [
            "will not pump out the water",
            "drain pump kaput",
            "stops with water still in it",
            "not draining",
        ],
        "heater-earth-fault": [
            "washes with cold water only",
            "heating element gone",
            "kicks out the breaker",
            "not heating",
        ],
        "unrelated": [
            "in perfect working order",
            "we are moving and cannot take it",
            "works fine, got a new kitchen",
            "runs without a problem, just too big",
        ],
    },
    "tumble-dryer": {
        "motor-capacitor": ["hums and then nothing", "drum needs a push", "motor seized"],
        "heater-cutout": ["no heat", "blows cold air only", "heater is gone"],
        "belt-rollers": ["belt has snapped", "squeals like mad", "worn rollers"],
        "condensate-water": [
            "condensate pump broken",
            "tank full light stays on",
            "drips onto the floor",
        ],
        "unrelated": ["works perfectly", "surplus since we moved house", "nothing wrong, upgraded"],
    },
    "dishwasher": {
        "wash-pump-heater": [
            "dishes not clean and cold",
            "circulation pump broken",
            "no longer heats the water",
        ],
        "drain-blocked": ["water stands in the bottom", "does not drain", "drain pump defective"],
        "base-leak": ["water in the base, float trips", "leaking from below", "leaks"],
        "inlet-aquastop": ["does not take in water", "inlet valve faulty", "does not fill"],
        "lock-hinge": ["door latch broken", "hinge rope snapped", "door drops open"],
        "unrelated": ["fully working", "removed in working order, new kitchen", "no longer wanted"],
    },
    "fridge-freezer": {
        "gas-lost-compressor": ["does not cool any more", "compressor dead", "lost its gas"],
        "fan-ice": ["fan noise", "fan stopped turning", "icy fan scrapes"],
        "defrost-fault": ["back wall iced over", "defrost heater gone", "ices up every week"],
        "door-seal-hinge": ["door seal is torn", "gasket perished", "door does not close properly"],
        "unrelated": ["cools perfectly, house clearance", "works great", "no faults, upgraded"],
    },
    "microwave": {
        "magnetron-no-heat": ["turns but does not heat", "no heat", "magnetron burnt out"],
        "arcing-cavity": ["sparks inside", "arcing at the side", "throws sparks"],
        "turntable": ["turntable broken", "plate no longer goes round", "turntable motor dead"],
        "unrelated": ["works fine", "new kitchen so no longer needed"],
    },
    "coffee-machine": {
        "pump-blocked": ["pump makes a racket, no coffee", "clogged", "only drips"],
        "grinder": ["grinder jammed", "does not grind", "grinder is worn out"],
        "leak-internals": ["leaks from below", "puddle after every cup", "wet underneath"],
        "scale": ["heavily scaled", "never descaled", "full of lime"],
        "unrelated": ["office clearance, works", "works well"],
    },
    "vacuum-cleaner": {
        "motor-fault": ["motor burnt out", "motor screeches", "smells of burning when on"],
        "blocked-overheat": ["hardly any suction", "switches off when hot", "blocked"],
        "battery": ["battery is finished", "battery lasts two minutes", "does not hold charge"],
        "brush-bar": ["brush bar does not turn", "brush roller stuck", "brush belt gone"],
        "unrelated": ["works fine", "in working order, no longer wanted"],
    },
}
SYLLABLES = [
    "vel",
    "thane",
    "bor",
    "sund",
    "quil",
    "mar",
    "os",
    "trel",
    "kas",
    "per",
    "vik",
    "dun",
    "holt",
    "fen",
    "rath",
    "lo",
    "meri",
    "tash",
    "gor",
    "wen",
]
OPENINGS = ["", "For sale is my", "Selling a", "Hello, we sell our", "Available:", "Here is a"]
CLOSINGS = [
    "Collection only.",
    "Must be collected from the second floor.",
    "Can help loading.",
    "Please call 0{a} {b} {c}.",
    "Tel. +44 {a} {b}{c}",
    "Non-smoking home.",
    "Message me.",
    "Cash on collection.",
]
EXTRAS = [
    "60 cm wide",
    "1400 rpm",
    "7 kg load",
    "energy class A+++",
    "with all hoses",
    "white",
    "with manual",
    "h 85 x w 60 x d 55 cm",
    "12 place settings",
    "filter is new",
    "noise 52 dB",
]
ELSEWHERE = [
    "Upgraded to a {n} last week.",
    "Same as the {n} but older.",
    "I also have a {n} for sale.",
    "Parts fit {n} as well.",
]
WAYS = ["printed", "printed", "printed", "bare", "misread", "suffix", "edit"]


@dataclass(frozen=True)
class Told:
    """One listing and what is true of it. number "" and cause "": the text does not say.

    price: cents, None when not stated.
    """

    title: str
    text: str
    make: str
    number: str
    appliance: str
    cause: str
    price: int | None
    way: str = ""


def make_name(seed: int) -> str:
    rng = random.Random(f"name {seed}")
    return "".join(rng.choices(SYLLABLES, k=rng.choice([2, 3]))).capitalize() + (
        "" if seed < 400 else "a"
    )


def world(
    count: int, *, seeds: range = range(900, 920)
) -> tuple[Catalogue, list[tuple[str, str, str]]]:
    """Return a catalogue of about `count` numbers, and its rows (make, number, appliance)."""
    catalogue = Catalogue()
    makes: dict[int, str] = {}
    names: set[str] = set()
    for seed in seeds:
        name = make_name(seed)
        while name in names:
            name += "a"
        names.add(name)
        makes[seed] = name
    ids = {seed: catalogue.add_make(makes[seed]).pk for seed in seeds}
    rows = []
    kinds = list(APPLIANCES)
    for place, (seed, number) in enumerate(worlds.catalogue(seeds, count)):
        appliance = kinds[place % len(kinds)]
        # A third of the known numbers do not say what kind of machine they are.
        stored = "" if place % 3 == 0 else appliance
        catalogue.add_model(
            KnownModel(place + 1, ids[seed], makes[seed], number, canonical(number), stored, "")
        )
        rows.append((makes[seed], number, appliance))
    catalogue.ready()
    return catalogue, rows


def listings(rows: list[tuple[str, str, str]], count: int, *, seed: int) -> Iterator[Told]:
    """Yield invented listings of machines of the catalogue."""
    rng = random.Random(f"listings {seed}")
    for _ in range(count):
        yield one(rows, rng)


def one(rows: list[tuple[str, str, str]], rng: random.Random) -> Told:
    make, number, appliance = rng.choice(rows)
    cause = rng.choice([*FAULTS[appliance], ""])
    fault = rng.choice(FAULTS[appliance][cause]) if cause else ""
    way = "absent" if rng.random() < 0.2 else rng.choice(WAYS)
    shown = written(number, way, rng)
    name = rng.choice(APPLIANCES[appliance])
    price, price_words = a_price(rng)
    said_make = make if rng.random() < 0.85 else ""
    label = rng.choice(["", "", "model ", "type ", "Model: ", "E-Nr. "]) if shown else ""
    machine = " ".join(filter(None, (said_make, name)))
    titled = rng.random() < 0.5
    title = " ".join(filter(None, (machine, shown if titled else "")))
    if rng.random() < 0.5 and cause and cause != "unrelated":
        title += rng.choice([" - faulty", ", spares or repair", " defective"])
    numbered = "" if titled or not shown else f", {label}{shown}"
    lines = [f"{rng.choice(OPENINGS)} {machine}{numbered}.".strip()]
    if fault:
        lines.append(
            rng.choice(
                ["{f}.", "Unfortunately {f}.", "Problem: {f}.", "It is for spares, {f}."]
            ).format(f=fault)
            if cause != "unrelated"
            else f"{fault.capitalize()}."
        )
    lines += [f"{extra.capitalize()}." for extra in rng.sample(EXTRAS, rng.randint(0, 3))]
    if rng.random() < 0.4:
        lines.append(
            rng.choice(
                ["Bought in 20{y}.", "About {o} years old.", "Built 20{y}.", "From 20{y}."]
            ).format(y=rng.randint(10, 22), o=rng.randint(2, 14))
        )
    if rng.random() < 0.15:
        lines.append(rng.choice(ELSEWHERE).format(n=rng.choice(rows)[1]))
    if rng.random() < 0.2:
        lines.append(
            rng.choice(["It cost {n} euro new.", "New price was €{n}.", "Paid {n} for it."]).format(
                n=rng.randint(300, 900)
            )
        )
    if price_words:
        lines.insert(rng.randint(1, len(lines)), price_words)
    lines.append(
        rng.choice(CLOSINGS).format(
            a=rng.randint(100, 999), b=rng.randint(100, 999), c=rng.randint(1000, 9999)
        )
    )
    return Told(
        title,
        "\n".join(lines) if rng.random() < 0.5 else " ".join(lines),
        said_make,
        number if shown else "",
        appliance,
        cause,
        price,
        way,
    )


def written(number: str, way: str, rng: random.Random) -> str:
    """Return a number as a seller writes it; "" when not at all."""
    if way == "absent":
        return ""
    if way == "bare":
        return canonical(number)
    if way == "misread":
        return worlds.misread(number, rng)
    if way == "suffix":
        head = number.rstrip("ABCDEFGHIJKLMNOPQRSTUVWXYZ").rstrip("-/ ")
        return head if len(canonical(head)) >= 5 else number
    if way == "edit":
        return worlds.edited(number, rng)
    return number if rng.random() < 0.7 else number.lower()


def a_price(rng: random.Random) -> tuple[int | None, str]:
    """Return a price in cents and how it is written; None and "" for none."""
    amount = rng.choice(
        [5, 10, 15, 20, 25, 30, 40, 45, 50, 60, 75, 80, 90, 100, 120, 150, 180, 1200]
    )
    ways = [
        "Asking €{a}.",
        "{a} € ono.",
        "Price: {a} euro.",
        "£{a}",
        "€{a},00",
        "{a},- VB",
        "Yours for {a} EUR.",
        "I am looking for €{a} for it.",
        "{a}.00 €",
        "Would like £{a} or nearest offer.",
        "EUR {a}",
        "{a} euros cash.",
    ]
    chance = rng.random()
    if chance < 0.15:
        return None, ""
    if chance < 0.25:
        return 0, rng.choice(
            ["Free to collector.", "Free for collection.", "Giving it away.", "It goes for free."]
        )
    if chance < 0.32:
        return amount * 100 + 2000, f"Between {amount} and {amount + 20} euro."
    shown = f"{amount:,}".replace(",", rng.choice([".", ",", " "])) if amount > 999 else str(amount)
    return amount * 100, rng.choice(ways).format(a=shown)


def same_again(told: Told, rng: random.Random) -> Told:
    """Return the listing as it may be seen again: in another place, a little edited."""
    text = told.text
    how = rng.choice(["same", "tail", "drop", "title", "spaces"])
    if how == "tail":
        text += rng.choice(
            [" Still available!", " Reduced for quick sale.", " No time wasters please.", " Bump."]
        )
    elif how == "drop":
        parts = text.replace("\n", " ").split(". ")
        if len(parts) > 4:
            parts.pop(rng.randrange(2, len(parts)))
        text = ". ".join(parts)
    elif how == "spaces":
        text = text.replace("\n", "  \n").upper() if rng.random() < 0.3 else text.replace(" ", "  ")
    title = f"{told.title} !!" if how == "title" else told.title
    return replace(told, title=title, text=text)


def another(told: Told, rows: list[tuple[str, str, str]], rng: random.Random) -> Told:
    """Return a listing of another machine of the same model, as another seller would write it."""
    while True:
        other = one(rows, rng)
        said = f"{other.title} {other.text}"
        if other.appliance != told.appliance or not other.number or other.number not in said:
            continue
        text, title = other.text, other.title
        for theirs, ours in ((other.number, told.number), (other.make, told.make)):
            if theirs:
                text, title = text.replace(theirs, ours), title.replace(theirs, ours)
        return replace(other, title=title, text=text, number=told.number, make=told.make)


def twin(told: Told, rng: random.Random) -> Told:
    """Return another machine of the same seller: the same text but for its serial number."""
    serial = rng.randint(10_000_000, 99_999_999)
    return replace(told, text=f"{told.text} Serial no. {serial}.")
