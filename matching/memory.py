"""What is known of the machines and numbers at hand: read through indexes, and kept for a search.

gather.knowledge reads everything about a kind; this reads only what the pairs in question
concern, and the scores are the same (tests/integration/matching/test_candidates.py compares).
A family's sightings are read whole, once, before any belief about it is asked for.
"""

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from types import SimpleNamespace
from typing import Any

from donors.domain.model_numbers import FOLD
from matching import gather
from matching.domain.knowledge import Knowledge
from matching.domain.outcomes import Past
from matching.domain.sides import Side
from matching.domain.sightings import Seen
from matching.domain.weights import Weights
from matching.outcome_keys import group_key
from parts.domain.interchange import Edge, InterchangeGraph
from parts.numbers import interchanges_about
from parts.reference import kinds
from parts.selectors import list_sightings_in, places_of_numbers, printed_as
from workshop import sql

Family = tuple[str, str]  # make's name, family
OFFER, WANT = "offer", "want"


@dataclass(frozen=True, slots=True)
class Fixed:
    """One side that stays the same while the other is looked for: a part on offer, or a want."""

    kind: str
    side: Side
    role: str

    @property
    def family(self) -> Family | None:
        machine = self.side.machine
        return (machine.make, machine.family) if machine.make and machine.family else None


def group_of(side: Side) -> str:
    return group_key({"make": side.machine.make, "family": side.machine.family})


class Memory:
    """The knowledge of one workshop, growing by what is asked for."""

    def __init__(self, workshop_id: int) -> None:
        self.workshop_id = workshop_id
        self.known: dict[str, Knowledge] = {}
        self._printed: dict[str, dict[str, str]] = {}
        self._looked_up: dict[str, set[str]] = defaultdict(set)
        self._families: set[tuple[str, str, str]] = set()
        self._edges: dict[str, dict[int, Edge]] = defaultdict(dict)
        self._pasts: dict[int, tuple[str, Past]] = {}
        self._noted: set[tuple[int, str]] = set()
        self._noted_keys: set[tuple[str, str]] = set()

    @cached_property
    def makes(self) -> dict[str, int]:
        """The workshop's makes: id by name."""
        found = sql.rows(
            "SELECT name, id FROM donors_make WHERE workshop_id = %s", self.workshop_id
        )
        return dict(found)

    @cached_property
    def weights(self) -> Weights:
        """The weights in force in the workshop."""
        return gather.weights_of(self.workshop_id)

    def read_for(self, fixed: Sequence[Fixed]) -> None:
        """Read what is known of these sides: rules, sightings, past fittings, interchanges."""
        self._open({one.kind for one in fixed})
        # What is printed on a side is what it carries: only of others it is asked what may be.
        self.read_families(
            (one.kind, one.family) for one in fixed if one.family and not one.side.number
        )
        self._read_outcomes(fixed)
        self._read_interchanges(fixed)

    def _open(self, slugs: set[str]) -> None:
        new = sorted(slugs - self.known.keys())
        if not new:
            return
        rules = gather.approved_rules(self.workshop_id, new)
        breaks = gather.accepted_breaks(self.workshop_id, new)
        for slug in new:
            self._printed[slug] = {}
            self.known[slug] = Knowledge(
                kinds()[slug],
                self.weights,
                InterchangeGraph(),
                rules[slug],
                self._printed[slug],
                breaks[slug],
            )

    def read_families(self, wanted: Iterable[tuple[str, Family]]) -> None:
        """Read where numbers of these kinds were seen in these families: two queries."""
        before = set(self._families)
        new = {(kind, *family) for kind, family in wanted} - before
        if not new:
            return
        slugs, makes, families = (sorted(set(column)) for column in zip(*new, strict=True))
        found: dict[str, list[Seen]] = defaultdict(list)
        rows = list_sightings_in(self.workshop_id, slugs, makes, families)
        for kind, *values in rows:
            seen = gather.seen_from(*values)
            if (kind, seen.machine.make, seen.machine.family) in new:
                found[kind].append(seen)
        for kind, seen in self._imported(new, slugs, makes, families):
            found[kind].append(seen)
        for kind, all_seen in found.items():
            self.known[kind].sightings.add_all(all_seen)
        self._families |= new

    def _imported(
        self,
        new: set[tuple[str, str, str]],
        slugs: list[str],
        makes: list[str],
        families: list[str],
    ) -> Iterable[tuple[str, Seen]]:
        """Yield what imported fittings saw in these families; see gather.learn."""
        groups = [f"{make}|{family}" for make in makes for family in families]
        rows = _outcomes(
            "part_id IS NULL AND (donor_group IN %s OR job_group IN %s)",
            self.workshop_id,
            slugs,
            groups,
            groups,
        )
        for row in rows:
            for seen in gather.seen_in(gather.past_of(row)):
                if (row.kind_id, seen.machine.make, seen.machine.family) in new:
                    yield row.kind_id, seen

    def _read_outcomes(self, fixed: Sequence[Fixed]) -> None:
        """Read the past fittings any pair with one of these sides can rest on: one query."""
        columns = {OFFER: ("part_key", "donor_group", "part_id")}
        columns[WANT] = ("job_key", "job_group", "need_id")
        which, values = [], []
        for role, names in columns.items():
            sides = [one.side for one in fixed if one.role == role]
            numbers = {s.number.canonical.translate(FOLD) for s in sides} - {""}
            groups = {group_of(side) for side in sides} - {""}
            ids = {side.row for side in sides if side.row is not None}
            for name, wanted in zip(names, (numbers, groups, ids), strict=True):
                if wanted:
                    only = " AND result = 'did-not-fit'" if name.endswith("_id") else ""
                    which.append(f"({name} IN %s{only})")
                    values.append(wanted)
        if not which:
            return
        slugs = sorted({one.kind for one in fixed})
        for outcome in _outcomes(f"({' OR '.join(which)})", self.workshop_id, slugs, *values):
            if outcome.id not in self._pasts:
                past = gather.past_of(outcome)
                self._pasts[outcome.id] = (outcome.kind_id, past)
                self.known[outcome.kind_id].outcomes.add_all([past])

    def pasts_beside(self, one: Fixed) -> list[Past]:
        """Return past fittings that went in and had this side's number or family on its side."""
        number, group = one.side.number.canonical.translate(FOLD), group_of(one.side)
        return [
            past
            for kind, past in self._pasts.values()
            if kind == one.kind and past.fitted and _is_beside(_of(past, one.role), number, group)
        ]

    def read_noted(self, sides: Sequence[tuple[str, Side]]) -> None:
        """Read what past fittings noted of parts of these numbers and families: one query.

        All that is noted of a number or a family comes at once, so none is ever half known.
        """
        keys = {
            (kind, key)
            for kind, side in sides
            for key in (side.number.canonical.translate(FOLD), group_of(side))
            if key
        }
        new = keys - self._noted_keys
        if not new:
            return
        self._noted_keys |= new
        slugs, wanted = ({one[place] for one in new} for place in (0, 1))
        groups = {key for key in wanted if "|" in key}
        numbers = wanted - groups
        for row in _outcomes(
            _NOTED, self.workshop_id, sorted(slugs), numbers, numbers, groups, groups
        ):
            past = gather.past_of(row)
            for role in (OFFER, WANT):
                self._note(row.kind_id, row.id, role, _of(past, role))

    def _note(self, kind: str, outcome_id: int, role: str, side: Side) -> None:
        """Add what was noted of one side, once, when its number or family was asked for."""
        keys = {side.number.canonical.translate(FOLD), group_of(side)} - {""}
        asked = any((kind, key) in self._noted_keys for key in keys)
        if asked and (outcome_id, role) not in self._noted:
            self._noted.add((outcome_id, role))
            self.known[kind].noted.add_all([side])

    def _read_interchanges(self, fixed: Sequence[Fixed]) -> None:
        """Read all that is linked with the sides' numbers, told or believed: one query."""
        numbers = {number for one in fixed for number in self.numbers_of(one)}
        if not numbers:
            return
        slugs = sorted({one.kind for one in fixed})
        new = set()
        for pk, kind, edge in interchanges_about(self.workshop_id, slugs, numbers):
            if pk not in self._edges[kind]:
                self._edges[kind][pk] = edge
                new.add(kind)
        for kind in new:
            edges = [self._edges[kind][pk] for pk in sorted(self._edges[kind])]
            self.known[kind].graph = InterchangeGraph.of(edges)

    def numbers_of(self, one: Fixed) -> set[str]:
        """Return the number printed on a side, else those such a machine may carry."""
        if one.side.number:
            return {one.side.number.canonical}
        return set(self.known[one.kind].sightings.belief(one.side).counts)

    def linked(self, kind: str, numbers: Iterable[str]) -> set[str]:
        """Return these numbers and all linked with them by interchange, whichever way."""
        beside: dict[str, set[str]] = defaultdict(set)
        for edge in self._edges[kind].values():
            beside[edge.from_].add(edge.to)
            beside[edge.to].add(edge.from_)
        found, waiting = set(), list(numbers)
        while waiting:
            number = waiting.pop()
            if number not in found:
                found.add(number)
                waiting += beside.get(number, ())
        return found

    def families_with(self, wanted: dict[str, set[str]]) -> dict[str, dict[str, set[Family]]]:
        """Return, by kind and folded number, the families a number was seen in: two queries."""
        found: dict[str, dict[str, set[Family]]] = defaultdict(lambda: defaultdict(set))
        slugs, numbers = sorted(wanted), set().union(*wanted.values())
        if not numbers:
            return found
        for kind, number, make, family in places_of_numbers(self.workshop_id, slugs, numbers):
            found[kind][number].add((make, family))
        rows = sql.rows(
            "SELECT DISTINCT kind_id, part_key, donor_group, job_key, job_group "
            "FROM matching_outcome WHERE workshop_id = %s AND kind_id IN %s "
            "AND part_id IS NULL AND (part_key IN %s OR job_key IN %s)",
            self.workshop_id,
            slugs,
            numbers,
            numbers,
        )
        for kind, *sides in rows:
            for number, group in (sides[:2], sides[2:]):
                make, split, family = group.partition("|")
                if split and number:
                    found[kind][number].add((make, family))
        return found

    def read_printed(self, sides: Iterable[tuple[str, Side]]) -> None:
        """Read how the numbers met so far, and these sides', are printed: one query."""
        wanted: dict[str, set[str]] = {}
        for kind, known in self.known.items():
            edges = self._edges[kind].values()
            linked = {number for edge in edges for number in (edge.from_, edge.to)}
            wanted[kind] = known.sightings.numbers() | linked
        for kind, side in sides:
            wanted[kind].add(side.number.canonical)
        missing = {kind: found - self._looked_up[kind] for kind, found in wanted.items()}
        missing = {kind: found for kind, found in missing.items() if found}
        if not missing:
            return
        for kind, number, printed in printed_as(self.workshop_id, missing):
            self._printed[kind][number] = printed
        for kind, found in missing.items():
            self._looked_up[kind] |= found


# Past fittings that noted anything, of some numbers and of some makes and families.
_NOTED = (
    "(CAST(part_attributes AS text) <> '{}' OR CAST(job_attributes AS text) <> '{}') AND "
    "(part_key IN %s OR job_key IN %s OR donor_group IN %s OR job_group IN %s)"
)
_OUTCOME = (
    "id",
    "kind_id",
    "part_id",
    "need_id",
    "part_number",
    "job_part_number",
    "result",
    "donor_built_from",
    "donor_built_to",
    "job_built_from",
    "job_built_to",
    "part_attributes",
    "job_attributes",
    "learned",
)


def _outcomes(which: str, workshop_id: int, slugs: list[str], *values: object) -> Iterator[Any]:
    """Yield past fittings of some kinds that meet a condition, oldest first.

    Each has the attributes of Outcome named in _OUTCOME: making models of them took longer than
    all the rest.
    """
    found = sql.rows(
        f"SELECT {', '.join(_OUTCOME)} FROM matching_outcome "
        f"WHERE workshop_id = %s AND kind_id IN %s AND {which} ORDER BY fitted_on, id",
        workshop_id,
        slugs,
        *values,
    )
    for *plain, d1, d2, j1, j2, offered, wanted, learned in found:
        days = (sql.as_day(day) for day in (d1, d2, j1, j2))
        texts = (sql.as_json(text) for text in (offered, wanted, learned))
        yield SimpleNamespace(**dict(zip(_OUTCOME, (*plain, *days, *texts), strict=True)))


def _of(past: Past, role: str) -> Side:
    return past.offer if role == OFFER else past.want


def _is_beside(side: Side, number: str, group: str) -> bool:
    same = bool(number) and side.number.canonical.translate(FOLD) == number
    return same or (bool(group) and group_of(side) == group)
