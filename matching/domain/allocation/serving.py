"""Needs served together, one after the other, by moving parts among those served (Kuhn 1955)."""

from collections.abc import Mapping, Sequence


class Serving:
    """Keeps a part for every need added. `add` may move parts and never drops a need kept."""

    def __init__(self, offers: Mapping[str, Sequence[str]]) -> None:
        self._offers = offers
        self._holder: dict[str, str] = {}
        self._held: dict[str, str] = {}
        # Parts from which no free one can be reached; that stays so when more needs are served.
        self._dead: set[str] = set()

    @property
    def parts(self) -> Mapping[str, str]:
        """The part of each need served."""
        return self._held

    def add(self, needs: Sequence[str]) -> bool:
        """Serve all needs of one job more; False, and nothing changed, if they cannot be."""
        if len(needs) == 1:
            return self._add(needs[0])
        before = dict(self._holder), dict(self._held), set(self._dead)
        if all(self._add(need) for need in needs):
            return True
        self._holder, self._held, self._dead = before
        return False

    def _add(self, need: str) -> bool:
        came_by: dict[str, str] = {}
        todo = [need]
        for asking in todo:
            for part in self._offers[asking]:
                if part in came_by or part in self._dead:
                    continue
                came_by[part] = asking
                if part not in self._holder:
                    self._shift(part, came_by)
                    return True
                todo.append(self._holder[part])
        self._dead |= came_by.keys()
        return False

    def _shift(self, part: str | None, came_by: Mapping[str, str]) -> None:
        """Give each need on the path the part it was reached by, from the free part back."""
        while part is not None:
            asking = came_by[part]
            freed = self._held.get(asking)
            self._holder[part], self._held[asking] = asking, part
            part = freed
