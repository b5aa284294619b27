"""From the text on a photo of a plate to the models it may be, with the lookup's odds."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date

from rapidfuzz.distance import OSA

from donors import build_readings
from donors.build_readings import CodeAsked
from donors.catalogue import MOST_CANDIDATES, Catalogue
from donors.domain import model_numbers, plate_text
from donors.domain.build_reading import Reading
from donors.domain.lookup import texts
from donors.domain.plate_text import Facts
from donors.models import Make
from donors.recognition import Candidate, Recognition
from workshop.errors import InputRefused

# A number behind no label may be any other number of the plate.
WITHOUT_LABEL = 0.8
NAME_READS_LIKE = 0.75  # 0..1: how alike a word and a make's name read to be taken for it
MOST_NAME_WORDS = 40
LONGEST_NUMBER, LONGEST_SERIAL = 80, 60  # as the columns of a machine have them


@dataclass(frozen=True, slots=True)
class PlateSeen:
    """What a photo of a plate says. lines: as read, from the top; nothing in it is certain.

    make: the known make it names; model_number, serial_number: as read. Blank: not found.
    candidates: known models, best first, each with its probability. built: what the build code
    may mean, None when there is none or it cannot be read.
    """

    lines: tuple[str, ...]
    make: str
    model_number: str
    serial_number: str
    build_code: str
    build_scheme: str
    candidates: tuple[Candidate, ...]
    built: Reading | None = None

    @property
    def text(self) -> str:
        return "\n".join(self.lines)


def seen_on(catalogue: Catalogue, lines: Sequence[str], *, today: date) -> PlateSeen:
    """Return what the lines of a plate say, and which known models they may mean."""
    facts = plate_text.facts_of(lines)
    make, name = _make_on(catalogue, lines)
    found = list(_recognitions(catalogue, lines, facts, make))
    ranked = _ranked(found)
    told = make or next(
        (m for m in catalogue.makes if ranked and m.pk == ranked[0].model.make_id), None
    )
    number = facts.model_number or (found[0][0] if found else "")
    built = _built(facts, told, today)
    return PlateSeen(
        lines=tuple(lines),
        make=name,
        model_number=number[:LONGEST_NUMBER],
        serial_number=facts.serial_number[:LONGEST_SERIAL],
        build_code=facts.build_code if built else "",
        build_scheme=built.scheme.name if built else "",
        candidates=tuple(ranked[:MOST_CANDIDATES]),
        built=built,
    )


def _make_on(catalogue: Catalogue, lines: Sequence[str]) -> tuple[Make | None, str]:
    """Return the make a line names and the name as read: exactly, else one that reads like it."""
    for line in lines:
        _, names = texts.without(line, lambda key: catalogue.find_make(key) is not None)
        if names:
            make = catalogue.find_make(names[0])
            return make, make.name if make else ""
    words = [word for line in lines for word in line.split() if not any(map(str.isdigit, word))]
    best: tuple[float, Make] | None = None
    for word in words[:MOST_NAME_WORDS]:
        for make in catalogue.makes:
            alike = OSA.normalized_similarity(model_numbers.canonical(word), make.key)
            if alike >= NAME_READS_LIKE and (best is None or alike > best[0]):
                best = alike, make
    return (best[1], best[1].name) if best else (None, "")


def _recognitions(
    catalogue: Catalogue, lines: Sequence[str], facts: Facts, make: Make | None
) -> Iterable[tuple[str, Recognition, float]]:
    """Yield texts as read, what each is taken for and its weight: the labelled one first."""
    if facts.model_number:
        yield facts.model_number, catalogue.recognise(facts.model_number, make=make), 1.0
    text = "\n".join(lines)
    mentions = catalogue.find_all(text, make=make)
    for one in sorted(mentions, key=lambda one: (-one.seen.certainty, one.start)):
        yield text[one.start : one.end], one.seen, WITHOUT_LABEL


def _ranked(found: Iterable[tuple[str, Recognition, float]]) -> list[Candidate]:
    """Return every model that was found once, the likeliest first."""
    best: dict[int, Candidate] = {}
    for _, seen, weight in found:
        for one in seen.candidates:
            weighed = replace(one, probability=one.probability * weight)
            known = best.get(one.model.id)
            if known is None or known.probability < weighed.probability:
                best[one.model.id] = weighed
    return sorted(best.values(), key=lambda one: (-one.probability, -one.likeness))


def _built(facts: Facts, make: Make | None, today: date) -> Reading | None:
    """Return what the build code means, in the plate's own shape or as the make writes it."""
    if not facts.build_code:
        return None
    try:
        return build_readings.decode(
            CodeAsked(code=facts.build_code, scheme=facts.build_scheme),
            make=make,
            serial_number="",
            appliance="",
            today=today,
            received_on=None,
        )
    except InputRefused:
        return None
