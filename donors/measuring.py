"""Measure the lookup on files: a throw-away catalogue, with the code the service runs."""

import csv
import io
import resource
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from donors.catalogue import Catalogue
from donors.domain.model_numbers import canonical
from donors.models import Make
from donors.recognition import KnownModel
from workshop.errors import DomainError

WARM = 20  # queries asked before the clock runs: a service has long been asked


class MeasureRefused(DomainError):
    """A file cannot be measured with; the message says why."""

    code = "measure-refused"


@dataclass(frozen=True, slots=True)
class Query:
    """A text as read, the make when it is told, and the canonical numbers it may truly be."""

    text: str
    make: str
    expected: frozenset[str]


@dataclass(frozen=True, slots=True)
class Measured:
    """recall and mrr are 0..1 over all queries; times are of `recognise`, in this process.
    A number that several makes sell takes one place: numbers are what is expected.

    build_s: reading MODELS.csv and building the index. peak_mib: the most memory the process
    held while building and asking, above what it held before it read the first row.
    """

    queries: int
    recall_at_1: float
    recall_at_5: float
    mrr: float
    p50_ms: float
    p95_ms: float
    build_s: float
    peak_mib: float


def measure(models: Path, queries: Path) -> Measured:
    """Build a catalogue of `models` and ask it every one of `queries`. Raises MeasureRefused."""
    asked = list(_read_queries(queries))
    if not asked:
        raise MeasureRefused(f"{queries.name} holds no query: nothing to measure.")
    before = _peak_mib()
    start = time.perf_counter()
    catalogue = build(models)
    build_s = time.perf_counter() - start
    makes: dict[str, Make | None] = {
        name: catalogue.find_make(name) for name in {query.make for query in asked}
    }
    for query in asked[:WARM]:
        catalogue.recognise(query.text, make=makes[query.make])
    ranks, times = [], []
    for query in asked:
        start = time.perf_counter()
        seen = catalogue.recognise(query.text, make=makes[query.make])
        times.append((time.perf_counter() - start) * 1000)
        numbers = dict.fromkeys(one.model.canonical for one in seen.candidates)
        ranks.append(_rank(query, list(numbers)))
    return Measured(
        queries=len(asked),
        recall_at_1=_share(ranks, lambda rank: rank == 1),
        recall_at_5=_share(ranks, lambda rank: rank is not None and rank <= 5),
        mrr=round(sum(1 / rank for rank in ranks if rank) / len(ranks), 4),
        p50_ms=round(_quantile(times, 0.5), 3),
        p95_ms=round(_quantile(times, 0.95), 3),
        build_s=round(build_s, 3),
        peak_mib=round(max(0.0, _peak_mib() - before), 1),
    )


def as_row(found: Measured) -> dict[str, float]:
    return asdict(found)


def build(models: Path) -> Catalogue:
    """Return a catalogue of a models.csv. Rows are read one by one; a repeated number counts once.

    Lenient where an import is strict: a blank make, an unknown appliance or an unknown column
    changes nothing of what is measured.
    """
    catalogue = Catalogue()
    makes: dict[str, Make | None] = {"": None}
    for place, row in enumerate(_rows(models, {"model_number"}), start=1):
        number = row.get("model_number") or ""
        key = canonical(number)
        if not key:
            continue
        name = row.get("make") or ""
        if name not in makes:
            found = catalogue.find_make(name)
            makes[name] = found or (catalogue.add_make(name) if canonical(name) else None)
        make = makes[name]
        aliases = {canonical(alias) for alias in (row.get("aliases") or "").split("|")}
        catalogue.add_model(
            KnownModel(
                id=place,
                make_id=make.pk if make else 0,
                make=name,
                number=number,
                canonical=key,
                appliance=row.get("appliance") or "",
                family=row.get("family") or "",
            ),
            aliases=sorted(aliases - {"", key}),
        )
    catalogue.ready()
    return catalogue


def _read_queries(path: Path) -> Iterator[Query]:
    for row in _rows(path, {"text", "expected"}):
        expected = frozenset(map(canonical, (row["expected"] or "").split("|"))) - {""}
        if not expected:
            raise MeasureRefused(
                f"{path.name}: the query {row['text']!r} expects nothing. Write the model numbers "
                "it may be, separated by |."
            )
        yield Query(row["text"] or "", (row.get("make") or "").strip(), expected)


def _rows(path: Path, needed: set[str]) -> Iterator[dict[str, str]]:
    """Yield the rows of a CSV file as they are read. Raises MeasureRefused when it is none."""
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            yield from _parsed(path.name, file, needed)
    except (OSError, UnicodeDecodeError, csv.Error) as bad:
        raise MeasureRefused(f"{path.name} cannot be read: {bad}.") from bad


def _parsed(name: str, file: io.TextIOBase, needed: set[str]) -> Iterator[dict[str, str]]:
    lines = csv.reader(file)
    header = [column.strip() for column in next(lines, [])]
    missing = needed - set(header)
    if missing:
        raise MeasureRefused(f"{name} has no column {', '.join(sorted(missing))}.")
    for line in lines:
        if line:
            yield dict(zip(header, line + [""] * (len(header) - len(line)), strict=False))


def _rank(query: Query, numbers: Sequence[str]) -> int | None:
    places = [i for i, number in enumerate(numbers, start=1) if number in query.expected]
    return places[0] if places else None


def _share(ranks: Sequence[int | None], holds: Callable[[int | None], bool]) -> float:
    return round(sum(map(holds, ranks)) / len(ranks), 4)


def _quantile(times: Sequence[float], share: float) -> float:
    """Return the value that this share of the times does not exceed (nearest rank)."""
    ordered = sorted(times)
    return ordered[max(0, -(-int(share * 1000) * len(ordered) // 1000) - 1)]


def _peak_mib() -> float:
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return peak / (1 << 20 if sys.platform == "darwin" else 1 << 10)
