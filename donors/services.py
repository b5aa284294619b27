"""Writes on makes, model numbers and donors."""

from collections.abc import Iterable
from datetime import date
from typing import Any

from django.db import transaction

from donors import events, plates, selectors
from donors.catalogue import Catalogue
from donors.domain import model_numbers, patterns
from donors.domain.build_dates import Scheme
from donors.machine_columns import MachineColumns
from donors.models import Donor, FailureCause, Make, ModelAlias, ModelNumber
from donors.plates import Plate
from workshop import days, outbox, refs
from workshop.bulk import bulk_save
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import Workshop

LONGEST_SERIAL = 60  # of MachineColumns.serial_number


@transaction.atomic
def save_make(
    *, workshop: Workshop, name: str, aliases: Iterable[str] = (), pattern: str = ""
) -> Make:
    """Add a make. Raises InputRefused for a bad pattern or name, Conflict when it is known."""
    key = model_numbers.canonical(name)
    if not key:
        raise InputRefused(
            f"The make's name {name!r} holds no letter or digit.", fields={"name": "No letters."}
        )
    if Make.of(workshop).filter(key=key).exists():
        raise Conflict(f"The make {name} is already known.", fields={"name": "Already known."})
    check_pattern(pattern)
    make: Make = Make.objects.create(
        workshop=workshop, name=name.strip(), key=key, aliases=list(aliases), pattern=pattern
    )
    announce_catalogue(workshop.pk)
    return make


@transaction.atomic
def set_pattern(*, workshop: Workshop, make_id: int, pattern: str) -> Make:
    """Store the pattern a reviewer wrote or accepted; machines of the make are read again.

    Blank takes it away. Raises NotFound, InputRefused for a bad pattern.
    """
    check_pattern(pattern)
    make = selectors.get_make_by_id(workshop, make_id)
    if make.pattern != pattern:
        make.pattern = pattern
        make.save(update_fields=["pattern"])
        announce_catalogue(workshop.pk)  # machines whose make is not known may be of it
        _announce_pattern(make)
    return make


@transaction.atomic
def set_date_code(*, workshop: Workshop, make_id: int, scheme: str, start: int | None) -> Make:
    """Store how a make writes its build-date codes, and where its serial numbers hold one.

    start: place of its first character, from 1, letters and digits counted; None: not there.
    Machines on record stay as they are. Raises NotFound, InputRefused.
    """
    make = selectors.get_make_by_id(workshop, make_id)
    if scheme and scheme not in Scheme.__members__:
        raise InputRefused(
            f"{scheme!r} is no way to write a build date.",
            fields={"date_code": f"Choose one of: {', '.join(Scheme.__members__)}."},
        )
    if start is not None and not (scheme and 1 <= start <= LONGEST_SERIAL):
        why = f"Between 1 and {LONGEST_SERIAL}." if scheme else "Say how the code is written first."
        raise InputRefused(
            "The place in the serial number cannot be used.", fields={"date_code_start": why}
        )
    make.date_code, make.date_code_start = scheme, start
    make.save(update_fields=["date_code", "date_code_start"])
    return make


def set_guess(*, make: Make, pattern: str, seen: int) -> bool:
    """Note the pattern a make's numbers propose, and how often it was seen by then.

    Returns whether it is another than before; then machines of the make are read again.
    """
    changed = make.guessed_pattern != pattern
    make.guessed_pattern, make.guessed_from = pattern, seen
    make.save(update_fields=["guessed_pattern", "guessed_from"])
    if changed:
        _announce_pattern(make)
    return changed


def _announce_pattern(make: Make) -> None:
    payload = {"make_id": make.pk}
    outbox.record(events.PATTERN_CHANGED, workshop_id=make.workshop_id, payload=payload)


def check_pattern(pattern: str) -> None:
    """Raise InputRefused with the reason when the pattern cannot be stored. Blank is allowed."""
    if not pattern:
        return
    try:
        patterns.compile_pattern(pattern)
    except patterns.PatternRefused as bad:
        raise InputRefused(
            f"The pattern cannot be used: {bad}.", fields={"pattern": str(bad)}
        ) from bad


@transaction.atomic
def add_model_number(
    *,
    workshop: Workshop,
    make: Make,
    number: str,
    aliases: Iterable[str] = (),
    appliance: str = "",
    family: str = "",
) -> ModelNumber:
    """Add a known model number with its other names; machines waiting for it are re-read."""
    plates.check_number(number, may_be_blank=False)
    if appliance and appliance not in plates.appliance_slugs():
        raise InputRefused(
            f"The appliance {appliance!r} is not known.",
            fields={"appliance": f"{appliance!r} is not known."},
        )
    canonical = model_numbers.canonical(number)
    if ModelNumber.of(workshop).filter(make=make, canonical=canonical).exists():
        raise Conflict(
            f"{make.name} {number} is already known.", fields={"number": "Already known."}
        )
    model = ModelNumber.objects.create(
        workshop=workshop,
        make=make,
        number=number.strip(),
        canonical=canonical,
        folded=model_numbers.folded(number),
        wildcard=model_numbers.has_wildcard(canonical),
        appliance_id=appliance or None,
        family=family,
    )
    ModelAlias.objects.bulk_create(alias_rows(model, aliases))
    announce_catalogue(workshop.pk)
    return model


@transaction.atomic
def set_last_sold(*, workshop: Workshop, model_id: int, text: str) -> ModelNumber:
    """Note when a model's last unit came on the market: a day, a month or a year; blank: unknown.

    Raises NotFound, InputRefused.
    """
    model = ModelNumber.of(workshop).select_for_update(of=("self",)).filter(pk=model_id).first()
    if model is None:
        raise NotFound("There is no such model number in this workshop.")
    span = days.read_span(text, field="last_sold")
    if span is not None:
        days.refuse_implausible(last_sold=span.start)
    model.last_sold_from = span.start if span else None
    model.last_sold_to = span.end if span else None
    model.save(update_fields=["last_sold_from", "last_sold_to"])
    found: ModelNumber = model
    return found


def alias_rows(model: ModelNumber, aliases: Iterable[str]) -> list[ModelAlias]:
    """Return rows for the aliases that say something and differ from the number itself."""
    by_key = {model_numbers.canonical(alias): alias for alias in aliases}
    return [
        ModelAlias(workshop_id=model.workshop_id, model=model, alias=alias, canonical=key)
        for key, alias in by_key.items()
        if key and key != model.canonical
    ]


def announce_catalogue(workshop_id: int) -> None:
    """Record that makes or numbers changed, so that machines are recognised anew."""
    outbox.record(events.CATALOGUE_CHANGED, workshop_id=workshop_id, payload={})


@transaction.atomic
def receive_donor(
    *,
    workshop: Workshop,
    plate: Plate,
    received_on: date,
    cause: str = "",
    note: str = "",
    ref: str = "",
    no_plate: bool = False,
    catalogue: Catalogue | None = None,
    confirm_mismatch: bool = False,
) -> Donor:
    """Store a machine that came in. Its parts are laid by parts.services.take_in_donor.

    Raises InputRefused for what cannot be used, Conflict when the reference is taken.
    """
    days.refuse_implausible(received_on=received_on)
    values, _ = plates.columns(
        catalogue or Catalogue.load(workshop),
        plate,
        appliances=plates.appliance_slugs(),
        may_be_blank=no_plate,
        on=received_on,
        ask_mismatch=not confirm_mismatch,
    )
    _refuse_taken(workshop, ref)
    if received_on < (plate.built_from or received_on):
        raise InputRefused(
            f"Received on {received_on}, before it was built ({plate.built_from}). Check both.",
            fields={"received_on": "Lies before the build date."},
        )
    return Donor.objects.create(
        workshop=workshop,
        ref=ref or refs.next_ref(Donor.of(workshop), workshop_id=workshop.pk, prefix="D"),
        received_on=received_on,
        cause=find_cause(values["appliance_id"], cause),
        note=note.strip(),
        **values,
    )


@transaction.atomic
def receive_same_machine(
    *,
    workshop: Workshop,
    machine: MachineColumns,
    received_on: date,
    cause: str = "",
    note: str = "",
    ref: str = "",
) -> Donor:
    """Store a machine that is here already, as a job: what is known of it is taken over whole.

    Plate text, recognition, what a person confirmed, serial number, build date and its readings
    stay as they are; nothing is read again. Raises InputRefused, Conflict.
    """
    days.refuse_implausible(received_on=received_on)
    _refuse_taken(workshop, ref)
    return Donor.objects.create(
        workshop=workshop,
        ref=ref or refs.next_ref(Donor.of(workshop), workshop_id=workshop.pk, prefix="D"),
        received_on=received_on,
        cause=find_cause(machine.appliance_id, cause),
        note=note.strip(),
        **machine_values(machine),
    )


def machine_values(machine: MachineColumns) -> dict[str, Any]:
    """Return what is known of a machine by column, to be taken over by the same machine."""
    columns = (field for field in MachineColumns._meta.local_fields if not field.generated)
    names = (field.attname for field in columns if field.name != "workshop")
    return {name: getattr(machine, name) for name in names}


def _refuse_taken(workshop: Workshop, ref: str) -> None:
    if ref:
        refs.refuse_bad_ref(ref)
    if ref and Donor.of(workshop).filter(ref=ref).exists():
        raise Conflict(
            f"There is already a donor {ref}. Leave the reference blank to get the next one.",
            fields={"ref": f"{ref} is taken."},
        )


def find_cause(appliance: str, slug: str) -> FailureCause | None:
    """Return the cause, None when blank. Raises InputRefused naming those there are."""
    if not slug:
        return None
    rows = FailureCause.objects.filter(appliance_id=appliance).select_related("appliance")
    causes = {cause.slug: cause for cause in rows}
    if slug not in causes:
        machine = next(iter(causes.values())).appliance.name if causes else "machine of this kind"
        there = ", ".join(f"{cause.name} ({cause.slug})" for cause in causes.values())
        said = f"{slug!r} is no failure cause of a {machine[:1].lower()}{machine[1:]}."
        raise InputRefused(
            f"{said} Leave it blank, or choose one of: {there}.", fields={"cause": said}
        )
    return causes[slug]


@transaction.atomic
def confirm_model(*, workshop: Workshop, row: Any, model_id: int) -> None:
    """Note that a person said which known model a machine (donor or job) is.

    The plate's text stays as it was read. Raises NotFound when the model is not known here.
    """
    model = ModelNumber.of(workshop).filter(pk=model_id).select_related("make").first()
    if model is None:
        raise NotFound("That model number is not known in this workshop.")
    plates.refuse_other_appliance(model, row.appliance_id)
    row.make = model.make
    for name, value in plates.confirmed_columns(model, row.model_canonical).items():
        setattr(row, name, value)
    row.save()


def recognise_anew(rows: Iterable[Any], catalogue: Catalogue) -> list[Any]:
    """Return the machines whose recognition changed, their columns set but not saved.

    Machines a person confirmed are left alone.
    """
    makes = {make.pk: make for make in catalogue.makes}
    changed = []
    for row in rows:
        told = None if row.make_is_guess else makes.get(row.make_id)
        values = plates.recognised_columns(catalogue.recognise(row.model_number, make=told))
        if any(getattr(row, name) != value for name, value in values.items()):
            for name, value in values.items():
                setattr(row, name, value)
            changed.append(row)
    return changed


RECOGNISED_COLUMNS = (
    "make",
    "make_is_guess",
    "model_canonical",
    "recognised",
    "recognised_how",
    "likely_number",
    "family",
    "fields",
    "certainty",
)


def recognise_donors_anew(*, workshop_id: int, ids: Iterable[int] | None = None) -> list[int]:
    """Read the plates of unconfirmed donors (or of these) again; returns those that changed."""
    catalogue = Catalogue.load(workshop_id)
    rows = Donor.of(workshop_id).filter(confirmed=False).exclude(state=Donor.State.GONE)
    if ids is not None:
        rows = rows.filter(pk__in=list(ids))
    changed = recognise_anew(rows, catalogue)
    bulk_save(changed, RECOGNISED_COLUMNS)
    return [donor.pk for donor in changed]


@transaction.atomic
def note_find(*, workshop: Workshop, ref: str, said: str) -> None:
    """Add a line to a donor's note: what was found to differ while it was stripped."""
    donor = Donor.of(workshop).select_for_update(of=("self",)).get(ref=ref)
    donor.note = f"{donor.note}\n{said}".strip()
    donor.save(update_fields=["note"])
