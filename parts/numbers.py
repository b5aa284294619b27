"""Writes on part numbers: where they were seen, and which goes in for which."""

from collections.abc import Collection, Iterable, Sequence
from typing import Any

from django.db import transaction

from donors.domain.model_numbers import canonical
from parts import events
from parts.domain.interchange import Edge, InterchangeGraph
from parts.models import (
    Interchange,
    Part,
    PartNumber,
    Sighting,
)
from parts.selectors import get_interchange, get_kind
from workshop import outbox, sql
from workshop.errors import Conflict, InputRefused
from workshop.models import Workshop


def note_numbers(parts: Iterable[Part]) -> set[str]:
    """Remember the part numbers seen and where. Parts need donor and its make loaded.

    Returns the kinds of which something new was seen.
    """
    known = [part for part in parts if part.number_canonical]
    note_printed(known)
    return note_sightings(
        sighting_of(part.donor, part, source=Sighting.Source.DONOR)
        for part in known
        if part.donor is not None
    )


def note_printed(rows: Iterable[Any]) -> None:
    """Remember part numbers as they are printed, on parts or on jobs' own parts (needs)."""
    numbers = {
        (row.workshop_id, row.kind_id, row.number_canonical): PartNumber(
            workshop_id=row.workshop_id,
            kind_id=row.kind_id,
            number=row.part_number,
            canonical=row.number_canonical,
        )
        for row in rows
    }
    PartNumber.objects.bulk_create(numbers.values(), ignore_conflicts=True, batch_size=500)


def sighting_of(machine: Any, seen: Any, *, source: Sighting.Source) -> Sighting:
    """Return the sighting of a number in a machine (a donor or a job, with make loaded)."""
    return Sighting(
        workshop_id=machine.workshop_id,
        kind_id=seen.kind_id,
        position=seen.position,
        number_canonical=seen.number_canonical,
        source=source,
        source_ref=machine.ref,
        make=machine.make.name if machine.make else "",
        model_canonical=machine.likely_number or machine.model_canonical,
        family=machine.family,
        fields=machine.fields,
        built_from=machine.built_from,
        built_to=machine.built_to,
        appliance_id=machine.appliance_id,
        certainty=machine.certainty,
    )


def note_sightings(sightings: Iterable[Sighting]) -> set[str]:
    """Store sightings; one already there from the same machine is brought up to date.

    Returns the kinds whose sightings say something new.
    """
    by_key = {(s.workshop_id, s.source, s.source_ref, s.kind_id, s.position): s for s in sightings}
    news = _kinds_with_news(by_key.values())
    Sighting.objects.bulk_create(
        by_key.values(),
        update_conflicts=True,
        unique_fields=["workshop", "source", "source_ref", "kind", "position"],
        update_fields=[
            "number_canonical",
            "make",
            "model_canonical",
            "family",
            "fields",
            "built_from",
            "built_to",
            "appliance",
            "certainty",
        ],
        batch_size=500,
    )
    return news


def forget_sightings(
    workshop_id: int, *, source: Sighting.Source, ref: str, but: Collection[tuple[str, str]] = ()
) -> set[str]:
    """Take away what a machine was said to carry, except at these (kind, position).

    Returns the kinds of what went.
    """
    rows = Sighting.of(workshop_id).filter(source=source, source_ref=ref)
    gone = {
        pk: kind
        for pk, kind, position in rows.values_list("id", "kind_id", "position")
        if (kind, position) not in but
    }
    rows.filter(pk__in=list(gone)).delete()
    return set(gone.values())


def _kinds_with_news(sightings: Iterable[Sighting]) -> set[str]:
    """Return the kinds of sightings that are not stored yet just as they are."""
    rows = list(sightings)
    if not rows:
        return set()
    columns = ("source", "source_ref", "kind_id", "position", "number_canonical", "family")
    stored = set(
        Sighting.of(rows[0].workshop_id)
        .filter(source_ref__in={row.source_ref for row in rows})
        .values_list(*columns)
    )
    return {r.kind_id for r in rows if tuple(getattr(r, c) for c in columns) not in stored}


@transaction.atomic
def add_interchange(
    *,
    workshop: Workshop,
    kind: str,
    from_number: str,
    to_number: str,
    both_ways: bool = False,
    note: str = "",
) -> Interchange:
    """Record that `to_number` goes in where `from_number` is asked for.

    Raises InputRefused for a blank number or a contradiction (the path is named), Conflict
    when known.
    """
    known_kind = get_kind(kind)
    lock_interchanges(workshop.pk)
    edge = Edge(canonical(from_number), canonical(to_number), both_ways)
    if _on_record(workshop, kind, edge):
        raise Conflict(f"{from_number} > {to_number} is already on record.")
    refuse_bad_edge(edge, interchange_graph(workshop.pk, kind))
    ends = [_part_number(workshop, kind, number) for number in (from_number, to_number)]
    row: Interchange = Interchange.objects.create(
        workshop=workshop,
        kind=known_kind,
        from_number=ends[0],
        to_number=ends[1],
        both_ways=both_ways,
        note=note,
    )
    announce_knowledge(workshop.pk, [kind])
    return row


def _on_record(workshop: Workshop, kind: str, edge: Edge) -> bool:
    rows = Interchange.of(workshop).filter(kind=kind, from_number__canonical=edge.from_)
    return bool(rows.filter(to_number__canonical=edge.to).exists())


@transaction.atomic
def remove_interchange(*, workshop: Workshop, interchange_id: int) -> None:
    """Take a relation off the record; needs of its kind are matched anew. Raises NotFound."""
    lock_interchanges(workshop.pk)
    row = get_interchange(workshop, interchange_id)
    row.delete()
    announce_knowledge(workshop.pk, [row.kind_id])


def lock_interchanges(workshop_id: int) -> None:
    """Let one writer of a workshop's relations in at a time, until the transaction ends.

    Two writers adding the two halves of a circle would each see the half that is on record
    only. (On SQLite the transaction itself lets no second writer in.)
    """
    Workshop.objects.select_for_update(no_key=True).get(pk=workshop_id)


def refuse_bad_edge(edge: Edge, graph: InterchangeGraph) -> None:
    """Raise InputRefused when a relation says nothing or contradicts others; the path is named."""
    if not edge.from_ or not edge.to:
        raise InputRefused(
            "Both part numbers are needed.", fields={"to_number": "Both numbers are needed."}
        )
    if edge.from_ == edge.to:
        raise InputRefused(
            f"{edge.from_} cannot be interchanged with itself.",
            fields={"to_number": "The same number as the other one."},
        )
    circle = graph.contradiction(edge)
    if not circle:
        return
    path = graph.told(circle, edge)
    if edge.both_ways:
        cure = "A one-way relation says that the reverse does not hold; take it off first."
    else:
        cure = "One way says that the reverse does not hold, and this says it does."
    raise InputRefused(
        f"{graph.told([edge.from_, edge.to], edge)} would run in a circle: {path}. {cure}",
        fields={"to_number": f"Runs in a circle: {path}."},
    )


def interchange_graph(workshop_id: int, kind: str) -> InterchangeGraph:
    """Return the interchange graph of one kind."""
    return interchange_graphs(workshop_id, [kind])[kind]


def interchange_graphs(workshop_id: int, kinds: Iterable[str]) -> dict[str, InterchangeGraph]:
    """Return the interchange graph of each kind: one query for all of them."""
    edges: dict[str, list[Edge]] = {kind: [] for kind in kinds}
    columns = ("kind_id", "from_number__canonical", "to_number__canonical", "both_ways")
    rows = Interchange.of(workshop_id).filter(kind__in=list(edges)).order_by("id")
    for kind, *edge in rows.values_list(*columns):
        edges[kind].append(Edge(*edge))
    return {kind: InterchangeGraph.of(found) for kind, found in edges.items()}


_LINKED = """
WITH RECURSIVE linked(id) AS (
  SELECT id FROM parts_partnumber
  WHERE workshop_id = %s AND kind_id IN %s AND canonical IN %s
  UNION
  SELECT CASE WHEN step.from_number_id = linked.id THEN step.to_number_id
              ELSE step.from_number_id END
  FROM linked JOIN parts_interchange AS step
    ON step.from_number_id = linked.id OR step.to_number_id = linked.id
)
SELECT step.id, step.kind_id, first.canonical, last.canonical, step.both_ways
FROM linked
JOIN parts_interchange AS step ON step.from_number_id = linked.id
JOIN parts_partnumber AS first ON first.id = step.from_number_id
JOIN parts_partnumber AS last ON last.id = step.to_number_id
"""


def interchanges_about(
    workshop_id: int, slugs: Sequence[str], numbers: Collection[str]
) -> list[tuple[int, str, Edge]]:
    """Return (id, kind, relation) of all that is linked with these canonical numbers.

    Linked by any number of steps, either way: the graph of these relations answers for these
    numbers as the graph of the whole kind would. One query, whatever is stored beside.
    """
    rows = sql.rows(_LINKED, workshop_id, slugs, numbers)
    return [(pk, kind, Edge(a, b, bool(both))) for pk, kind, a, b, both in rows]


def _part_number(workshop: Workshop, kind: str, number: str) -> PartNumber:
    row, _ = PartNumber.of(workshop).get_or_create(
        kind_id=kind,
        canonical=canonical(number),
        defaults={"number": number.strip(), "workshop": workshop},
    )
    return row


def announce_knowledge(workshop_id: int, kinds: Iterable[str]) -> None:
    """Record that what is known about these kinds changed, so that needs are matched anew."""
    payload = {"kinds": sorted(set(kinds))}
    if payload["kinds"]:
        outbox.record(events.KNOWLEDGE_CHANGED, workshop_id=workshop_id, payload=payload)


def announce_sightings(workshop_id: int, kinds: Iterable[str]) -> None:
    """Record that machines were seen to carry something new.

    What is in stock and needed there is matched by its own events; this is for what is drawn
    from all sightings together: rules and build breaks.
    """
    payload = {"kinds": sorted(set(kinds))}
    if payload["kinds"]:
        outbox.record(events.SIGHTINGS_NOTED, workshop_id=workshop_id, payload=payload)
