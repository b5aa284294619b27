"""A second invented world, built on other principles than fixtures/demo, to measure fits on.

Weights must not be right only where they were set. Here model numbers have other shapes and
some makes no pattern; revision letters say nothing; boards change by build date alone; pumps,
valves and sensors are one type wherever they mount; part numbers are drawn from a counter, so
that near numbers mean nothing; most tries do not fit. `Lay` says how much is known.
Plain Python; the same lay gives the same rows on any machine.
"""

import csv
import random
import string
from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from itertools import pairwise
from pathlib import Path

PAIR = [
    "kind",
    "part_number",
    "donor_make",
    "donor_model_number",
    "donor_built_from",
    "donor_built_to",
    "job_make",
    "job_model_number",
    "job_built_from",
    "job_built_to",
    "job_part_number",
    "part_attributes",
    "job_attributes",
]
HEADERS = {
    "makes": ["make", "aliases", "pattern"],
    "models": ["make", "model_number", "aliases", "appliance", "family"],
    "interchange": ["kind", "from_number", "to_number", "both_ways", "note"],
    "outcomes": [*PAIR, "fitted_on", "result", "days_to_failure"],
    "cases": [*PAIR, "fits"],
}
FIRST, LAST = date(2008, 1, 1), date(2024, 6, 1)

# How a kind is decided, and its attributes; the first ones are what it goes by.
BOARDS = {"control-board": ["software", "connector"], "display-board": ["connector"]}
MOUNTED = {
    "drain-pump": ["mount", "spigot_mm", "power_w"],
    "inlet-valve": ["ways", "spigot_mm", "mount"],
    "heater": ["length_mm", "power_w", "mount"],
    "ntc-sensor": ["resistance_ohm", "connector"],
    "drive-motor": ["mount", "shaft_mm", "power_w"],
}
LOCKS = {"door-lock": ["mount", "lock_delay"]}
SIZED = {"belt": ["length_mm", "ribs"], "door-gasket": ["diameter_mm", "mount"]}
COLOURED = {"door-handle": ["colour", "length_mm"], "detergent-drawer": ["colour", "width_mm"]}
KINDS = BOARDS | MOUNTED | LOCKS | SIZED | COLOURED
VALUES: dict[str, list[str]] = {
    "software": ["A1", "A2", "B1", "B2", "C1"],
    "connector": ["flat-6", "flat-9", "rast-3", "pair"],
    "mount": ["bayonet", "three-screw", "snap", "flange"],
    "spigot_mm": ["18", "22", "28"],
    "power_w": ["25", "30", "34", "1900", "2000"],
    "ways": ["1", "2", "3"],
    "length_mm": ["170", "205", "240", "1195", "1270"],
    "resistance_ohm": ["4800", "10000", "12000"],
    "shaft_mm": ["8", "10"],
    "lock_delay": ["ptc", "coil"],
    "ribs": ["5", "6", "8"],
    "diameter_mm": ["300", "320", "340"],
    "colour": ["white", "silver", "black"],
    "width_mm": ["410", "450"],
}
MAKES = {  # make: fields in order, and the pattern or None when nobody wrote it down
    "Velthane": (["family3", "-", "series2d", "colour1", "/", "revision1"], True),
    "Borsund": (["size2d", "family2", "series3d"], False),
    "Quillmar": (["family1", "size2d", ".", "series2", "-", "market2d"], True),
    "Ostrelle": (["series4d", "family2", "revision1"], False),
    "Kaspervik": (["family4d", " ", "colour1", "series2d"], True),
}


@dataclass(frozen=True)
class Lay:
    """What one world is like: shares are 0..1 of cells or rows that are there."""

    seed: int
    numbers: tuple[float, float] = (0.70, 0.50)  # printed on the part, on the job's old part
    dates: float = 0.6
    attributes: float = 0.45
    misread: float = 0.02
    wrong_labels: float = 0.02
    patterns: bool = True
    models: float = 0.8
    interchange: float = 0.5
    families: int = 9  # a make
    fit_share: float = 0.4
    same_model: float = 0.02
    outcomes: int = 2000
    cases: int = 3000


@dataclass(frozen=True, eq=False)
class Thing:
    """One physical type; `numbers` a make prints on it, by the day a new one came."""

    kind: str
    attributes: dict[str, str]
    numbers: dict[str, list[tuple[date, str]]] = field(default_factory=dict)
    replaces: list["Thing"] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Family:
    make: str
    code: str
    start: date
    span: int
    models: list[dict[str, str]] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Machine:
    family: Family
    fields: dict[str, str]
    built: date

    @cached_property
    def number(self) -> str:
        layout, _ = MAKES[self.family.make]
        return "".join(self.fields.get(part.rstrip("0123456789d"), part) for part in layout)


def _name(part: str) -> str:
    return part.rstrip("0123456789d")


class OtherWorld:
    """Draw everything from the lay's seed."""

    def __init__(self, lay: Lay) -> None:
        self.lay, self.rng = lay, random.Random(f"other {lay.seed}")
        self.counter = defaultdict(lambda: self.rng.randrange(20_000, 80_000))
        self.carried: dict[tuple[Family, str, str], list[tuple[date, Thing]]] = {}
        self.pools = {kind: self._pool(kind) for kind in MOUNTED | SIZED}
        self.families = [self._family(make) for make in MAKES for _ in range(lay.families)]
        self.weights = [1 / (1 + n % lay.families) for n in range(len(self.families))]
        self.at: dict[int, list[Family]] = {}

    # Structure --------------------------------------------------------------------------------

    def _pool(self, kind: str) -> list[Thing]:
        things = [Thing(kind, self._attributes(kind)) for _ in range(self.rng.randint(4, 9))]
        heir = Thing(kind, dict(things[0].attributes))
        heir.replaces.append(things[0])
        return [*things, heir]

    def _attributes(self, kind: str) -> dict[str, str]:
        return {name: self.rng.choice(VALUES[name]) for name in KINDS[kind]}

    def _family(self, make: str) -> Family:
        rng, taken = self.rng, {one.code for one in getattr(self, "families", [])}
        layout, _ = MAKES[make]
        shape = next(part for part in layout if _name(part) == "family")
        code = _draw(rng, shape)
        while code in taken:
            code = _draw(rng, shape)
        start = FIRST + timedelta(days=rng.randrange(2500))
        family = Family(make, code, start, rng.randrange(1500, 3300))
        few = {_name(p): [_draw(rng, p) for _ in range(rng.randint(2, 4))] for p in layout}
        for _ in range(rng.randint(8, 30)):
            fields = {name: rng.choice(values) for name, values in few.items() if len(name) > 1}
            family.models.append(fields | {"family": code})
        for kind in KINDS:
            for variant in self._variants(kind, few):
                self.carried[family, kind, variant] = self._history(family, kind, variant)
        return family

    def _variants(self, kind: str, few: dict[str, list[str]]) -> list[str]:
        if kind in SIZED:
            return few.get("size", [""])
        return few.get("colour", [""]) if kind in COLOURED else [""]

    def _history(self, family: Family, kind: str, variant: str) -> list[tuple[date, Thing]]:
        """Return what a family carries from which day on."""
        rng, steps = self.rng, [family.start]
        changes = rng.choice([1, 2, 3, 4]) if kind in BOARDS else rng.choice([0, 0, 0, 1])
        steps += [family.start + timedelta(days=rng.randrange(family.span)) for _ in range(changes)]
        found: list[tuple[date, Thing]] = []
        for day in sorted(steps):
            thing = self._next(family, kind, found[-1][1] if found else None)
            if family.make not in thing.numbers:
                thing.numbers[family.make] = [(date.min, self._number(family.make, kind))]
                if kind not in BOARDS and rng.random() < 0.4:
                    later = FIRST + timedelta(days=rng.randrange(5000))
                    thing.numbers[family.make].append((later, self._number(family.make, kind)))
            found.append((day, thing))
        return found

    def _next(self, family: Family, kind: str, old: Thing | None) -> Thing:
        if kind in self.pools:
            return self.rng.choice(self.pools[kind])
        if kind in LOCKS and self.rng.random() < 0.5:  # a lock other families of the make have
            others = [
                thing
                for (other, slot, _), steps in self.carried.items()
                if slot == kind and other.make == family.make
                for _, thing in steps
            ]
            if others:
                return self.rng.choice(others)
        same_look = old is not None and self.rng.random() < 0.6
        thing = Thing(kind, dict(old.attributes) if same_look and old else self._attributes(kind))
        if old is not None and self.rng.random() < 0.25:
            thing.replaces.append(old)
        return thing

    def _number(self, make: str, kind: str) -> str:
        self.counter[make] += self.rng.choice([1, 1, 2, 7, 30])
        at = self.counter[make]
        return {
            "Velthane": f"{at:08d}",
            "Borsund": f"B{at // 100}-{at % 100:02d}",
            "Quillmar": f"{kind[:2].upper()}{at}",
            "Ostrelle": f"{at}.{self.rng.randrange(10)}",
            "Kaspervik": f"49{at:06d}",
        }[make]

    def thing(self, machine: Machine, kind: str) -> Thing:
        name = "size" if kind in SIZED else "colour" if kind in COLOURED else ""
        steps = self.carried[machine.family, kind, machine.fields.get(name, "")]
        return steps[max(0, bisect_right([day for day, _ in steps], machine.built) - 1)][1]

    def fits(self, offered: Thing, wanted: Thing) -> bool:
        """The same thing, or one that replaces it, however many steps on."""
        if offered is wanted:
            return True
        return any(self.fits(old, wanted) for old in offered.replaces)

    # Attempts ---------------------------------------------------------------------------------

    def machine(
        self, family: Family | None = None, fields: dict[str, str] | None = None
    ) -> Machine:
        rng = self.rng
        family = family or rng.choices(self.families, self.weights)[0]
        built = family.start + timedelta(days=rng.randrange(family.span))
        return Machine(family, fields or rng.choice(family.models), built)

    def attempt(self) -> tuple[str, Machine, Machine, bool]:
        """Return (kind, donor, job, whether it fits): fit_share of them do."""
        rng = self.rng
        while True:
            kind = rng.choices(list(KINDS), [6, 3, 4, 3, 3, 2, 3, 4, 2, 2, 2, 2])[0]
            job, wanted = self.machine(), rng.random() < self.lay.fit_share
            for _ in range(40):
                donor = self._donor(job, kind)
                if self.fits(self.thing(donor, kind), self.thing(job, kind)) == wanted:
                    return kind, donor, job, wanted

    def _donor(self, job: Machine, kind: str) -> Machine:
        luck = self.rng.random()
        if luck < self.lay.same_model:
            return self.machine(job.family, job.fields)
        if luck < 0.45:
            return self.machine(job.family)
        donor = self.machine()
        if luck < 0.7:  # hard: another family whose part looks the same
            look = self.thing(job, kind).attributes
            first = next(iter(look))
            for _ in range(8):
                if self.thing(donor, kind).attributes[first] == look[first]:
                    break
                donor = self.machine()
        return donor

    def pair(self, kind: str, donor: Machine, job: Machine) -> dict[str, str]:
        row = {"kind": kind}
        sides = (("donor", donor, "part"), ("job", job, "job"))
        for n, (side, machine, other) in enumerate(sides):
            thing = self.thing(machine, kind)
            days = [day for day, _ in thing.numbers[machine.family.make]]
            at = max(0, bisect_right(days, machine.built) - 1)
            number = thing.numbers[machine.family.make][at][1]
            known = self.rng.random() < self.lay.numbers[n]
            row["part_number" if side == "donor" else "job_part_number"] = (
                self._read(number) if known else ""
            )
            row[f"{side}_make"] = machine.family.make
            row[f"{side}_model_number"] = self._read(machine.number)
            row[f"{side}_built_from"], row[f"{side}_built_to"] = self._built(machine)
            row[f"{other}_attributes"] = self._noted(thing)
        return row

    def _read(self, text: str) -> str:
        if self.rng.random() >= self.lay.misread:
            return text
        swap = dict(zip("01582BSIO", "OIS8Z8510", strict=True))
        places = [n for n, char in enumerate(text) if char in swap]
        if not places:
            return text
        n = self.rng.choice(places)
        return text[:n] + swap[text[n]] + text[n + 1 :]

    def _built(self, machine: Machine) -> tuple[str, str]:
        if self.rng.random() >= self.lay.dates:
            return "", ""
        year, month = machine.built.year, machine.built.month
        if self.rng.random() < 0.4:
            return f"{year}-01-01", f"{year}-12-31"
        end = (date(year, month, 28) + timedelta(days=4)).replace(day=1) - timedelta(days=1)
        return f"{year}-{month:02d}-01", end.isoformat()

    def _noted(self, thing: Thing) -> str:
        kept = [name for name in thing.attributes if self.rng.random() < self.lay.attributes]
        return ";".join(f"{name}={thing.attributes[name]}" for name in kept)

    # Files ------------------------------------------------------------------------------------

    def tables(self) -> dict[str, list[dict[str, str]]]:
        outcomes, cases = [], []
        for n in range(self.lay.outcomes + self.lay.cases):
            kind, donor, job, fits = self.attempt()
            row = self.pair(kind, donor, job)
            if n >= self.lay.outcomes:
                cases.append(row | {"fits": str(int(fits))})
                continue
            noted = fits != (self.rng.random() < self.lay.wrong_labels)
            day = date(2023, 1, 1) + timedelta(days=700 * n // self.lay.outcomes)
            result = "worked" if noted else "did-not-fit"
            outcomes.append(row | {"fitted_on": day.isoformat(), "result": result})
        found = {"outcomes": outcomes, "cases": cases, "models": self._models()}
        return found | {"makes": self._makes(), "interchange": self._interchange()}

    def _makes(self) -> list[dict[str, str]]:
        rows = []
        for make, (layout, printed) in MAKES.items():
            pattern = _pattern(layout) if printed and self.lay.patterns else ""
            rows.append({"make": make, "aliases": "", "pattern": pattern})
        return rows

    def _models(self) -> list[dict[str, str]]:
        rows = {}
        for family in self.families:
            for fields in family.models:
                if self.rng.random() < self.lay.models:
                    number = Machine(family, fields, FIRST).number
                    told = "" if self.rng.random() < 0.15 else family.code
                    rows[family.make, "".join(filter(str.isalnum, number))] = {
                        "make": family.make,
                        "model_number": number,
                        "appliance": "washing-machine",
                        "family": told,
                    }
        return list(rows.values())

    def _interchange(self) -> list[dict[str, str]]:
        things = {id(t): t for steps in self.carried.values() for _, t in steps}
        rows = {}
        for thing in things.values():
            names = [number for numbers in thing.numbers.values() for _, number in numbers]
            ways = [(a, b, "1") for a, b in pairwise(names)]
            for old in thing.replaces:
                ways += [
                    (old.numbers[make][-1][1], names[0], "0") for make in list(old.numbers)[:1]
                ]
            for a, b, both in ways:
                if self.rng.random() < self.lay.interchange and a != b:
                    rows[thing.kind, a, b] = {
                        "kind": thing.kind,
                        "from_number": a,
                        "to_number": b,
                        "both_ways": both,
                    }
        return list(rows.values())


def _draw(rng: random.Random, part: str) -> str:
    size = int(part.strip(string.ascii_letters) or 1) if part[-1].isalnum() else 0
    letters = string.digits if part.endswith("d") else "ABCDEFGHJKLMNPRTUVWX"
    return "".join(rng.choices(letters, k=size))


def _pattern(layout: Iterable[str]) -> str:
    groups = []
    for part in layout:
        if part[-1].isalnum():
            size = part.strip(string.ascii_letters)
            groups.append(
                f"(?P<{_name(part)}>{chr(92)}{'d' if part.endswith('d') else 'w'}{{{size}}})"
            )
    return f"^{''.join(groups)}$"


def write_other_world(lay: Lay, directory: Path) -> None:
    """Write makes, models, interchange, outcomes and cases as the exchange files of the design."""
    directory.mkdir(parents=True, exist_ok=True)
    for name, rows in OtherWorld(lay).tables().items():
        with (directory / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, HEADERS[name], restval="", lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
