"""Asking what a model number as read may be: the seam of the lookup.

Callers ask `Catalogue.recognise`. The numbers stand in shelves (donors/domain/lookup): one for
a catalogue read from files; for a workshop the snapshot all processes share and a small one of
what changed since (donors/snapshots.py).
"""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache
from itertools import islice
from typing import Self

import numpy as np
from rapidfuzz import process
from rapidfuzz.distance import OSA

from donors import snapshots
from donors.domain import model_numbers, patterns
from donors.domain.lookup import texts
from donors.domain.lookup.calibration import Calibration
from donors.domain.lookup.ranking import Found, rank, reads_alike, settled
from donors.domain.lookup.search import Hit, Layer, exact, exact_among, near, search
from donors.domain.lookup.shelf import Builder, Shelf
from donors.domain.lookup.variants import differs_only_in
from donors.domain.recognising import How
from donors.models import Make
from donors.recognition import ROUGH, Candidate, KnownModel, Mention, Recognition
from workshop import reference
from workshop.errors import InputRefused
from workshop.models import Workshop

MOST_CANDIDATES = 8
MOST_KNOWN = 200  # numbers named in one text
MOST_SEARCHED = 12  # runs of a text that are searched beyond their exact keys
MOST_TRIED = 3  # the same, when one number was asked for and its text holds other words
AMONG_WORDS = 0.9  # how much surer a number is alone than among words that say nothing known
MENTIONED = 0.5  # how sure a near number in a text must be
LEAST_LIKELY = 0.2  # below it a candidate is shown, but nothing is concluded from it

Ask = Callable[[Sequence[Layer], str], list[Hit]]


@lru_cache(maxsize=1)
def calibration() -> Calibration:
    """Return the weights of the stated probability, fixtures/reference/lookup.json."""
    return Calibration.of(reference.read("lookup"))


def _among(one: Candidate) -> Candidate:
    return replace(one, how=How.NAMED, probability=one.probability * AMONG_WORDS)


class _Taken:
    """Which characters of a text belong to a number already found in it."""

    def __init__(self, text: str) -> None:
        self._marks = bytearray(len(text))
        self.mentions: list[Mention] = []

    def add(self, one: Mention) -> None:
        self._marks[one.start : one.end] = b"\1" * (one.end - one.start)
        self.mentions.append(one)

    def is_free(self, run: "texts.Run | Mention") -> bool:
        return self._marks.find(1, run.start, run.end) < 0


@dataclass
class Catalogue:
    """Known makes and numbers of one workshop, or of a file.

    held: the numbers in layers, later ones over earlier. Without it `few` reads the rows that
    a number can be by its exact keys: what is left while a large snapshot is being rebuilt.
    """

    makes: list[Make] = field(default_factory=list)
    held: snapshots.Held | None = None
    few: Callable[[str], Shelf] | None = None
    _builder: Builder | None = None
    _by_id: dict[int, Make] = field(default_factory=dict)
    _names: tuple[int, dict[str, Make]] | None = None  # of how many makes, and what they are called

    @classmethod
    def load(cls, workshop: Workshop | int) -> Self:
        """Return the catalogue as it is now: the makes, and numbers this process holds already.

        Two small queries when nothing changed since it was asked last.
        """
        workshop_id = workshop if isinstance(workshop, int) else workshop.pk
        return cls(
            makes=list(Make.of(workshop_id)),
            held=snapshots.current(workshop_id),
            few=lambda number: snapshots.read_exact(workshop_id, number),
        )

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

    def add_model(self, model: KnownModel, aliases: Iterable[str] = ()) -> None:
        """Add a number that is stored nowhere, with its aliases in canonical form.

        Ids must rise. All are added before the first is asked for.
        """
        self._builder = self._builder or Builder()
        self._builder.add(
            model.id,
            model.make_id,
            number=model.number,
            canonical=model.canonical,
            appliance=model.appliance,
            family=model.family,
            aliases=aliases,
        )

    def ready(self) -> None:
        """Build the index of what was added, as the first question would."""
        if self._builder is not None:
            self.held, self._builder = snapshots.Held.of(self._builder.done()), None

    def _layers(self, number: str) -> list[tuple[Shelf, np.ndarray | None]]:
        self.ready()
        if self.held is not None:
            return self.held.layers
        return [(self.few(number), None)] if self.few and number else []

    def numbers(self) -> Iterable[tuple[int, str]]:
        """Yield (make id, canonical number) of every known number."""
        for shelf, dead in self._layers(""):
            for place in range(len(shelf)):
                if dead is None or not dead[place]:
                    row = shelf.entry(place)
                    yield row.make_id, model_numbers.canonical(row.number)

    def _known(self, shelf: Shelf, place: int) -> KnownModel:
        row = shelf.entry(place)
        make = self._make(row.make_id)
        return KnownModel(
            id=row.id,
            make_id=row.make_id,
            make=make.name if make else "",
            number=row.number,
            canonical=model_numbers.canonical(row.number),
            appliance=row.appliance,
            family=row.family,
        )

    def _make(self, make_id: int | None) -> Make | None:
        if len(self._by_id) != len(self.makes):
            self._by_id = {make.pk: make for make in self.makes}
        return self._by_id.get(make_id) if make_id is not None else None

    def find_make(self, text: str) -> Make | None:
        """Return the make whose name or alias this is; separators and case do not matter."""
        return self._named(model_numbers.canonical(text))

    def _named(self, key: str) -> Make | None:
        """Return the make a canonical name or alias belongs to, the first of several."""
        if self._names is None or self._names[0] != len(self.makes):
            found: dict[str, Make] = {}
            for make in self.makes:
                for name in (make.key, *map(model_numbers.canonical, make.aliases)):
                    found.setdefault(name, make)
            self._names = (len(self.makes), found)
        return self._names[1].get(key) if key else None

    def nearest_makes(self, text: str, most: int = 3) -> list[str]:
        """Return names that read like `text`, to be offered when it is not known."""
        names = [make.name for make in self.makes]
        found = process.extract(
            text, names, scorer=OSA.normalized_similarity, processor=str.upper, limit=most
        )
        return [name for name, score, _ in found if score >= 0.4]

    def recognise(self, text: str, *, make: Make | None = None) -> Recognition:
        """Say what a model number as read is taken for. Never raises, never alters the text.

        The whole text first; when that is no known number, the text without names of makes and
        without what plates print before a number; when nothing is likely even so, the likeliest
        number among its words, which settles nothing.
        """
        number = model_numbers.canonical(text)
        if not texts.has_words(text):
            return self._recognise_number(number, make)
        rest, names = texts.without(text, lambda key: self._named(key) is not None)
        bare = model_numbers.canonical(rest)
        told = make or (self._named(names[0]) if names else None)
        if not bare or bare == number:
            seen = self._recognise_number(number, make)
        else:
            seen = self._with_or_without(number, bare, make, told)
        if seen.settled or seen.reads_alike:
            return seen
        return self._among_words(rest, seen, make)

    def _with_or_without(
        self, number: str, bare: str, make: Make | None, told: Make | None
    ) -> Recognition:
        """Return what a text is taken for: with the names in it, or without (then of make `told`).

        A known number may hold the name of its make, so the whole goes first when it is known.
        """
        known = self._recognise_number(number, make, exact)
        if known.settled:
            return known
        short = self._recognise_number(bare, told)
        if short.settled:
            return short
        whole = self._recognise_number(number, make)
        return short if short.likeness >= whole.likeness else whole

    def _recognise_number(self, number: str, make: Make | None, ask: Ask = search) -> Recognition:
        layers = self._layers(number)
        return self._recognition(number, layers, self._ranked(number, layers, make, ask), make)

    def _among_words(self, text: str, whole: Recognition, make: Make | None) -> Recognition:
        """Return the likeliest number that stands among other words, `whole` when there is none."""
        named = [one.seen for one in self.find_all(text, make=make, most=MOST_TRIED)]
        best = max(named, key=lambda seen: (seen.certainty, len(seen.canonical)), default=None)
        if best is None:
            return whole
        known = {one.model.id for one in best.candidates}
        others = [one for one in whole.candidates if one.model.id not in known]
        return replace(
            best,
            settled=None,
            how=How.NAMED,
            certainty=best.certainty * AMONG_WORDS,
            candidates=(*(_among(one) for one in best.candidates), *others)[:MOST_CANDIDATES],
        )

    def _known_runs(self, found: Sequence[texts.Run]) -> list[texts.Run]:
        """Return the runs that may be known numbers, longest first, at most MOST_KNOWN.

        Without layers (a large snapshot is missing) each would be a query: only few are asked.
        """
        layers = [shelf.layer(dead) for shelf, dead in self._layers("")]
        ordered = sorted(found, key=lambda run: (-len(run.number), run.start))
        if not layers:
            return [run for run in ordered if texts.looks_like_number(run)][:MOST_SEARCHED]
        known = exact_among(layers, (run.number for run in found))
        return [run for run in ordered if run.number in known][:MOST_KNOWN]

    def find_all(
        self, text: str, *, make: Make | None = None, most: int = MOST_SEARCHED
    ) -> list[Mention]:
        """Return the model numbers that stand in a text, in its order; none overlaps another.

        Exact numbers, aliases and filled wildcards first, longer ones before shorter; then, of
        what is left, at most `most` runs that look like a number are searched, and kept when it
        is likelier than not which machine is meant. Bounded in time by the limits of texts.py,
        whatever the text.
        """
        found = list(texts.runs(text))
        taken = _Taken(text)
        for run in self._known_runs(found):
            if taken.is_free(run):
                seen = self._recognise_number(run.number, make, exact)
                if seen.how.certain:
                    taken.add(Mention(run.start, run.end, seen))
        left = (run for run in found if taken.is_free(run) and texts.looks_like_number(run))
        searched = [
            Mention(run.start, run.end, self._recognise_number(run.number, make, near))
            for run in islice(left, most)
        ]
        likely = [one for one in searched if one.seen.certainty >= MENTIONED]
        for one in sorted(likely, key=lambda one: (-one.seen.certainty, one.start)):
            if taken.is_free(one):
                taken.add(one)
        return sorted(taken.mentions, key=lambda one: one.start)

    def _ranked(
        self,
        number: str,
        layers: list[tuple[Shelf, np.ndarray | None]],
        make: Make | None,
        ask: Ask,
    ) -> list[Found]:
        asked = [shelf.layer(dead) for shelf, dead in layers]
        return rank(
            number,
            ask(asked, number),
            make_of=lambda hit: int(layers[hit.place][0].makes[hit.model]),
            make=make.pk if make else None,
            calibration=calibration(),
            most=MOST_CANDIDATES,
        )

    def _recognition(
        self,
        number: str,
        layers: list[tuple[Shelf, np.ndarray | None]],
        found: list[Found],
        make: Make | None,
    ) -> Recognition:
        models = [self._known(layers[one.place][0], one.model) for one in found]
        top = settled(found)
        probable = found and (top or found[0].probability >= LEAST_LIKELY)
        likely = models[0] if probable else None
        if likely is not None and make is not None and likely.make_id != make.pk and top is None:
            likely = None  # the plate's make is believed over a near number of another make
        its_make = make or self._guess_make(number, likely)
        how = found[0].how if likely else How.UNKNOWN
        own = patterns.fields_of(its_make.reads_by, number) if its_make else {}
        certainty = found[0].probability if likely else 0.0
        return Recognition(
            canonical=number,
            make_id=its_make.pk if its_make else None,
            make=its_make.name if its_make else "",
            make_is_guess=make is None and its_make is not None,
            settled=models[0] if top else None,
            likely=likely,
            certainty=1.0 if top else certainty,
            how=how,
            candidates=tuple(self._candidates(found, models)),
            fields=self._fields(own, likely, its_make, how=how),
            reads_alike=reads_alike(number, found),
            reads_well=bool(own and its_make and its_make.pattern),
            guessed=bool(its_make and not its_make.pattern),
        )

    def _candidates(
        self, found: Sequence[Found], models: Sequence[KnownModel]
    ) -> Iterable[Candidate]:
        for one, model in zip(found, models, strict=True):
            make = self._make(model.make_id)
            differs: tuple[str, ...] = ()
            if one is not found[0] and make and model.make_id == models[0].make_id:
                differs = differs_only_in(make.reads_by, found[0].filled, one.filled)
            yield Candidate(model, one.how, one.likeness, one.probability, differs)

    def _guess_make(self, number: str, likely: KnownModel | None) -> Make | None:
        if likely is not None:
            return self._make(likely.make_id)
        fitting = [m for m in self.makes if patterns.fields_of(m.pattern, number)]
        return fitting[0] if len(fitting) == 1 else None

    def _fields(
        self, own: dict[str, str], likely: KnownModel | None, make: Make | None, *, how: How
    ) -> dict[str, str]:
        """Return the plate's own fields, or the known number's where the plate was misread."""
        if likely is None or make is None or how.certain or (own and how in ROUGH):
            return own
        return patterns.fields_of(make.reads_by, likely.canonical) or own
