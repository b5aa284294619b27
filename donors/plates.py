"""From what stands on a plate to the columns of a machine."""

from dataclasses import dataclass, field
from datetime import date
from typing import Any, NoReturn

from donors import build_readings
from donors.build_readings import CodeAsked
from donors.catalogue import Catalogue
from donors.domain import model_numbers, patterns
from donors.domain.build_reading import Known
from donors.domain.recognising import How
from donors.models import Appliance, Make, ModelNumber
from donors.recognition import Recognition
from workshop import days
from workshop.domain.intervals import from_ends
from workshop.errors import Conflict, InputRefused, NotFound

# How far a number may be trusted that is in no catalogue, but whose fields were read off it:
# by the make's pattern, or by one that its numbers propose and nobody has looked at.
READ_OFF, READ_BY_GUESS = 0.85, 0.75
# The input that confirms what does not go together as it is stated.
MISMATCH = "confirm_mismatch"
# The columns that say what a plate was taken for.
RECOGNISED = (
    "make_id",
    "make_is_guess",
    "model_canonical",
    "recognised_id",
    "recognised_how",
    "likely_number",
    "family",
    "fields",
    "certainty",
)


@dataclass(frozen=True, slots=True)
class Plate:
    """A rating plate as a person read it. Blank means not known.

    built_from, built_to: the build date as an interval; one of them may be missing;
    build_known: how it is known (Known). build_code: a code that stands for it. model_id: the
    known model a person said it is, with the plate before them.
    """

    appliance: str = ""
    make: str = ""
    model_number: str = ""
    serial_number: str = ""
    built_from: date | None = None
    built_to: date | None = None
    build_known: str = ""
    build_code: CodeAsked = field(default_factory=CodeAsked)
    model_id: int | None = None


def find_make(catalogue: Catalogue, text: str) -> Make | None:
    """Return the make, None when blank. Raises InputRefused, naming near ones, when unknown."""
    if not text.strip():
        return None
    make = catalogue.find_make(text)
    if make is None:
        near = catalogue.nearest_makes(text)
        hint = f"Did you mean {' or '.join(near)}?" if near else "No known make reads like it."
        raise InputRefused(
            f"The make {text!r} is not known here. {hint} Add it under Makes first, "
            "or leave the make blank to have it guessed.",
            fields={"make": f"{text!r} is not known. {hint}"},
        )
    return make


def check_number(text: str, *, may_be_blank: bool) -> None:
    """Raise InputRefused when the model number is blank (unless allowed) or junk."""
    if not text.strip():
        if may_be_blank:
            return
        raise InputRefused(
            "The model number is blank. Type what can be read on the rating plate, even a part "
            "of it; if there is no plate left, say so.",
            fields={"model_number": "Blank. Type what can be read, or say there is no plate."},
        )
    letters = [c for c in model_numbers.canonical(text) if c not in model_numbers.WILDCARDS]
    if len(letters) < 2:
        raise InputRefused(
            f"The model number {text!r} holds fewer than two letters or digits. Type the "
            "characters on the plate; leave it blank if none can be read.",
            fields={"model_number": f"{text!r} holds fewer than two letters or digits."},
        )


def check_built(plate: Plate) -> None:
    """Raise InputRefused when the build interval runs backwards."""
    days.refuse_implausible(built_from=plate.built_from, built_to=plate.built_to)
    if plate.built_from and plate.built_to and plate.built_to < plate.built_from:
        raise InputRefused(
            f"The build date ends on {plate.built_to} before it begins on {plate.built_from}. "
            "Swap the two, or leave one blank.",
            fields={"built_to": f"{plate.built_to} lies before {plate.built_from}."},
        )
    if plate.build_known and plate.build_known not in [one.value for one in Known]:
        raise InputRefused(
            f"{plate.build_known!r} is no way to know a build date.",
            fields={"build_known": f"Choose one of: {', '.join(Known)}."},
        )


def columns(
    catalogue: Catalogue,
    plate: Plate,
    *,
    appliances: set[str],
    may_be_blank: bool = False,
    on: date | None = None,
    ask_mismatch: bool = False,
) -> tuple[dict[str, Any], Recognition]:
    """Return the values of MachineColumns for a plate, and what it was recognised as.

    The plate's own text is stored as it is; what it is taken for stands beside it.
    on: the day the machine came in; needed to read a build code. ask_mismatch: refuse a known
    number of another appliance than the one stated, until somebody confirms it.
    Raises InputRefused for a blank or junk number, an unknown make or appliance, or a build
    interval that runs backwards.
    """
    check_number(plate.model_number, may_be_blank=may_be_blank)
    check_built(plate)
    make = find_make(catalogue, plate.make)
    seen = catalogue.recognise(plate.model_number, make=make)
    chosen = get_model(catalogue, plate.model_id) if plate.model_id is not None else None
    appliance = plate.appliance or _appliance_of(seen, chosen)
    if appliance not in appliances:
        _refuse_appliance(appliance, appliances)
    if chosen is not None:
        refuse_other_appliance(chosen, appliance)
    elif ask_mismatch:
        _refuse_mismatch(seen, appliance)
    values = {
        "appliance_id": appliance,
        "make_as_read": plate.make.strip(),
        "model_number": plate.model_number.strip(),
        "serial_number": plate.serial_number.strip(),
        "built_from": plate.built_from,
        "built_to": plate.built_to,
        **recognised_columns(seen),
        **(confirmed_columns(chosen, seen.canonical) if chosen else {}),
    }
    if plate.build_known and (plate.built_from or plate.built_to):
        values["build_known"] = plate.build_known
    if plate.build_code.says_something and on is not None:
        values |= _coded_columns(catalogue, plate, values, on)
    return values, seen


def get_model(catalogue: Catalogue, model_id: int) -> ModelNumber:
    """Return a known model of the catalogue's workshop. Raises NotFound."""
    model: ModelNumber | None = None
    for make in catalogue.makes[:1]:  # all are of one workshop
        rows = ModelNumber.of(make.workshop_id).filter(pk=model_id)
        model = rows.select_related("make").first()
    if model is None:
        raise NotFound(
            "That model number is not known in this workshop.",
            fields={"model_id": "Not known in this workshop."},
        )
    return model


def _appliance_of(seen: Recognition, chosen: ModelNumber | None) -> str:
    if chosen is not None:
        return chosen.appliance_id or ""
    return seen.settled.appliance if seen.settled else ""


def refuse_other_appliance(model: ModelNumber, appliance: str) -> None:
    """Raise Conflict when a known model is another appliance than the machine is stated to be."""
    if model.appliance_id and model.appliance_id != appliance:
        raise Conflict(
            f"{model.make.name} {model.number} is a {model.appliance_id}; the machine is stated to "
            f"be a {appliance}. Choose another model, or correct one of the two.",
            fields={"appliance": f"The model chosen is a {model.appliance_id}."},
        )


def confirmed_columns(model: ModelNumber, canonical: str) -> dict[str, Any]:
    """Return the columns of a machine that a person said is this model.

    canonical: of the number as read, which is what an open position of the model is filled with.
    """
    wild = model_numbers.has_wildcard(model.canonical)
    likely = canonical if wild and canonical else model.canonical
    fields = patterns.fields_of(model.make.reads_by, likely)
    return {
        "make_id": model.make_id,
        "make_is_guess": False,
        "recognised_id": model.pk,
        "recognised_how": How.EXACT.value,
        "confirmed": True,
        "likely_number": likely,
        "family": model.family or fields.get("family", ""),
        "fields": fields,
        "certainty": 1.0,
    }


def _refuse_appliance(stated: str, appliances: set[str]) -> NoReturn:
    if not stated:
        raise InputRefused(
            "What kind of machine it is was not said, and its model number does not tell it.",
            fields={"appliance": "Choose the kind of machine; the model number does not tell it."},
        )
    known = ", ".join(sorted(appliances))
    raise InputRefused(
        f"There is no appliance {stated[:40]!r}; choose one of: {known}.",
        fields={"appliance": f"{stated[:40]!r} is no known appliance; choose one of: {known}."},
    )


def _refuse_mismatch(seen: Recognition, appliance: str) -> None:
    known = seen.settled.appliance if seen.settled else ""
    if not seen.settled or not known or known == appliance:
        return
    names = dict(Appliance.objects.filter(slug__in=[known, appliance]).values_list("slug", "name"))
    is_known, stated = names[known].lower(), names[appliance].lower()
    said = (
        f"{seen.settled.make} {seen.settled.number} is on record as a {is_known}, and this is to "
        f"be a {stated}."
    )
    raise InputRefused(
        f"{said} Correct one of the two, or confirm that it is meant so.",
        fields={"appliance": said, MISMATCH: "Confirm it, or correct the number or appliance."},
    )


def _coded_columns(
    catalogue: Catalogue, plate: Plate, values: dict[str, Any], on: date
) -> dict[str, Any]:
    """Return what a plate's build code sets. Raises InputRefused by field."""
    make = next((make for make in catalogue.makes if make.pk == values["make_id"]), None)
    stated = from_ends(plate.built_from, plate.built_to)
    reading = build_readings.read_code(
        plate.build_code,
        make=make,
        serial_number=plate.serial_number,
        appliance=values["appliance_id"],
        until=on,
        received_on=on,
        stated=stated,
        model_id=values["recognised_id"],
    )
    return build_readings.build_columns(reading, stated)


def recognised_columns(seen: Recognition) -> dict[str, Any]:
    """Return the columns that say what a plate was taken for."""
    return {
        "make_id": seen.make_id,
        "make_is_guess": seen.make_is_guess,
        "model_canonical": seen.canonical,
        "recognised_id": seen.settled.id if seen.settled else None,
        "recognised_how": seen.how.value,
        "likely_number": seen.likely_number,
        "family": seen.family,
        "fields": seen.fields,
        "certainty": certainty(seen),
    }


def certainty(seen: Recognition) -> float:
    """Return how far the machine's identity may be trusted, 0..1.

    A number the make's pattern explains in full is trusted even when it is not in the
    catalogue: its fields were read off it. Fields read by a guessed pattern are trusted less.
    """
    if seen.settled is not None:
        return 1.0
    read = READ_BY_GUESS if seen.guessed else READ_OFF
    read_off = read if seen.fields else (0.5 if seen.make_id and seen.canonical else 0.0)
    return max(seen.certainty, read_off)


def appliance_slugs() -> set[str]:
    return set(Appliance.objects.values_list("slug", flat=True))
