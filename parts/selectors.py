"""Reads on parts. Each returns rows of the given workshop only."""

from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

from django.db.models import QuerySet

from parts.domain import short_codes
from parts.models import (
    AVAILABLE,
    OUT_OF_MACHINE,
    BenchTest,
    Caution,
    Grade,
    Interchange,
    Part,
    PartKind,
    PartNumber,
    Sighting,
)
from workshop import sql
from workshop.errors import InputRefused, NotFound
from workshop.models import Workshop

WITH_MACHINE = ("donor__make", "donor__cause", "grade_test", "kind")


def list_kinds() -> list[PartKind]:
    return list(PartKind.objects.order_by("name"))


def get_kind(slug: str) -> PartKind:
    """Return the kind or raise InputRefused naming near ones."""
    kind = PartKind.objects.filter(slug=slug).first()
    if kind is None:
        raise InputRefused(
            f"There is no part kind {slug!r}. Kinds are named like drain-pump or control-board.",
            fields={"kind": f"{slug!r} is not known."},
        )
    return kind


def list_parts(workshop: Workshop) -> "QuerySet[Part]":
    return Part.of(workshop).select_related(*WITH_MACHINE).order_by("id")


def list_by_bin(workshop: Workshop, *, begins: str = "") -> "QuerySet[Part]":
    """Return what lies in bins whose name begins so, bin by bin. Gone parts lie in none."""
    rows = Part.of(workshop).filter(state__in=OUT_OF_MACHINE).exclude(bin="")
    rows = rows.filter(bin__istartswith=begins) if begins else rows
    return rows.select_related(*WITH_MACHINE).order_by("bin", "kind__name", "id")


def count_without_bin(workshop: Workshop) -> int:
    """Return how many parts are out of their machine and in no bin."""
    return Part.of(workshop).filter(state__in=OUT_OF_MACHINE, bin="").count()


def list_available(
    workshop_id: int, *, kinds: Iterable[str], appliance: str = ""
) -> "QuerySet[Part]":
    """Return the parts of some kinds that can still be had; of one appliance when it is named.

    Parts that came without a machine are of any appliance.
    """
    rows = Part.of(workshop_id).filter(kind__in=list(kinds), state__in=AVAILABLE)
    rows = rows.exclude(grade=Grade.SCRAP).select_related(*WITH_MACHINE)
    if appliance:
        rows = rows.filter(donor__appliance=appliance) | rows.filter(donor__isnull=True)
    return rows.order_by("id")


def get_part(workshop: Workshop, ref: str) -> Part:
    """Return the part or raise NotFound."""
    part = list_parts(workshop).filter(ref=ref).first()
    if part is None:
        raise NotFound(f"There is no part {ref} in this workshop.")
    return part


def list_bench_tests(part: Part) -> "QuerySet[BenchTest]":
    """Return the bench tests of a part, newest first, with who did them."""
    rows = BenchTest.of(part.workshop_id).filter(part=part)
    return rows.select_related("tested_by__user", "part").order_by("-tested_on", "-id")


MOST_ALIKE = 50


def attributes_of_number(part: Part) -> list[dict[str, str]]:
    """Return what is noted of other parts with the part's number; [] when it was not read."""
    if not part.number_canonical:
        return []
    rows = Part.of(part.workshop_id).filter(
        kind=part.kind_id, number_canonical=part.number_canonical
    )
    rows = rows.exclude(pk=part.pk).exclude(attributes={}).order_by("-id")
    return list(rows.values_list("attributes", flat=True)[:MOST_ALIKE])


def attributes_of_machine(part: Part) -> list[dict[str, str]]:
    """Return what is noted of the other parts of its machine."""
    if part.donor_id is None:
        return []
    rows = Part.of(part.workshop_id).filter(donor=part.donor_id).exclude(pk=part.pk)
    return list(rows.exclude(attributes={}).order_by("id").values_list("attributes", flat=True))


def get_part_by_code(workshop: Workshop, text: str) -> Part:
    """Return the part whose short code was typed or scanned, however it was written.

    Raises CodeNotFound with the nearest codes of this workshop; another workshop's code answers
    as one that nobody has.
    """
    typed = short_codes.in_scan(text)
    code = short_codes.tidy(typed)
    part = list_parts(workshop).filter(short_code=code).first() if len(code) <= 16 else None
    if part is None:
        raise CodeNotFound(typed, short_codes.is_code(code), _near_codes(workshop, typed))
    return part


def _near_codes(workshop: Workshop, typed: str) -> list[Part]:
    """Return the parts whose code may have been meant, the likeliest first."""
    found: dict[str, Part] = {}

    def existing(codes: Collection[str]) -> Collection[str]:
        rows = list_parts(workshop).filter(short_code__in=codes)
        found.update({part.short_code: part for part in rows})
        return found

    return [found[code] for code in short_codes.nearest(typed, existing)]


class CodeNotFound(NotFound):
    """No part of this workshop has the code; `near` are those that may have been meant."""

    code = "no-such-code"

    def __init__(self, typed: str, is_right: bool, near: list[Part]) -> None:
        shown = typed[:40] or "nothing"
        why = (
            f"No part of this workshop has the code {shown}."
            if is_right
            else f"{shown} is no code: a character is wrong, lost or added."
        )
        said = f" Did you mean {' or '.join(part.short_code for part in near)}?" if near else ""
        candidates = [
            {"code": part.short_code, "ref": part.ref, "kind": part.kind_id} for part in near
        ]
        super().__init__(why + said, fields={"code": why}, more={"candidates": candidates})
        self.near = near


def list_sightings(workshop_id: int, *, kinds: Iterable[str]) -> "QuerySet[Sighting]":
    return Sighting.of(workshop_id).filter(kind__in=list(kinds)).order_by("id")


def list_interchanges(workshop: Workshop) -> "QuerySet[Interchange]":
    """Return the relations between part numbers, by kind and number."""
    rows = Interchange.of(workshop).select_related("kind", "from_number", "to_number")
    return rows.order_by("kind__name", "from_number__canonical", "to_number__canonical", "id")


def get_interchange(workshop: Workshop, interchange_id: int) -> Interchange:
    """Return the relation or raise NotFound."""
    row = list_interchanges(workshop).filter(pk=interchange_id).first()
    if row is None:
        raise NotFound(f"There is no interchange {interchange_id} in this workshop.")
    return row


# The columns of a sighting as the engine reads them.
SEEN_COLUMNS = (
    "number_canonical",
    "position",
    "source_ref",
    "make",
    "model_canonical",
    "family",
    "fields",
    "built_from",
    "built_to",
    "appliance_id",
    "certainty",
)


def list_sightings_in(
    workshop_id: int, kinds: Collection[str], makes: Collection[str], families: Collection[str]
) -> Iterator[tuple[Any, ...]]:
    """Yield the kind and SEEN_COLUMNS of the sightings in some families, oldest first."""
    found = sql.rows(
        f"SELECT kind_id, {', '.join(SEEN_COLUMNS)} FROM parts_sighting "
        # + keeps SQLite from reading the whole workshop in the order of its ids.
        "WHERE workshop_id = %s AND kind_id IN %s AND make IN %s AND family IN %s ORDER BY +id",
        workshop_id,
        kinds,
        makes,
        families,
    )
    for *texts, fields, start, end, appliance, certainty in found:
        days = (sql.as_day(start), sql.as_day(end))
        yield (*texts, sql.as_json(fields), *days, appliance, certainty)


def places_of_numbers(
    workshop_id: int, kinds: Collection[str], folded: Collection[str]
) -> list[tuple[str, str, str, str]]:
    """Return (kind, folded number, make, family) wherever one of the numbers was seen."""
    return sql.rows(
        "SELECT DISTINCT kind_id, number_folded, make, family FROM parts_sighting "
        "WHERE workshop_id = %s AND kind_id IN %s AND number_folded IN %s AND family <> ''",
        workshop_id,
        kinds,
        folded,
    )


def printed_as(
    workshop_id: int, numbers: Mapping[str, Iterable[str]]
) -> list[tuple[str, str, str]]:
    """Return (kind, canonical, as printed) of the numbers named by kind."""
    return sql.rows(
        "SELECT kind_id, canonical, number FROM parts_partnumber "
        "WHERE workshop_id = %s AND kind_id IN %s AND canonical IN %s",
        workshop_id,
        list(numbers),
        set().union(*numbers.values()),
    )


def printed_numbers(workshop_id: int, kinds: Iterable[str]) -> dict[str, dict[str, str]]:
    """Return, for each kind, its part numbers as printed by their canonical form."""
    found: dict[str, dict[str, str]] = {kind: {} for kind in kinds}
    rows = PartNumber.of(workshop_id).filter(kind__in=list(found)).order_by("id")
    for kind, key, number in rows.values_list("kind_id", "canonical", "number"):
        found[kind][key] = number
    return found


def list_cautions(appliance: str, kinds: Iterable[str] = ()) -> list[Caution]:
    """Return the cautions for an appliance: those for all, its own, and of the named kinds."""
    general = Caution.objects.filter(kind__isnull=True)
    own = Caution.objects.filter(kind__in=list(kinds))
    rows = general.filter(appliance=appliance) | general.filter(appliance__isnull=True)
    rows = rows | own.filter(appliance=appliance) | own.filter(appliance__isnull=True)
    return list(rows.distinct().order_by("appliance_id", "hazard", "slug"))
