"""The workshop's known makes and model numbers, loaded once and asked many times.

This is the seam of the lookup: callers ask `Catalogue.recognise`. It reads the whole catalogue,
which is right up to some tens of thousands of numbers (design note, section 4: below 10,000
plain rapidfuzz is as fast as any index).
"""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Self

from rapidfuzz import process
from rapidfuzz.distance import OSA

from donors.domain import model_numbers, patterns
from donors.domain.recognising import (
    WORDS,
    Found,
    How,
    Known,
    probable,
    rank,
    settled,
)
from donors.models import Make, ModelAlias, ModelNumber
from workshop.errors import InputRefused
from workshop.models import Workshop

SHORTLIST = 40
# Ways of finding that say "like it", not "it": never stronger than what the plate itself says.
ROUGH = frozenset({How.NEAR, How.SHORTENED})


@dataclass(frozen=True, slots=True)
class KnownModel:
    """A known model as the catalogue holds it."""

    id: int
    make_id: int
    make: str
    number: str
    canonical: str
    appliance: str
    family: str


@dataclass(frozen=True, slots=True)
class Candidate:
    """A known model a text may be, and how it was found. `likeness` only ranks."""

    model: KnownModel
    how: How
    likeness: float


@dataclass(frozen=True, slots=True)
class Recognition:
    """What a text read from a plate is taken for.

    settled: the model it certainly is, else None. likely: the best guess with `certainty`
    0..1 (1 when settled). candidates: best first, to be shown when it is not settled.
    make: told, or guessed when `make_is_guess`. reads_well: the make's pattern explains the
    number as it was read.
    """

    canonical: str
    make_id: int | None
    make: str
    make_is_guess: bool
    settled: KnownModel | None
    likely: KnownModel | None
    certainty: float
    how: How
    candidates: tuple[Candidate, ...]
    fields: dict[str, str]
    reads_well: bool = False

    @property
    def family(self) -> str:
        if self.likely is not None and self.likely.family:
            return self.likely.family
        return self.fields.get("family", "")

    @property
    def likely_number(self) -> str:
        """Canonical number the machine is matched by: the likely model's, else as read.

        The plate is kept where it says more than the known number does: when that has an open
        position, or is only near while the make's pattern explains the plate in full.
        """
        if self.likely is None or model_numbers.has_wildcard(self.likely.canonical):
            return self.canonical
        if self.reads_well and self.how in ROUGH:
            return self.canonical
        return self.likely.canonical


@dataclass
class Catalogue:
    """Known makes and numbers of one workshop."""

    makes: list[Make] = field(default_factory=list)
    models: dict[int, KnownModel] = field(default_factory=dict)
    _entries: list[Known] = field(default_factory=list)
    _exact: dict[str, list[Known]] = field(default_factory=lambda: defaultdict(list))
    _folded: dict[str, list[Known]] = field(default_factory=lambda: defaultdict(list))
    _wild: dict[int, list[Known]] = field(default_factory=lambda: defaultdict(list))
    _folded_forms: list[str] = field(default_factory=list)

    @classmethod
    def load(cls, workshop: Workshop | int) -> Self:
        """Read makes, numbers and aliases: three queries."""
        found = cls(makes=list(Make.of(workshop)))
        columns = ("id", "make_id", "make__name", "number", "canonical", "appliance_id", "family")
        for row in ModelNumber.of(workshop).values_list(*columns).order_by("id"):
            model_id, make_id, make, number, canonical, appliance, family = row
            found.add_model(
                KnownModel(model_id, make_id, make, number, canonical, appliance or "", family)
            )
        aliases = ModelAlias.of(workshop).order_by("id").values_list("model_id", "canonical")
        for model_id, canonical in aliases:
            found.add_alias(model_id, canonical)
        return found

    def add_make(self, name: str, *, aliases: Iterable[str] = (), pattern: str = "") -> Make:
        """Add a make that is stored nowhere: a catalogue read from files, or a make only named.

        Its id is negative, so it cannot be taken for a stored one. Raises InputRefused for a
        name without a letter or digit.
        """
        key = model_numbers.canonical(name)
        if not key:
            raise InputRefused(
                f"The make {name!r} holds no letter or digit. Write its name, or leave it blank.",
                fields={"make": "holds no letter or digit"},
            )
        make = Make(
            pk=-1 - len(self.makes), name=name, key=key, aliases=list(aliases), pattern=pattern
        )
        self.makes.append(make)
        return make

    def add_model(self, model: KnownModel) -> None:
        self.models[model.id] = model
        self._add(Known(model.id, model.make, model.canonical))

    def add_alias(self, model_id: int, canonical: str) -> None:
        self._add(Known(model_id, self.models[model_id].make, canonical, is_alias=True))

    def _add(self, entry: Known) -> None:
        self._entries.append(entry)
        self._exact[entry.number].append(entry)
        folded = model_numbers.folded(entry.number)
        self._folded[folded].append(entry)
        self._folded_forms.append(folded)
        if model_numbers.has_wildcard(entry.number):
            self._wild[len(entry.number)].append(entry)

    def find_make(self, text: str) -> Make | None:
        """Return the make whose name or alias this is; separators and case do not matter."""
        key = model_numbers.canonical(text)
        if not key:
            return None
        for make in self.makes:
            if key == make.key or key in map(model_numbers.canonical, make.aliases):
                return make
        return None

    def nearest_makes(self, text: str, most: int = 3) -> list[str]:
        """Return names that read like `text`, to be offered when it is not known."""
        names = [make.name for make in self.makes]
        found = process.extract(
            text, names, scorer=OSA.normalized_similarity, processor=str.upper, limit=most
        )
        return [name for name, score, _ in found if score >= 0.4]

    def recognise(self, text: str, *, make: Make | None = None) -> Recognition:
        """Say what a model number as read is taken for. Never raises, never alters the text."""
        number = model_numbers.canonical(text)
        found = self._candidates(number, make.name if make else "")
        top = settled(found)
        guess = probable(found)
        likely = self.models[guess[0].known.model_id] if guess else None
        if likely is not None and make is not None and likely.make_id != make.pk and top is None:
            likely = None  # the plate's make is believed over a near number of another make
        its_make = make or self._guess_make(number, likely)
        certainty = guess[1] if guess and likely else 0.0
        how = found[0].how if found and likely else How.UNKNOWN
        own = patterns.fields_of(its_make.pattern, number) if its_make else {}
        return Recognition(
            canonical=number,
            make_id=its_make.pk if its_make else None,
            make=its_make.name if its_make else "",
            make_is_guess=make is None and its_make is not None,
            settled=self.models[top.known.model_id] if top else None,
            likely=likely,
            certainty=1.0 if top else certainty,
            how=how,
            candidates=tuple(
                Candidate(self.models[f.known.model_id], f.how, f.likeness) for f in found
            ),
            fields=self._fields(own, likely, its_make, how=how),
            reads_well=bool(own),
        )

    def _candidates(self, number: str, make: str) -> list[Found]:
        if not number:
            return []
        sure = [*self._exact.get(number, []), *self._wild.get(len(number), [])]
        found = [f for f in rank(number, sure, make=make) if f.how.certain]
        same_make = [f for f in found if not make or f.known.make == make]
        if same_make:
            return same_make
        return rank(number, self._shortlist(number), make=make) or found

    def _shortlist(self, number: str) -> list[Known]:
        """Return what may come near: misread, shortened, or a few characters apart."""
        folded = model_numbers.folded(number)
        near = process.extract(
            folded,
            self._folded_forms,
            scorer=OSA.normalized_similarity,
            score_cutoff=0.5,
            limit=SHORTLIST,
        )
        entries = [*self._folded.get(folded, []), *(self._entries[i] for _, _, i in near)]
        return list(dict.fromkeys(entries))

    def _guess_make(self, number: str, likely: KnownModel | None) -> Make | None:
        if likely is not None:
            return next(make for make in self.makes if make.pk == likely.make_id)
        fitting = [m for m in self.makes if patterns.fields_of(m.pattern, number)]
        return fitting[0] if len(fitting) == 1 else None

    def _fields(
        self, own: dict[str, str], likely: KnownModel | None, make: Make | None, *, how: How
    ) -> dict[str, str]:
        """Return the plate's own fields, or the known number's where the plate was misread."""
        if likely is None or make is None or how.certain or (own and how in ROUGH):
            return own
        return patterns.fields_of(make.pattern, likely.canonical) or own


def describe(candidates: Sequence[Candidate]) -> list[dict[str, str]]:
    """Return candidates as plain rows for pages and the API."""
    return [
        {
            "model_id": str(one.model.id),
            "make": one.model.make,
            "model_number": one.model.number,
            "appliance": one.model.appliance,
            "family": one.model.family,
            "how": one.how.value,
            "why": WORDS[one.how],
        }
        for one in candidates
    ]


def as_row(seen: Recognition) -> dict[str, object]:
    """Return a recognition as plain values for the API and commands."""
    return {
        "read_as": seen.canonical,
        "make": seen.make,
        "make_is_guess": seen.make_is_guess,
        "settled": seen.settled.number if seen.settled else "",
        "likely": seen.likely.number if seen.likely else "",
        "family": seen.family,
        "how": seen.how.value,
        "candidates": describe(seen.candidates),
    }
