"""fault_codes.csv: a workshop's own codes by make and range."""

from collections.abc import Iterable, Mapping
from datetime import datetime

from donors import plates
from donors.catalogue import Catalogue
from donors.models import Make
from matching.domain.diagnosis.fault_codes import COLUMNS, read_suspects, suspects_text
from matching.fault_models import Standing
from matching.faults import editing, tables
from matching.faults.editing import CodeFacts
from matching.models import FaultCode
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused
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
)
from workshop.models import Workshop

Key = tuple[int, str, str, str]


def _suspects(cell: str) -> dict[str, float]:
    try:
        return read_suspects(cells.text(cells.LONGEST_CELL)(cell))
    except ValueRefused as refused:
        raise ValueError(f"is refused: {refused.fields['suspects']}") from refused


class FaultCodeSheet(Sheet):
    """One row a code. A code hidden here stays hidden; its checks and source stay as they are."""

    kind = "fault_codes"
    columns = (
        Column("make", cells.text(80), required=True),
        Column("range", cells.text(60)),
        Column("appliance", cells.text(40), required=True),
        Column("code", cells.text(20), required=True),
        Column("meaning", cells.text(200)),
        Column("suspects", _suspects, required=True),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        catalogue, appliances = Catalogue.load(workshop), plates.appliance_slugs()
        stored = {_key(row.make_id, row): row for row in FaultCode.of(workshop)}
        seen: dict[Key, int] = {}
        new, changed = [], []
        for row in rows:
            make = self._make(row, catalogue)
            if row["appliance"] and row["appliance"] not in appliances:
                row.refuse("appliance", "is no known kind of machine")
                continue
            facts = None if make is None else self._facts(row, make)
            if make is None or facts is None:
                continue
            values = editing.code_values(facts)
            key = (make.pk, facts.appliance, values["code_key"], values["range_key"])
            if key in seen:
                row.refuse("code", f"stands in row {seen[key]} already, for the same machines")
                continue
            seen[key] = row.number
            there = stored.get(key)
            if there is None:
                new.append(FaultCode(workshop=workshop, make=make, changed_at=at, **values))
                continue
            fill_blanks(row, {"meaning": there.meaning})
            values["meaning"] = row["meaning"] or ""
            kept = {name: values[name] for name in ("range", "code", "meaning", "suspects")}
            if set_values(there, kept):
                there.changed_at, there.changed_by = at, None
                changed.append(there)
        if any(row.problems for row in rows):
            return Imported()
        FaultCode.objects.bulk_create(new, batch_size=500)
        for one in changed:
            one.save()
        return count(rows, len(new), len(changed))

    def _make(self, row: Row, catalogue: Catalogue) -> Make | None:
        try:
            return plates.find_make(catalogue, row["make"] or "")
        except InputRefused as bad:
            refuse(row, bad)
            return None

    def _facts(self, row: Row, make: Make) -> CodeFacts | None:
        if not row["appliance"] or not row["code"] or not row["suspects"]:
            return None  # said already, cell by cell
        facts = CodeFacts(
            make=make.name,
            appliance=row["appliance"],
            code=row["code"],
            suspects=row["suspects"],
            range=row["range"] or "",
            meaning=row["meaning"] or "",
            standing=Standing.OWN.value,
        )
        try:
            editing.refuse_code(facts)
        except InputRefused as bad:
            refuse(row, bad)
            return None
        return facts

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        for row in tables.list_codes(workshop).filter(hidden=False):
            cells_of = (
                row.make.name,
                row.range,
                row.appliance_id,
                row.code,
                row.meaning,
                suspects_text(row.suspects),
            )
            yield dict(zip(COLUMNS, cells_of, strict=True))


def _key(make_id: int, row: FaultCode) -> Key:
    return (make_id, row.appliance_id, row.code_key, row.range_key)


register(FaultCodeSheet())
