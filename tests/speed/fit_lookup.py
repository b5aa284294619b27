"""Fit the probability the lookup states, and measure the fit on makes not used in it.

Run from the top: python -m tests.speed.fit_lookup [--write]. Plain Python and numpy; writes
fixtures/reference/lookup.json when asked. About a minute. With --numbers FILE (a number a
line, of open data for instance) the stored weights are measured on those instead.
"""

import argparse
import json
import random
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from donors.domain.lookup import calibration, ranking
from donors.domain.lookup.search import search
from donors.domain.lookup.shelf import Builder
from donors.domain.model_numbers import canonical
from tests.speed import worlds

TARGET = Path(__file__).parents[2] / "fixtures" / "reference" / "lookup.json"
UNLISTED = 0.08  # share of queries about a machine that is not in the catalogue
TOLD, WRONG = 0.5, 0.05  # share of queries with a make, and of those with a wrong one
SIZES = (300, 2_000, 12_000, 40_000)
MAKES_EACH = 5
DENSE_EACH = 6  # makes that count upwards, in a catalogue of their own
FITTED_ON, MEASURED_ON = 0, 10_000  # first seed of each side's makes


def examples(first_seed: int, *, queries: int, rounds: int = 2) -> Iterator[tuple]:
    """Yield (features, whether the first candidate was the machine meant, raw likeness)."""
    for turn in range(rounds):
        for place, size in enumerate(SIZES):
            start = first_seed + (turn * len(SIZES) + place) * MAKES_EACH
            rows = worlds.catalogue(range(start, start + MAKES_EACH), size)
            yield from ask(rows, queries, f"queries {start}")
        dense = first_seed + turn * DENSE_EACH
        names = {
            canonical(name): (seed, name)
            for seed in range(dense, dense + DENSE_EACH)
            for name in worlds.dense_numbers(seed, 250)
        }
        yield from ask(list(names.values()), queries, f"dense {dense}")


def ask(rows: list[tuple[int, str]], queries: int, seed: str) -> Iterator[tuple]:
    """Yield (features, right, likeness) of noisy questions about a list of (make, number)."""
    rng = random.Random(seed)
    makes = sorted({make for make, _ in rows})
    rng.shuffle(rows)
    unlisted = rows[: max(20, len(rows) // 20)]
    listed = rows[len(unlisted) :]
    builder = Builder()
    for place, (make, number) in enumerate(listed):
        builder.add(place, make, number=number, canonical=canonical(number))
    shelf = builder.done()
    for _ in range(queries):
        known = rng.random() >= UNLISTED
        truth = rng.randrange(len(listed)) if known else -1
        make, number = listed[truth] if known else rng.choice(unlisted)
        query = canonical(rng.choice(list(worlds.CLASSES.values()))(number, rng))
        told = None
        if rng.random() < TOLD:
            told = make if rng.random() >= WRONG else rng.choice(makes)
        ranked = ranking.in_order(
            query,
            search([shelf.layer()], query),
            make_of=lambda hit: int(shelf.makes[hit.model]),
            make=told,
        )
        if ranked:
            seen = ranking.what_was_seen(query, ranked, told)
            yield seen.features(), ranked[0].model == truth, ranked[0].likeness


def table(first_seed: int, *, queries: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    found = list(examples(first_seed, queries=queries))
    features, right, raw = zip(*found, strict=True)
    return np.array(features), np.array(right, dtype=float), np.array(raw)


def stated_by_stored(features: np.ndarray) -> np.ndarray:
    """Return the probabilities that the stored weights state for some rows of features."""
    stored = json.loads(TARGET.read_text(encoding="utf-8"))
    weights = np.array(calibration.Calibration.of(stored).weights)
    return np.clip(1 / (1 + np.exp(-np.clip(features @ weights, -30, 30))), 0.001, 0.999)


def _measure_stored(path: Path, queries: int) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = list(
        {canonical(line): (0, line) for line in lines if len(canonical(line)) >= 5}.values()
    )
    found = list(ask(rows, queries, path.name))
    features, right, raw = (np.array(part, dtype=float) for part in zip(*found, strict=True))
    stated = stated_by_stored(features)
    print(
        f"{path.name}: {len(rows)} numbers, {len(right)} queries, right {right.mean():.3f}, "
        f"ECE {calibration.expected_error(stated, right):.4f}; "
        f"raw likeness: ECE {calibration.expected_error(raw, right):.4f}"
    )


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--write", action="store_true")
    parser.add_argument("--queries", type=int, default=2_500, help="of each catalogue")
    parser.add_argument("--numbers", type=Path, help="measure the stored weights on these")
    given = parser.parse_args()
    if given.numbers:
        _measure_stored(given.numbers, given.queries)
        return
    rows, right, _ = table(FITTED_ON, queries=given.queries)
    weights = calibration.fit(rows, right)
    fitted = calibration.Calibration(tuple(weights))
    print({name: round(float(w), 4) for name, w in zip(calibration.FEATURES, weights, strict=True)})
    for name, seed in (("fitted on", FITTED_ON), ("other makes", MEASURED_ON)):
        rows, right, raw = table(seed, queries=given.queries)
        stated = 1 / (1 + np.exp(-np.clip(rows @ weights, -30, 30)))
        stated = np.clip(stated, fitted.least, fitted.most)
        error = calibration.expected_error(stated, right)
        raw_error = calibration.expected_error(raw, right)
        brier = float(((stated - right) ** 2).mean())
        print(
            f"{name}: {len(right)} queries, right {right.mean():.3f}, ECE {error:.4f}, "
            f"Brier {brier:.4f}; raw likeness as a probability: ECE {raw_error:.4f}"
        )
        if name == "other makes":
            result = {"queries": len(right), "ece": round(error, 4), "brier": round(brier, 4)}
    if given.write:
        kept = {n: round(float(w), 5) for n, w in zip(calibration.FEATURES, weights, strict=True)}
        source = (
            "fitted by tests/speed/fit_lookup.py on invented makes (seeds from "
            f"{FITTED_ON}), {UNLISTED:.0%} of queries about machines not in the catalogue; "
            f"measured on other invented makes (seeds from {MEASURED_ON})"
        )
        text = {"source": source, "measured": result, "weights": kept}
        TARGET.write_text(json.dumps(text, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
