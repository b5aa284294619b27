"""fault_checks.csv: checks of a workshop's own, to be made before a part is blamed."""

from collections.abc import Iterable, Mapping
from datetime import datetime

from donors import plates
from matching.domain.diagnosis.fault_codes import read_suspects, suspects_text
from matching.faults import own_checks, tables
from matching.faults.own_checks import CheckFacts
from matching.models import WorkshopCheck
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

Key = tuple[str, str]
OPTIONAL = ("finds", "clear", "otherwise", "cautions", "opens", "instrument", "source")


def _key(appliance: str, do: str | None) -> Key:
    return (appliance, (do or "").casefold())


def number(cell: str) -> float:
    """Parse a plain decimal number."""
    try:
        return float(cells.text(20)(cell))
    except ValueError as bad:
        raise ValueError("is no number; write it like 0.05") from bad


def _chances(cell: str) -> dict[str, float]:
    try:
        return read_suspects(cells.text(cells.LONGEST_CELL)(cell))
    except ValueRefused as refused:
        raise ValueError(f"is refused: {refused.fields['suspects']}") from refused


class FaultCheckSheet(Sheet):
    """One row a check, told apart by appliance and words. A retired one stays retired."""

    kind = "fault_checks"
    columns = (
        Column("appliance", cells.text(40), required=True),
        Column("do", cells.text(300), required=True),
        Column("minutes", number, required=True),
        Column("suspects", _chances, required=True),
        Column("otherwise", number),
        Column("finds", cells.text(80)),
        Column("clear", cells.text(80)),
        Column("cautions", cells.word_list),
        Column("opens", cells.yes_no),
        Column("instrument", cells.text(80)),
        Column("source", cells.text(200)),
    )

    def load(self, workshop: Workshop, rows: list[Row], *, at: datetime) -> Imported:
        appliances = plates.appliance_slugs()
        cautions = {slug: own_checks.cautions_of(slug) for slug in appliances}
        own = list(WorkshopCheck.of(workshop).exclude(do=""))
        stored = {_key(one.appliance_id, one.do): one for one in own}
        taken = {one.slug for one in own} | set(tables.delivered().checks)
        words = {(one.appliance_id, own_checks.words_of(one.do)) for one in own}
        guide = {
            (one.appliance, own_checks.words_of(one.do))
            for one in tables.delivered().checks.values()
        }
        seen: dict[Key, int] = {}
        new, changed = [], []
        for row in rows:
            appliance = row["appliance"] or ""
            if appliance and appliance not in appliances:
                row.refuse("appliance", "is no known kind of machine")
                continue
            key, said = (
                _key(appliance, row["do"]),
                (appliance, own_checks.words_of(row["do"] or "")),
            )
            there = stored.get(key)
            facts = self._facts(row, appliance, there, cautions.get(appliance, {}))
            if facts is None:
                continue
            if said in guide:
                row.refuse("do", "is a check of the guide; set its minutes on the page of checks")
            elif key in seen:
                row.refuse("do", f"stands in row {seen[key]} already")
            elif there is None and said in words:
                row.refuse("do", "says the same as another check; write it as it stands there")
            seen[key] = row.number
            values = own_checks.check_values(appliance, facts)
            if there is None:
                slug = own_checks.free_slug(appliance, facts.do, taken)
                taken.add(slug)
                words.add(said)
                new.append(WorkshopCheck(workshop=workshop, slug=slug, changed_at=at, **values))
            elif set_values(there, values):
                there.changed_at, there.changed_by = at, None
                changed.append(there)
        if any(row.problems for row in rows):
            return Imported()
        WorkshopCheck.objects.bulk_create(new, batch_size=500)
        for one in changed:
            one.save()
        return count(rows, len(new), len(changed))

    def _facts(
        self, row: Row, appliance: str, there: WorkshopCheck | None, cautions: Mapping[str, str]
    ) -> CheckFacts | None:
        needed = ("appliance", "do", "minutes", "suspects")
        if any(row[name] is None for name in needed):
            return None  # said already, cell by cell
        if there is not None:
            fill_blanks(row, {name: getattr(there, name) for name in OPTIONAL})
        given = {name: row[name] for name in OPTIONAL if row[name] is not None}
        facts = CheckFacts(
            do=row["do"],
            minutes=row["minutes"],
            suspects=row["suspects"],
            hidden=there is not None and there.hidden,
            **given,
        )
        try:
            own_checks.refuse_check(appliance, facts, cautions)
        except InputRefused as bad:
            refuse(row, bad)
            return None
        return facts

    def dump(self, workshop: Workshop) -> Iterable[Mapping[str, str]]:
        rows = WorkshopCheck.of(workshop).filter(hidden=False).exclude(do="")
        for row in rows.order_by("appliance", "slug", "id"):
            yield {
                "appliance": row.appliance_id,
                "do": row.do,
                "minutes": f"{row.minutes:.10g}",
                "suspects": suspects_text(row.suspects),
                "otherwise": f"{row.otherwise:.10g}",
                "finds": row.finds,
                "clear": row.clear,
                "cautions": "|".join(row.cautions),
                "opens": str(int(row.opens)),
                "instrument": row.instrument,
                "source": row.source,
            }


register(FaultCheckSheet())
