"""An index with what is known of each model beside it, in arrays too."""

from array import array
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from donors.domain.lookup.index import Index, Names, build
from donors.domain.lookup.search import Layer


@dataclass(frozen=True, slots=True)
class Entry:
    """A known model as the shelf holds it."""

    id: int
    make_id: int
    number: str
    appliance: str
    family: str


@dataclass
class Shelf:
    """Models by their place. words: appliances and families, each kept once."""

    index: Index
    ids: np.ndarray
    makes: np.ndarray
    printed: np.ndarray
    printed_at: np.ndarray
    appliance: np.ndarray
    family: np.ndarray
    words: list[str]

    def __len__(self) -> int:
        return len(self.ids)

    @property
    def nbytes(self) -> int:
        """Return the size of the arrays beside the index."""
        return sum(getattr(self, name).nbytes for name in MODEL_ARRAYS)

    def layer(self, dead: np.ndarray | None = None) -> Layer:
        """Return the numbers as the search asks them, without the models that are dead."""
        return Layer(self.index, dead, self.number)

    def number(self, place: int) -> str:
        """Return the number of a model as it is printed."""
        start, end = int(self.printed_at[place]), int(self.printed_at[place + 1])
        return self.printed[start:end].tobytes().decode()

    def entry(self, place: int) -> Entry:
        return Entry(
            id=int(self.ids[place]),
            make_id=int(self.makes[place]),
            number=self.number(place),
            appliance=self.words[int(self.appliance[place])],
            family=self.words[int(self.family[place])],
        )

    def place_of(self, model_id: int) -> int | None:
        """Return the place of a model by its id; ids stand in rising order."""
        place = int(np.searchsorted(self.ids, model_id))
        return place if place < len(self.ids) and self.ids[place] == model_id else None

    def dead(self, model_ids: Iterable[int]) -> np.ndarray | None:
        """Return which places no longer count, None when all do."""
        places = [place for one in model_ids if (place := self.place_of(one)) is not None]
        if not places:
            return None
        found = np.zeros(len(self.ids), dtype=bool)
        found[places] = True
        return found


MODEL_ARRAYS = ("ids", "makes", "printed", "printed_at", "appliance", "family")


class Builder:
    """Takes models one by one, by rising id, and builds the shelf."""

    def __init__(self) -> None:
        self.names = Names()
        self._ids, self._makes = array("q"), array("i")
        self._printed, self._printed_at = bytearray(), array("I", [0])
        self._appliance, self._family = array("H"), array("I")
        self._words: dict[str, int] = {"": 0}

    def add(
        self,
        model_id: int,
        make_id: int,
        *,
        number: str,
        canonical: str,
        appliance: str = "",
        family: str = "",
        aliases: Iterable[str] = (),
    ) -> None:
        """Add a model with the canonical forms of its aliases."""
        place = len(self._ids)
        self._ids.append(model_id)
        self._makes.append(make_id)
        self._printed += number.encode()
        self._printed_at.append(len(self._printed))
        words = self._words
        # Appliances are few; one that came after 65,535 other words would be left out.
        kind = words.setdefault(appliance, len(words))
        self._appliance.append(kind if kind < 1 << 16 else 0)
        self._family.append(words.setdefault(family, len(words)))
        self.names.add(canonical, place)
        for alias in aliases:
            self.names.add(alias, place, alias=True)

    def done(self) -> Shelf:
        index = build(self.names)
        return Shelf(
            index=index,
            ids=np.frombuffer(self._ids, dtype=np.int64),
            makes=np.frombuffer(self._makes, dtype=np.int32),
            printed=np.frombuffer(self._printed, dtype=np.uint8),
            printed_at=np.frombuffer(self._printed_at, dtype=np.uint32),
            appliance=np.frombuffer(self._appliance, dtype=np.uint16),
            family=np.frombuffer(self._family, dtype=np.uint32),
            words=list(self._words),
        )
