"""Which part number a machine likely carries, for people: the odds and what they rest on."""

from collections import defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from django.db.models import Count, Q

from donors import plates
from donors.catalogue import Catalogue
from donors.domain.machines import Machine
from matching import gather
from matching.domain.sightings import Belief, SightingIndex
from matching.models import Job, Need, Outcome
from parts.models import Part, PartNumber, Sighting
from parts.reference import kinds
from parts.selectors import get_kind
from workshop.domain.intervals import Interval
from workshop.models import Workshop

MOST_NUMBERS = 5
LIKELY = 0.5  # a chance from which "likely" is the word
LEAST_CHANCE = 0.01

SUCH = {
    "model": "machines of this model",
    "matters": "machines that differ only in what does not matter for this kind",
    "revision": "machines of this family and revision",
    "family": "machines of this family",
    "make": "machines of this make",
}


@dataclass(frozen=True, slots=True)
class Asked:
    """A kind of part, in a position or "", of a machine."""

    kind: str
    machine: Machine
    position: str = ""


@dataclass(frozen=True, slots=True)
class Likely:
    """A number as printed, the chance that the machine carries it, and how often it was seen."""

    number: str
    chance: float
    seen: int


@dataclass(frozen=True, slots=True)
class Prediction:
    """What a machine likely carries, likeliest first; the rest of the chance is another number.

    of, such: how many sightings the nearest ones are, and in which machines.
    """

    numbers: tuple[Likely, ...] = ()
    of: int = 0
    such: str = ""
    another: float = 1.0

    @property
    def likeliest(self) -> Likely | None:
        return self.numbers[0] if self.numbers else None

    @property
    def sentence(self) -> str:
        """Return what is said beside a part whose number was not read; "" when nothing is known."""
        best = self.likeliest
        if best is None:
            return ""
        where = f"seen in {best.seen} of {self.of} {self.such}"
        verb = "likely carries" if best.chance >= LIKELY else "may carry"
        return f"{verb} {best.number} ({100 * best.chance:.0f} %), {where}"


def predict(workshop_id: int, asked: Iterable[Asked]) -> list[Prediction]:
    """Return a prediction for each, in order: five queries, however many rows and questions."""
    questions = list(asked)
    indexes = _indexes(workshop_id, questions)
    of_make = _seen_of_makes(workshop_id, questions)
    beliefs = [
        indexes[one.kind].predict(
            one.machine, one.position, of_make.get((one.kind, one.machine.make))
        )
        for one in questions
    ]
    shown = _printed(workshop_id, questions, beliefs)
    return [
        _prediction(belief, shown[one.kind]) for one, belief in zip(questions, beliefs, strict=True)
    ]


def _indexes(workshop_id: int, questions: list[Asked]) -> dict[str, SightingIndex]:
    """Return the sightings in the families asked about, by kind."""
    slugs = sorted({one.kind for one in questions})
    families = {one.machine.family for one in questions} - {""}
    makes = {one.machine.make for one in questions} - {""}
    breaks = gather.accepted_breaks(workshop_id, slugs)
    found = {slug: SightingIndex(kinds()[slug], gather.weights(), breaks[slug]) for slug in slugs}
    seen = Sighting.of(workshop_id).filter(kind__in=slugs, make__in=makes, family__in=families)
    for row in seen.order_by("id"):
        found[row.kind_id].add_all([gather.as_seen(row)])
    taught = Q(learned__donor__family__in=families) | Q(learned__job__family__in=families)
    past = Outcome.of(workshop_id).filter(taught, kind__in=slugs, part__isnull=True)
    for outcome in past.order_by("id"):
        found[outcome.kind_id].add_all(gather.seen_in(gather.past_of(outcome)))
    return found


def _seen_of_makes(
    workshop_id: int, questions: list[Asked]
) -> dict[tuple[str, str], dict[str, int]]:
    """Return how often each number was seen in machines of a make, by kind and make."""
    slugs, makes = {one.kind for one in questions}, {one.machine.make for one in questions} - {""}
    rows = Sighting.of(workshop_id).filter(kind__in=slugs, make__in=makes).order_by()
    counted = rows.values_list("kind", "make", "number_canonical").annotate(Count("id"))
    found: dict[tuple[str, str], dict[str, int]] = defaultdict(dict)
    for kind, make, number, count in counted:
        found[kind, make][number] = count
    return found


def _printed(
    workshop_id: int, questions: list[Asked], beliefs: list[Belief]
) -> dict[str, dict[str, str]]:
    """Return the numbers that are shown as they are printed, by kind and canonical form."""
    found: dict[str, dict[str, str]] = {one.kind: {} for one in questions}
    wanted = {number for belief in beliefs for number in _best(belief)}
    rows = PartNumber.of(workshop_id).filter(kind__in=list(found), canonical__in=wanted)
    for kind, key, number in rows.order_by("id").values_list("kind_id", "canonical", "number"):
        found[kind][key] = number
    return found


def _best(belief: Belief) -> list[str]:
    """Return the numbers worth showing, likeliest first."""
    ordered = sorted(belief.counts, key=lambda number: (-belief.chance(number), number))
    return [one for one in ordered if belief.chance(one) >= LEAST_CHANCE][:MOST_NUMBERS]


def _prediction(belief: Belief, shown: Mapping[str, str]) -> Prediction:
    numbers = tuple(
        Likely(shown.get(one, one), belief.chance(one), belief.seen.get(one, 0))
        for one in _best(belief)
    )
    of = sum(belief.seen.values())
    return Prediction(numbers, of, SUCH.get(belief.tier, ""), belief.unseen)


def predict_for_plate(
    workshop: Workshop,
    *,
    make: str,
    model_number: str,
    kind: str,
    position: str = "",
    built: Interval | None = None,
) -> Prediction:
    """Return what a machine with this plate likely carries.

    Raises InputRefused for a make or kind that is not known.
    """
    slug = get_kind(kind).slug
    catalogue = Catalogue.load(workshop)
    seen = catalogue.recognise(model_number, make=plates.find_make(catalogue, make))
    machine = Machine(
        appliance=seen.likely.appliance if seen.likely else "",
        make=seen.make,
        number=seen.likely_number,
        fields=seen.fields,
        family=seen.family,
        built=built,
        sure=plates.certainty(seen),
    )
    return predict(workshop.pk, [Asked(slug, machine, position)])[0]


def for_unread_parts(workshop_id: int, parts: Iterable[Part]) -> dict[int, Prediction]:
    """Return what parts whose number was not read likely carry, by id. Donor and make loaded."""
    unread = [part for part in parts if not part.number_canonical and part.donor is not None]
    asked = [Asked(one.kind_id, one.donor.machine(), one.position) for one in unread if one.donor]
    return _by_id(workshop_id, unread, asked)


def for_unread_needs(workshop_id: int, job: Job, needs: Iterable[Need]) -> dict[int, Prediction]:
    """Return what a job's own parts whose number was not read likely carry, by need id."""
    unread = [need for need in needs if not need.number_canonical]
    machine = job.machine()
    asked = [Asked(need.kind_id, machine, need.position) for need in unread]
    return _by_id(workshop_id, unread, asked)


def _by_id(workshop_id: int, rows: list[Any], asked: list[Asked]) -> dict[int, Prediction]:
    if not rows:
        return {}
    found = predict(workshop_id, asked)
    return {row.pk: one for row, one in zip(rows, found, strict=True) if one.numbers}
