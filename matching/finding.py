"""Find a part: from what a technician types to a ranked list of parts with reasons."""

import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from donors import plates
from donors.catalogue import Catalogue
from donors.domain.machines import Machine
from donors.domain.model_numbers import canonical
from donors.models import Make
from donors.recognition import Recognition
from matching.domain.sides import Side
from matching.matcher import reasons
from matching.models import Hold, Proposal
from matching.searching import Offered, Searcher, preference
from matching.share_views import standing_by_part
from parts.domain.part_numbers import Printed
from parts.models import AVAILABLE, KindCarried, Part
from parts.reference import kinds
from parts.selectors import get_kind
from workshop.domain.intervals import Interval
from workshop.errors import InputRefused
from workshop.models import Workshop

MOST_RESULTS = 200
# Parts scored for one question, those with the strongest keys first; and of each of many kinds.
MOST_SCORED, LEAST_A_KIND = 400, 25


@dataclass(frozen=True, slots=True)
class Query:
    """What is looked for. text: a model number, perhaps among other words.

    kind: a part kind's slug; guessed from the words, else every kind is searched.
    built: the job's build date as an interval, when it is known.
    """

    text: str = ""
    make: str = ""
    kind: str = ""
    part_number: str = ""
    position: str = ""
    attributes: dict[str, str] = field(default_factory=dict)
    built: Interval | None = None
    most: int = 20


@dataclass(frozen=True, slots=True)
class Found:
    """A ranked list, and what the text was taken for."""

    recognition: Recognition
    kinds: tuple[str, ...]
    offered: tuple[Offered, ...]
    holds: dict[int, Hold]
    proposals: dict[int, Proposal]

    def as_rows(self) -> list[dict[str, Any]]:
        """Return the results as plain values; see as_row."""
        return [
            as_row(one, self.holds.get(one.part.pk), self.proposals.get(one.part.pk))
            for one in self.offered
        ]


def find_parts(workshop: Workshop, query: Query, *, on: date) -> Found:
    """Return parts in stock for a query, best first: free parts, proposed ones, held ones.

    Reads only. Parts nothing speaks for but their kind, and parts not to be sold, are left out.
    Raises InputRefused when nothing to look for was given, or the make or kind is not known.
    """
    if not canonical(query.text) and not canonical(query.part_number):
        raise InputRefused(
            "Nothing to look for: give a model number or a part number.",
            fields={"text": "Give a model number, or a part number."},
        )
    catalogue = Catalogue.load(workshop)
    seen = read_text(catalogue, query.text, make=plates.find_make(catalogue, query.make))
    wanted = wanted_kinds(workshop, query, seen)
    want = _want(query, seen)
    searcher = Searcher(workshop.pk, on=on)
    most = max(LEAST_A_KIND, MOST_SCORED // max(1, len(wanted)))
    searched = searcher.search([(kind, want) for kind in wanted], most=most)
    offered = [one for found in searched for one in found.offered]
    offered = [one for one in offered if one.condition.p_good > 0]
    offered = sorted(offered, key=preference)[: min(query.most, MOST_RESULTS)]
    ids = [one.part.pk for one in offered]
    held, proposed = standing_holds(workshop, ids), standing_by_part(workshop, ids)
    offered.sort(key=lambda one: (one.part.pk in held, one.part.pk in proposed, preference(one)))
    return Found(seen, tuple(wanted), tuple(offered), held, proposed)


def standing_holds(workshop: Workshop, part_ids: Sequence[int]) -> dict[int, Hold]:
    """Return the standing hold of each of these parts, by part id."""
    rows = Hold.of(workshop).filter(part__in=part_ids, released_at__isnull=True)
    return {hold.part_id: hold for hold in rows.select_related("need__job", "held_by__user")}


def read_text(catalogue: Catalogue, text: str, *, make: Make | None) -> Recognition:
    """Say which machine a text names: the whole of it, or the likeliest number in it."""
    whole = catalogue.recognise(text, make=make)
    if whole.settled or len(text.split()) < 2:
        return whole
    named = [mention.seen for mention in catalogue.find_all(text, make=make)]
    return max([whole, *named], key=_how_sure)


def _how_sure(seen: Recognition) -> tuple[bool, bool, float, int]:
    """Sort key: settled first, then found for certain, then the likelier and longer."""
    return (seen.settled is not None, seen.how.certain, seen.certainty, len(seen.canonical))


def wanted_kinds(workshop: Workshop, query: Query, seen: Recognition) -> list[str]:
    """Return the kinds to search: the one named, the ones in the words, or all carried."""
    if query.kind:
        return [get_kind(query.kind).slug]
    named = kinds_named_in(query.text)
    if named:
        return named
    if query.part_number:
        rows = Part.of(workshop).filter(
            number_canonical=canonical(query.part_number), state__in=AVAILABLE
        )
        found = sorted(set(rows.values_list("kind_id", flat=True)))
        if found:
            return found
    carried = KindCarried.objects.exclude(kind__reuse="never").order_by("kind_id")
    if seen.likely and seen.likely.appliance:
        carried = carried.filter(appliance=seen.likely.appliance)
    return sorted(set(carried.values_list("kind_id", flat=True)))


def kinds_named_in(text: str) -> list[str]:
    """Return the kinds whose name stands in a text, longest names first; [] when none does."""
    plain = f" {re.sub(r'[^a-z]+', ' ', text.lower())} "
    names = sorted(
        (
            (name, kind.slug)
            for kind in kinds().values()
            for name in {kind.slug.replace("-", " "), kind.name.lower()}
        ),
        key=lambda pair: -len(pair[0]),
    )
    found = []
    for name, slug in names:
        if f" {name} " in plain:
            found.append(slug)
            plain = plain.replace(f" {name} ", " ")
    return found


def _want(query: Query, seen: Recognition) -> Side:
    machine = Machine(
        appliance=seen.likely.appliance if seen.likely else "",
        make=seen.make,
        number=seen.likely_number,
        fields=seen.fields,
        family=seen.family,
        built=query.built,
        sure=plates.certainty(seen),
    )
    return Side(Printed.of(query.part_number), query.position, query.attributes, machine)


def nothing_found(found: Found) -> str:
    """Return what to say when nothing in stock may serve."""
    never = never_reused(found)
    return never or "No part in stock fits. Open a job to be told when one comes in."


def never_reused(found: Found) -> str:
    """Return what to say when all that was searched for is never reused; "" otherwise."""
    never = [kinds()[slug] for slug in found.kinds if kinds()[slug].never_reused]
    if not never or len(never) < len(found.kinds):
        return ""
    names = ", ".join(kind.name.lower() for kind in never)
    return f"Never reused: {names}. Fit a new one. {never[0].reuse_advice}".strip()


def as_row(
    one: Offered, hold: Hold | None = None, proposal: Proposal | None = None
) -> dict[str, Any]:
    """Return one result as plain values for pages, the API and the command.

    p_fit and p_good are 0..1; price is in cents; reasons are the rows that sum to score_bits.
    """
    part, donor = one.part, one.part.donor
    return {
        "part_ref": part.ref,
        "kind": part.kind_id,
        "kind_name": part.kind.name,
        "position": part.position,
        "part_number": part.part_number,
        "verdict": one.score.verdict.value,
        "verdict_label": one.score.verdict.label,
        "verdict_shape": one.score.verdict.shape,
        "p_fit": one.score.p_fit,
        "p_good": one.condition.p_good,
        "worth": one.worth,
        "score_bits": one.score.bits,
        "reasons": reasons(one),
        "condition": one.condition.because,
        "donor_ref": donor.ref if donor else "",
        "donor_model_number": donor.model_number if donor else "",
        "donor_make": donor.make.name if donor and donor.make else "",
        "state": part.state,
        "state_label": part.get_state_display(),
        "grade": part.grade,
        "grade_label": part.get_grade_display(),
        "bin": part.bin,
        "price_cents": part.price_cents,
        "reuse": part.kind.reuse,
        "reuse_advice": part.kind.reuse_advice,
        "held_for": hold.need.job.ref if hold else "",
        "held_until": hold.expires_at.isoformat() if hold else "",
        "proposed_to": proposal.need.job.ref if proposal else "",
        "proposed_until": proposal.expires_at.isoformat() if proposal else "",
    }
