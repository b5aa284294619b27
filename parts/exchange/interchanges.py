"""interchange.csv."""

from collections.abc import Iterable, Mapping
from datetime import datetime

from donors.domain.model_numbers import canonical
from parts import numbers
from parts.domain.interchange import Edge, InterchangeGraph
from parts.models import (
    Interchange,
    PartKind,
    PartNumber,
)
from workshop.bulk import bulk_save
from workshop.errors import DomainError
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row
from workshop.exchange.sheets import (
    Imported,
    Sheet,
    count,
    fill_blanks,
    refuse,
    set_values,
)
from workshop.models import Workshop

Key = tuple[str, str, str]  # kind, from, to
WRITTEN = ["both_ways", "note"]


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
        numbers.lock_interchanges(workshop.pk)
        stored = Interchange.of(workshop).select_related("from_number", "to_number")
        known = {
            (r.kind_id, r.from_number.canonical, r.to_number.canonical): r
            for r in stored.order_by("id")
        }
        told = self._told(rows, kinds, known)
        graphs = _graphs_beside(known, told, kinds)
        added: dict[Key, Row] = {}
        changed: list[Interchange] = []
        for key, row in told.items():
            there, both_ways = known.get(key), bool(row["both_ways"])
            if there is None or there.both_ways != both_ways:
                self._add_edge(row, key, graphs[key[0]], both_ways=both_ways)
            if there is None:
                added[key] = row
            elif set_values(there, {"both_ways": both_ways, "note": row["note"] or ""}):
                changed.append(there)
        if any(row.problems for row in rows):
            return Imported()
        self._write(workshop, added, changed)
        return count(rows, len(added), len(changed))

    def _told(
        self,
        rows: Iterable[Row],
        kinds: set[str],
        known: Mapping[Key, Interchange],
    ) -> dict[Key, Row]:
        """Return the rows by relation, blanks filled from what is stored of it."""
        told: dict[Key, Row] = {}
        for row in rows:
            key = self._key(row, kinds)
            if key in told:
                row.refuse("to_number", "stands twice in this file")
            elif key is not None:
                told[key] = row
            if key is not None and key in known:
                fill_blanks(row, {name: getattr(known[key], name) for name in WRITTEN})
        return told

    def graphs(self, rows: Iterable[Row], kinds: set[str]) -> dict[str, InterchangeGraph]:
        """Return the graph of each kind as the rows alone tell it; storing nothing.

        What is wrong is noted on its row.
        """
        found = {kind: InterchangeGraph() for kind in kinds}
        seen: set[Key] = set()
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

    def _key(self, row: Row, kinds: set[str]) -> Key | None:
        if row["kind"] is not None and row["kind"] not in kinds:
            row.refuse("kind", "is no known part kind")
        if row.problems:
            return None
        return (row["kind"], canonical(row["from_number"]), canonical(row["to_number"]))

    def _add_edge(self, row: Row, key: Key, graph: InterchangeGraph, *, both_ways: bool) -> None:
        edge = Edge(key[1], key[2], both_ways)
        try:
            numbers.refuse_bad_edge(edge, graph)
        except DomainError as bad:
            refuse(row, bad)
        else:
            graph.add(edge)

    def _write(
        self,
        workshop: Workshop,
        added: dict[Key, Row],
        changed: list[Interchange],
    ) -> None:
        printed = {
            (kind, key): row[column]
            for (kind, *ends), row in added.items()
            for key, column in zip(ends, ("from_number", "to_number"), strict=True)
        }
        PartNumber.objects.bulk_create(
            [
                PartNumber(workshop=workshop, kind_id=kind, number=raw, canonical=key)
                for (kind, key), raw in printed.items()
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
        bulk_save(changed, WRITTEN)
        touched = {kind for kind, *_ in added} | {row.kind_id for row in changed}
        numbers.announce_knowledge(workshop.pk, touched)

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


def _graphs_beside(
    known: Mapping[Key, Interchange], told: Mapping[Key, Row], kinds: Iterable[str]
) -> dict[str, InterchangeGraph]:
    """Return the graph of each kind as stored, without the relations whose direction is new."""
    edges: dict[str, list[Edge]] = {kind: [] for kind in kinds}
    for key, row in known.items():
        if key not in told or bool(told[key]["both_ways"]) == row.both_ways:
            edges[key[0]].append(Edge(key[1], key[2], row.both_ways))
    return {kind: InterchangeGraph.of(found) for kind, found in edges.items()}
