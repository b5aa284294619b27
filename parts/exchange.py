"""donors.csv, parts.csv and interchange.csv. (A donor's import lays its parts, hence here.)"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Any

from donors import events as donor_events
from donors import plates
from donors import services as donor_services
from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical
from donors.models import Donor, FailureCause
from donors.plates import Plate
from parts import events, services
from parts.domain.interchange import Edge, InterchangeGraph
from parts.models import (
    AVAILABLE,
    STATED_GRADES,
    TESTED,
    BenchTest,
    Grade,
    Interchange,
    Part,
    PartKind,
    PartNumber,
)
from workshop import outbox
from workshop.bulk import bulk_save
from workshop.domain import money
from workshop.errors import DomainError, InputRefused
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    Imported,
    Sheet,
    count,
    fill_blanks,
    refuse,
    register,
    set_values,
    shown,
)
from workshop.models import Workshop

# The columns of a machine, shared by donors.csv and jobs.csv.
MACHINE = (
    Column("appliance", cells.text(40)),
    Column("make", cells.text(80)),
    Column("model_number", cells.text(80)),
    Column("serial_number", cells.text(60)),
    Column("built_from", cells.day),
    Column("built_to", cells.day),
)
# A test that came with an imported grade: the file says it was tested, not how.
STATED = "stated in an imported file"


def plate_of(row: Row) -> Plate:
    """Return the plate a row describes."""
    return Plate(
        appliance=row["appliance"] or "",
        make=row["make"] or "",
        model_number=row["model_number"] or "",
        serial_number=row["serial_number"] or "",
        built_from=row["built_from"],
        built_to=row["built_to"],
    )


def machine_values(row: Row, catalogue: Catalogue, appliances: set[str]) -> dict[str, Any] | None:
    """Return the machine columns of a row; None when something was refused (noted on it)."""
    try:
        values, _ = plates.columns(
            catalogue, plate_of(row), appliances=appliances, may_be_blank=True
        )
    except InputRefused as bad:
        refuse(row, bad)
        return None
    return values


def stored_machine(machine: Any) -> dict[str, Any]:
    """Return what is stored of a machine's plate, by column."""
    return {
        "appliance": machine.appliance_id,
        "make": machine.make_as_read,
        "model_number": machine.model_number,
        "serial_number": machine.serial_number,
        "built_from": machine.built_from,
        "built_to": machine.built_to,
    }


def machine_cells(machine: Any) -> dict[str, str]:
    """Return a machine as cells: the plate as it was read."""
    return {name: shown(value) for name, value in stored_machine(machine).items()}


class Donors(Sheet):
    kind = "donors"
    columns = (
        Column("ref", cells.reference(40), required=True),
        *MACHINE,
        Column("received_on", cells.day, required=True),
        Column("cause", cells.text(40)),
        Column("note", cells.text(2000)),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        catalogue, appliances = Catalogue.load(workshop), plates.appliance_slugs()
        causes = {(c.appliance_id, c.slug): c.pk for c in FailureCause.objects.all()}
        known = {d.ref: d for d in Donor.of(workshop).select_related("cause")}
        added: dict[str, Donor] = {}
        changed: list[Donor] = []
        for row in rows:
            donor = known.get(row["ref"])
            if donor is not None:
                fill_blanks(row, _stored_donor(donor))
            values = self._values(row, catalogue, appliances, causes)
            if row["ref"] in added:
                row.refuse("ref", "stands twice in this file")
            if values is None or row.problems:
                continue
            if donor is None:
                added[row["ref"]] = Donor(workshop=workshop, ref=row["ref"], **values)
            elif set_values(donor, _unconfirmed(donor, values)):
                changed.append(donor)
        if any(row.problems for row in rows):
            return Imported()
        services.lay_parts(Donor.objects.bulk_create(added.values(), batch_size=500))
        if changed:
            columns = list(self._written())
            bulk_save(changed, columns)
        self._announce(added.values(), donor_events.DONOR_RECEIVED)
        self._announce(changed, donor_events.DONOR_CHANGED)
        written = [*added.values(), *changed]
        return count(rows, len(added), len(changed), machines=written)

    def _values(
        self,
        row: Row,
        catalogue: Catalogue,
        appliances: set[str],
        causes: dict[tuple[str, str], int],
    ) -> dict[str, Any] | None:
        if row["received_on"] is None or row["ref"] is None:
            return None
        values = machine_values(row, catalogue, appliances)
        if values is None:
            return None
        cause = causes.get((values["appliance_id"], row["cause"] or ""))
        if row["cause"] and cause is None:
            there = [slug for appliance, slug in causes if appliance == values["appliance_id"]]
            row.refuse("cause", f"is none of: {', '.join(there)}")
        if row["built_from"] and row["received_on"] < row["built_from"]:
            row.refuse("received_on", f"lies before the machine was built ({row['built_from']})")
        return {
            **values,
            "received_on": row["received_on"],
            "cause_id": cause,
            "note": row["note"] or "",
        }

    def _announce(self, donors: Iterable[Donor], kind: str) -> None:
        for donor in donors:
            outbox.record(kind, workshop_id=donor.workshop_id, payload={"donor_id": donor.pk})

    @staticmethod
    def _written() -> Iterable[str]:
        return [
            "appliance_id",
            "make_id",
            "make_as_read",
            "make_is_guess",
            "model_number",
            "model_canonical",
            "recognised_id",
            "recognised_how",
            "likely_number",
            "family",
            "fields",
            "certainty",
            "serial_number",
            "built_from",
            "built_to",
            "received_on",
            "cause_id",
            "note",
        ]

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        for donor in Donor.of(workshop).select_related("cause").order_by("ref"):
            yield {
                "ref": donor.ref,
                **machine_cells(donor),
                "received_on": shown(donor.received_on),
                "cause": donor.cause.slug if donor.cause else "",
                "note": donor.note,
            }


def _stored_donor(donor: Donor) -> dict[str, Any]:
    return {
        **stored_machine(donor),
        "received_on": donor.received_on,
        "cause": donor.cause.slug if donor.cause else None,
        "note": donor.note,
    }


def _unconfirmed(donor: Donor, values: dict[str, Any]) -> dict[str, Any]:
    """Return the values to store: what a person confirmed is not recognised over again."""
    if donor.confirmed and donor.model_number == values["model_number"]:
        kept = {*donor_services.RECOGNISED_COLUMNS, "make_id", "recognised_id"}
        return {name: value for name, value in values.items() if name not in kept}
    return values


class Parts(Sheet):
    kind = "parts"
    columns = (
        Column("ref", cells.reference(130), required=True),
        Column("donor_ref", cells.text(40)),
        Column("kind", cells.text(40), required=True),
        Column("position", cells.text(40)),
        Column("part_number", cells.text(80)),
        Column("grade", cells.one_of(*STATED_GRADES)),
        Column("bin", cells.text(40)),
        Column("price", cells.cents),
        Column("removed_on", cells.day),
        Column("attributes", cells.attributes),
        Column("note", cells.text(2000)),
    )
    written = (
        "ref",
        "state",
        "part_number",
        "number_canonical",
        "attributes",
        "bin",
        "price_cents",
        "removed_on",
        "note",
        "laid_at_intake",
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        stock = _Stock(workshop)
        touched: dict[str, Part] = {}
        graded: list[tuple[Part, Row]] = []
        added = changed = 0
        for row in rows:
            part = stock.place(row)
            if part is None:
                continue
            if row["ref"] in touched:
                row.refuse("ref", "stands twice in this file")
                continue
            if part.pk is not None and not part.laid_at_intake:
                fill_blanks(row, _stored_part(part))
            values = _part_values(row)
            if part.pk is None:
                set_values(part, values)
                added += 1
            elif set_values(part, values) | (part.grade != (row["grade"] or Grade.NOT_GRADED)):
                changed += 1
            else:
                continue
            touched[row["ref"]] = part
            if part.grade != (row["grade"] or Grade.NOT_GRADED):
                graded.append((part, row))
        if any(row.problems for row in rows):
            return Imported()
        self._write(workshop, list(touched.values()), graded, at=at)
        return count(rows, added, changed)

    def _write(
        self,
        workshop: Workshop,
        touched: list[Part],
        graded: list[tuple[Part, Row]],
        *,
        at: datetime,
    ) -> None:
        if not touched:
            return
        new = [part for part in touched if part.pk is None]
        old = [part for part in touched if part.pk is not None]
        Part.objects.bulk_create(new, batch_size=500)
        bulk_save(old, self.written)
        tests = [
            BenchTest(
                workshop=workshop,
                part=part,
                tested_on=row["removed_on"] or at.date(),
                verdict={
                    Grade.TESTED_GOOD: BenchTest.Verdict.GOOD,
                    Grade.TESTED_WORN: BenchTest.Verdict.WORN,
                }[row["grade"]],
                method=STATED,
            )
            for part, row in graded
            if row["grade"] in TESTED
        ]
        for test in BenchTest.objects.bulk_create(tests, batch_size=500):
            test.part.grade, test.part.grade_test = services.GRADE_OF[test.verdict], test
        for part, row in graded:
            if row["grade"] not in TESTED:
                part.grade, part.grade_test = row["grade"] or Grade.NOT_GRADED, None
        bulk_save([part for part, _ in graded], ["grade", "grade_test"])
        services.note_numbers(touched)
        # What was laid at intake has arrived with its machine; only its facts are new.
        for event, parts in ((events.PARTS_ARRIVED, new), (events.PARTS_CHANGED, old)):
            ids = [part.pk for part in parts]
            outbox.record_in_pages(event, workshop_id=workshop.pk, key="part_ids", ids=ids)
        if any(part.number_canonical for part in touched):
            services.announce_knowledge(workshop.pk, (part.kind_id for part in touched))

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        """Yield what is in stock: fitted and sold parts are history, not stock."""
        rows = Part.of(workshop).filter(state__in=AVAILABLE).select_related("donor")
        for part in rows.order_by("ref"):
            yield {
                "ref": part.ref,
                "donor_ref": part.donor.ref if part.donor else "",
                "kind": part.kind_id,
                "position": part.position,
                "part_number": part.part_number,
                "grade": part.grade if part.grade in STATED_GRADES else "",
                "bin": part.bin,
                "price": money.to_text(part.price_cents),
                "removed_on": shown(part.removed_on),
                "attributes": cells.attributes_text(part.attributes),
                "note": part.note,
            }


def _stored_part(part: Part) -> dict[str, Any]:
    return {
        "part_number": part.part_number,
        "grade": part.grade if part.grade in STATED_GRADES else None,
        "bin": part.bin,
        "price": part.price_cents,
        "removed_on": part.removed_on,
        "attributes": part.attributes or None,
        "note": part.note,
    }


def _part_values(row: Row) -> dict[str, Any]:
    out = row["removed_on"] is not None
    state = Part.State.SHELVED if row["bin"] else Part.State.REMOVED
    return {
        "ref": row["ref"],
        "state": state if out else Part.State.IN_MACHINE,
        "part_number": row["part_number"] or "",
        "number_canonical": canonical(row["part_number"]),
        "attributes": row["attributes"] or {},
        "bin": row["bin"] or "",
        "price_cents": row["price"],
        "removed_on": row["removed_on"],
        "note": row["note"] or "",
        "laid_at_intake": False,
    }


class _Stock:
    """Finds the part a row speaks of: by reference, else by its place in the donor."""

    def __init__(self, workshop: Workshop) -> None:
        self.workshop = workshop
        self.donors = {d.ref: d for d in Donor.of(workshop).select_related("make")}
        by_id = {donor.pk: donor for donor in self.donors.values()}
        self.kinds = {kind.slug: kind for kind in PartKind.objects.all()}
        self.by_ref: dict[str, Part] = {}
        self.by_place: dict[tuple[int | None, str, str], Part] = {}
        for part in Part.of(workshop):
            part.donor = by_id.get(part.donor_id or 0)
            self.by_ref[part.ref] = part
            self.by_place[part.donor_id, part.kind_id, part.position] = part

    def place(self, row: Row) -> Part | None:
        """Return the part, new or known; None when the row was refused."""
        kind, donor = self._check(row)
        if row.problems or kind is None:
            return None
        position = row["position"] or ""
        place = (donor.pk if donor else None, kind.slug, position)
        named = self.by_ref.get(row["ref"])
        if named is not None:
            if (named.donor_id, named.kind_id, named.position) != place:
                row.refuse("ref", "is another part already: other donor, kind or position")
                return None
            if named.state not in AVAILABLE:
                row.refuse("ref", f"is {named.get_state_display()}; it is no longer in stock")
                return None
            return named
        there = self.by_place.get(place) if donor else None
        if there is not None and not there.laid_at_intake:
            row.refuse("kind", f"this donor's {kind.slug} is on record as {there.ref}")
            return None
        part = there or Part(
            workshop=self.workshop,
            ref=row["ref"],
            donor=donor,
            kind=kind,
            position=position,
            **({"arrival": donor.arrival} if donor else {}),
        )
        self.by_ref[row["ref"]] = part
        if donor:
            self.by_place[place] = part
        return part

    def _check(self, row: Row) -> tuple[PartKind | None, Donor | None]:
        kind, donor = self.kinds.get(row["kind"] or ""), self.donors.get(row["donor_ref"] or "")
        if row["kind"] and kind is None:
            row.refuse("kind", "is no known part kind")
        if row["donor_ref"] and donor is None:
            row.refuse("donor_ref", "is no donor of this workshop; import donors first")
        if not row["donor_ref"] and row["removed_on"] is None:
            row.refuse("removed_on", "is blank; a part without a donor cannot be in a machine")
        if row["bin"] and row["removed_on"] is None:
            row.refuse("removed_on", "is blank; a part in a bin was removed on some day")
        if kind is not None and row["bin"] and kind.reuse == PartKind.Reuse.NEVER:
            row.refuse("bin", f"{kind.name} is never reused and cannot be shelved")
        if donor is not None and row["removed_on"] and row["removed_on"] < donor.received_on:
            row.refuse("removed_on", f"lies before the donor came in ({donor.received_on})")
        return kind, donor


class Interchanges(Sheet):
    kind = "interchange"
    columns = (
        Column("kind", cells.text(40), required=True),
        Column("from_number", cells.text(80), required=True),
        Column("to_number", cells.text(80), required=True),
        Column("both_ways", cells.yes_no),
        Column("note", cells.text(200)),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        kinds = set(PartKind.objects.values_list("slug", flat=True))
        known = {
            (r.kind_id, r.from_number.canonical, r.to_number.canonical): r
            for r in Interchange.of(workshop).select_related("from_number", "to_number")
        }
        graphs = services.interchange_graphs(workshop.pk, kinds)
        added: dict[tuple[str, str, str], Row] = {}
        changed: list[Interchange] = []
        for row in rows:
            key = self._key(row, kinds)
            if key is None:
                continue
            both_ways = bool(row["both_ways"])
            values = {"both_ways": both_ways, "note": row["note"] or ""}
            if key in known:
                if set_values(known[key], values):
                    changed.append(known[key])
            elif key in added:
                row.refuse("to_number", "stands twice in this file")
            elif self._add_edge(row, key, graphs[key[0]], both_ways=both_ways):
                added[key] = row
        if any(row.problems for row in rows):
            return Imported()
        self._write(workshop, added, changed)
        return count(rows, len(added), len(changed))

    def graphs(self, rows: Iterable[Row], kinds: set[str]) -> dict[str, InterchangeGraph]:
        """Return the graph of each kind as the rows alone tell it; storing nothing.

        What is wrong is noted on its row.
        """
        found = {kind: InterchangeGraph() for kind in kinds}
        seen: set[tuple[str, str, str]] = set()
        for row in rows:
            key = self._key(row, kinds)
            if key is None:
                continue
            if key in seen:
                row.refuse("to_number", "stands twice in this file")
                continue
            seen.add(key)
            self._add_edge(row, key, found[key[0]], both_ways=bool(row["both_ways"]))
        return found

    def _key(self, row: Row, kinds: set[str]) -> tuple[str, str, str] | None:
        if row["kind"] is not None and row["kind"] not in kinds:
            row.refuse("kind", "is no known part kind")
        if row.problems:
            return None
        return (row["kind"], canonical(row["from_number"]), canonical(row["to_number"]))

    def _add_edge(
        self, row: Row, key: tuple[str, str, str], graph: InterchangeGraph, *, both_ways: bool
    ) -> bool:
        edge = Edge(key[1], key[2], both_ways)
        try:
            services.refuse_bad_edge(edge, graph)
        except DomainError as bad:
            refuse(row, bad)
            return False
        graph.add(edge)
        return True

    def _write(
        self,
        workshop: Workshop,
        added: dict[tuple[str, str, str], Row],
        changed: list[Interchange],
    ) -> None:
        numbers = {
            (kind, key): row[column]
            for (kind, *ends), row in added.items()
            for key, column in zip(ends, ("from_number", "to_number"), strict=True)
        }
        PartNumber.objects.bulk_create(
            [
                PartNumber(workshop=workshop, kind_id=kind, number=raw, canonical=key)
                for (kind, key), raw in numbers.items()
            ],
            ignore_conflicts=True,
            batch_size=500,
        )
        ids = {(n.kind_id, n.canonical): n.pk for n in PartNumber.of(workshop)}
        Interchange.objects.bulk_create(
            [
                Interchange(
                    workshop=workshop,
                    kind_id=kind,
                    from_number_id=ids[kind, from_],
                    to_number_id=ids[kind, to],
                    both_ways=bool(row["both_ways"]),
                    note=row["note"] or "",
                )
                for (kind, from_, to), row in added.items()
            ],
            batch_size=500,
        )
        bulk_save(changed, ["both_ways", "note"])
        touched = {kind for kind, *_ in added} | {row.kind_id for row in changed}
        services.announce_knowledge(workshop.pk, touched)

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        rows = Interchange.of(workshop).select_related("from_number", "to_number")
        for row in rows.order_by("kind", "from_number__canonical", "to_number__canonical"):
            yield {
                "kind": row.kind_id,
                "from_number": row.from_number.number,
                "to_number": row.to_number.number,
                "both_ways": str(int(row.both_ways)),
                "note": row.note,
            }


register(Donors())
register(Parts())
register(Interchanges())
