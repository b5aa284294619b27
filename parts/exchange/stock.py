"""parts.csv."""

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import Any

from donors.domain.model_numbers import canonical
from donors.models import Donor
from parts import codes, events, keys, numbers
from parts.grades import GRADED, STATED, STATED_REASON
from parts.models import (
    AVAILABLE,
    STATED_GRADES,
    TESTED,
    BenchTest,
    Grade,
    Part,
    PartKey,
    PartKind,
    Sighting,
)
from workshop import outbox
from workshop.bulk import bulk_save
from workshop.domain import money
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    Imported,
    Sheet,
    count,
    fill_blanks,
    set_values,
    shown,
)
from workshop.models import Workshop

_RISING = (
    Grade.NOT_GRADED,
    Grade.SCRAP,
    Grade.UNTESTED,
    Grade.TESTED_WORN,
    Grade.TESTED_GOOD,
)


class Parts(Sheet):
    kind = "parts"
    adds = "parts.Part"
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
        Column("note", cells.text(4000)),
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
        "was_bad",
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
            news = set_values(part, _part_values(row))
            if part.pk is None:
                added += 1
            elif news or part.grade != (row["grade"] or Grade.NOT_GRADED):
                part.laid_at_intake = False
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
        codes.give_codes(new)
        Part.objects.bulk_create(new, batch_size=500)
        bulk_save(old, self.written)
        tests = [
            BenchTest(
                workshop=workshop,
                part=part,
                kind_id=part.kind_id,
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
        stored = BenchTest.objects.bulk_create(tests, batch_size=500)
        test_of = {test.part_id: test for test in stored}
        for part, row in graded:
            # As stated: such a grade does not fall, for nobody knows what it rests on.
            part.grade, part.grade_test = row["grade"] or Grade.NOT_GRADED, test_of.get(part.pk)
            part.grade_reason, part.grade_falls_on = STATED_REASON if row["grade"] else "", None
        bulk_save([part for part, _ in graded], GRADED)
        keys.note_keys(PartKey, touched)
        numbers.note_numbers(touched)
        # What was laid at intake has arrived with its machine; only its facts are new.
        for event, parts in ((events.PARTS_ARRIVED, new), (events.PARTS_CHANGED, old)):
            ids = [part.pk for part in parts]
            outbox.record_in_pages(event, workshop_id=workshop.pk, key="part_ids", ids=ids)
        if any(part.number_canonical for part in touched):
            numbers.announce_knowledge(workshop.pk, (part.kind_id for part in touched))

    def key(self, row: Row) -> Mapping[str, str] | None:
        return {"ref": row["ref"]} if row["ref"] else None

    def take_along(self, workshop: Workshop, ids: Sequence[Any]) -> None:
        parts = Part.of(workshop).filter(pk__in=ids).select_related("donor")
        for part in parts:
            if part.donor is None:
                continue
            # What its machine was seen to carry: it was seen in the file alone.
            seen = Sighting.of(workshop).filter(source=Sighting.Source.DONOR)
            place = {"kind_id": part.kind_id, "position": part.position}
            seen.filter(source_ref=part.donor.ref, **place).delete()
        numbers.announce_knowledge(workshop.pk, {part.kind_id for part in parts})

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
        "was_bad": row["grade"] == Grade.SCRAP,  # nobody says more of it than that it is scrap
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
        self.tested = set(BenchTest.of(workshop).values_list("part_id", flat=True))
        # Tests done here; those an imported grade stands on are the file's own word.
        ours = BenchTest.of(workshop).exclude(method=STATED)
        self.measured = set(ours.values_list("pk", flat=True))
        self.claimed: set[int | None] = set()  # parts a row of this file spoke of
        for part in Part.of(workshop):
            part.donor = by_id.get(part.donor_id or 0)
            part.kind = self.kinds[part.kind_id]
            self.by_ref[part.ref] = part
            self.by_place[part.donor_id, part.kind_id, part.position] = part

    def place(self, row: Row) -> Part | None:
        """Return the part, new or known, the row's blanks filled from what is stored of it.

        None when the row was refused, or says nothing new of a part that is gone.
        """
        kind, donor = self._look_up(row)
        if row.problems or kind is None:
            return None
        part = self.by_ref.get(row["ref"])
        if part is not None:
            part = self._named(row, part, (donor.pk if donor else None, kind.slug))
        else:
            part = self._at_place(row, kind, donor)
        if part is None:
            return None
        if part.pk is not None:
            self.claimed.add(part.pk)
            fill_blanks(row, _stored_part(part))
        _check(row, part)
        self._refuse_raising(row, part)
        return None if row.problems else part

    def _refuse_raising(self, row: Row, part: Part) -> None:
        """Refuse a better grade than a bench test of this workshop left the part with.

        The file may be older than that test; a new test raises the grade, a file does not.
        """
        if part.grade_test_id not in self.measured or row["grade"] is None:
            return
        if _RISING.index(row["grade"]) > _RISING.index(part.grade):
            row.refuse("grade", f"is better than its bench test left it ({part.grade}); test again")

    def _named(self, row: Row, part: Part, place: tuple[int | None, str]) -> Part | None:
        """Return the part of that reference when it can still be had and is where it was."""
        if (part.donor_id, part.kind_id, part.position) != (*place, row["position"] or ""):
            row.refuse("ref", "is another part already: other donor, kind or position")
            return None
        if part.state in AVAILABLE:
            return part
        if any(row[name] not in (None, value) for name, value in _stored_part(part).items()):
            row.refuse("ref", f"is {part.get_state_display()}; it is no longer in stock")
        return None

    def _at_place(self, row: Row, kind: PartKind, donor: Donor | None) -> Part | None:
        """Return the part laid there at intake, which the row names, or else a new one."""
        place = (donor.pk if donor else None, kind.slug, row["position"] or "")
        part = self.by_place.get(place) if donor else None
        if part is None:
            part = Part(
                workshop=self.workshop,
                ref=row["ref"],
                donor=donor,
                kind=kind,
                position=place[2],
                **({"arrival": donor.arrival} if donor else {}),
            )
        elif not self._untouched(part):
            gone = "" if part.state in AVAILABLE else f" and is {part.get_state_display()}"
            row.refuse("kind", f"this donor's {kind.slug} is on record as {part.ref}{gone}")
            return None
        self.by_ref.pop(part.ref, None)
        self.by_ref[row["ref"]] = part
        if donor:
            self.by_place[place] = part
        return part

    def _untouched(self, part: Part) -> bool:
        """Return True when all that is known of a part is that its machine carries it."""
        return (
            part.laid_at_intake
            and part.state == Part.State.IN_MACHINE
            and part.grade == Grade.NOT_GRADED
            and part.pk not in self.tested
            and part.pk not in self.claimed
            and not any(_stored_part(part).values())
            and part.price_cents is None
        )

    def _look_up(self, row: Row) -> tuple[PartKind | None, Donor | None]:
        kind, donor = self.kinds.get(row["kind"] or ""), self.donors.get(row["donor_ref"] or "")
        if row["kind"] and kind is None:
            row.refuse("kind", "is no known part kind")
        if row["donor_ref"] and donor is None:
            row.refuse("donor_ref", "is no donor of this workshop; import donors first")
        return kind, donor


def _check(row: Row, part: Part) -> None:
    """Refuse what cannot be true of a part. What stands on record so is let be."""
    kind, donor = part.kind, part.donor
    new_bin = bool(row["bin"]) and (part.pk is None or row["bin"] != part.bin)
    if donor is None and row["removed_on"] is None:
        row.refuse("removed_on", "is blank; a part without a donor cannot be in a machine")
    if new_bin and row["removed_on"] is None:
        row.refuse("removed_on", "is blank; a part in a bin was removed on some day")
    if new_bin and kind.reuse == PartKind.Reuse.NEVER:
        row.refuse("bin", f"{kind.name} is never reused and cannot be shelved")
    if donor is not None and row["removed_on"] and row["removed_on"] < donor.received_on:
        row.refuse("removed_on", f"lies before the donor came in ({donor.received_on})")
