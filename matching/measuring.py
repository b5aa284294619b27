"""Measure the matching on labelled pairs, with the code the service runs, in memory.

Rows of files become the same unsaved outcomes an import makes, read by the same gatherer and
scored by the same engine. No database is asked and nothing is stored.
"""

import csv
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from donors.catalogue import Catalogue
from donors.catalogue_files import ensure_make, guess_patterns, read_catalogue
from matching import gather, learning, pairs
from matching.domain import metrics
from matching.domain.knowledge import Knowledge
from matching.domain.outcomes import Past
from matching.domain.scoring import Score, score
from matching.domain.verdicts import Verdict
from matching.domain.weights import Weights
from matching.exchange import Outcomes
from matching.models import Outcome
from parts.domain.interchange import InterchangeGraph
from parts.exchange.interchanges import Interchanges
from parts.reference import kinds
from workshop.exchange import cells
from workshop.exchange.reading import Column, Row, read_file, refuse_if_bad
from workshop.exchange.sheets import shown

CASE_COLUMNS = (*pairs.COLUMNS, Column("fits", cells.yes_no, required=True))


@dataclass(frozen=True, slots=True)
class Case:
    """One labelled pair: the row it stood in, what it states, both sides of it."""

    row: Row
    outcome: Outcome
    pair: Past

    @property
    def kind(self) -> str:
        return self.outcome.kind_id

    @property
    def fits(self) -> bool:
        return self.pair.fitted


@dataclass(frozen=True, slots=True)
class Material:
    """All that is measured with: the labelled pairs and what is known beside them."""

    cases: Sequence[Case]
    history: Sequence[Outcome] = ()
    graphs: Mapping[str, InterchangeGraph] = field(default_factory=dict)

    def knowledge(self, weights: Weights) -> dict[str, Knowledge]:
        """Return the knowledge of each kind that a case or a past fitting is about."""
        found = self.fresh(weights)
        by_kind: dict[str, list[Outcome]] = defaultdict(list)
        for outcome in self.history:
            by_kind[outcome.kind_id].append(outcome)
        for kind, outcomes in by_kind.items():
            gather.learn(found[kind], outcomes)
        return found

    def fresh(self, weights: Weights) -> dict[str, Knowledge]:
        """Return knowledge of the same kinds that no past fitting has touched."""
        slugs = {case.kind for case in self.cases} | {one.kind_id for one in self.history}
        return {
            slug: Knowledge(kinds()[slug], weights, self.graphs.get(slug) or InterchangeGraph())
            for slug in sorted(slugs)
        }

    def taught(self, by_hand: Weights) -> learning.Taught:
        """Return what the history teaches. No case is looked at."""
        return learning.teach(learning.History(self.history, self.fresh), by_hand)


def read_material(
    cases: Path,
    *,
    history: Path | None = None,
    models: Path | None = None,
    makes: Path | None = None,
    interchange: Path | None = None,
) -> Material:
    """Read the files. Raises FileRefused with every bad cell of the first file that has one.

    A make that no file describes is known by its name alone; a model number that no file
    lists stands for itself, as a plate nobody has seen before does in the service.
    """
    catalogue = read_catalogue(makes=makes, models=models)
    asked = _read_pairs(cases, CASE_COLUMNS, catalogue)
    past = _read_pairs(history, Outcomes.columns, catalogue) if history else []
    guess_patterns(catalogue, numbers_in([*asked, *past]))
    return Material(
        cases=_cases(asked, catalogue, cases.name),
        history=_history(past, catalogue, history.name) if history else [],
        graphs=_read_graphs(interchange) if interchange else {},
    )


def numbers_in(rows: Iterable[Row]) -> Iterator[tuple[str, str]]:
    """Yield (make, model number) of both machines of each pair, as they stand in the file."""
    for row in rows:
        for side in pairs.SIDES:
            yield row[f"{side}_make"] or "", row[f"{side}_model_number"] or ""


def _cases(rows: list[Row], catalogue: Catalogue, file: str) -> list[Case]:
    found = []
    for row in rows:
        stated = pairs.stated(row, set(kinds()), catalogue)
        if stated is not None:
            outcome = Outcome(result=_result(row["fits"]), **stated)
            found.append(Case(row, outcome, gather.past_of(outcome)))
    refuse_if_bad(rows, file)
    return found


def _result(fits: bool) -> Outcome.Result:
    return Outcome.Result.WORKED if fits else Outcome.Result.DID_NOT_FIT


def _history(rows: list[Row], catalogue: Catalogue, file: str) -> list[Outcome]:
    sheet = Outcomes()
    found = [sheet.outcome(None, row, set(kinds()), catalogue) for row in rows]
    refuse_if_bad(rows, file)
    return [outcome for outcome in found if outcome is not None]


def _read_pairs(path: Path, columns: Sequence[Column], catalogue: Catalogue) -> list[Row]:
    rows = read_file(path, columns)
    for row in rows:
        for side in pairs.SIDES:
            ensure_make(catalogue, row, f"{side}_make")
    refuse_if_bad(rows, path.name)
    return rows


def _read_graphs(path: Path) -> dict[str, InterchangeGraph]:
    sheet = Interchanges()
    rows = read_file(path, sheet.columns)
    graphs = sheet.graphs(rows, set(kinds()))
    refuse_if_bad(rows, path.name)
    return graphs


def weights_for(material: Material, by_hand: Weights) -> tuple[Weights, learning.Taught]:
    """Return the weights a service with this history would work with, and what it was taught.

    The learned ones where they are clearly better on held-out past fittings, else by hand.
    """
    taught = material.taught(by_hand)
    return (taught.weights if taught.clearly_better else by_hand), taught


def score_all(material: Material, weights: Weights) -> list[Score]:
    """Return the score of every case, in the order of the cases."""
    known = material.knowledge(weights)
    return [score(case.pair.offer, case.pair.want, known[case.kind]) for case in material.cases]


def measure(truths: Sequence[bool], scores: Sequence[Score]) -> dict[str, Any]:
    """Return the measures of design note section 9; None where one is not defined.

    A verdict of likely fits or better counts as yes. Per verdict: `count`, and `precision`,
    the share of its cases that truly fit.
    """
    chances = [one.p_fit for one in scores]
    found = metrics.yes_no(truths, [one.verdict.counts_as_fit for one in scores])
    return {
        "cases": len(truths),
        "precision": found.precision,
        "recall": found.recall,
        "f1": found.f1,
        "average_precision": metrics.average_precision(truths, chances),
        "brier": metrics.brier(truths, chances),
        "log_loss": metrics.log_loss(truths, chances),
        "ece": metrics.expected_calibration_error(truths, chances),
        "verdicts": _by_verdict(truths, [one.verdict for one in scores]),
    }


def _by_verdict(truths: Sequence[bool], verdicts: Sequence[Verdict]) -> dict[str, dict[str, Any]]:
    counts = Counter(verdicts)
    fitting = Counter(one for true, one in zip(truths, verdicts, strict=True) if true)
    return {
        one.value: {
            "count": counts[one],
            "precision": fitting[one] / counts[one] if counts[one] else None,
        }
        for one in Verdict
    }


def write_cases(path: Path, cases: Iterable[Case], scores: Iterable[Score]) -> None:
    """Write each case as it stood, with p_fit and verdict."""
    names = [column.name for column in CASE_COLUMNS]
    with path.open("w", encoding="utf-8", newline="") as out:
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow([*names, "p_fit", "verdict"])
        for case, found in zip(cases, scores, strict=True):
            stood = [cells.armour(_text(case.row[name])) for name in names]
            writer.writerow([*stood, f"{found.p_fit:.6f}", found.verdict.value])


def _text(value: Any) -> str:
    if isinstance(value, dict):
        return cells.attributes_text(value)
    return str(int(value)) if isinstance(value, bool) else shown(value)
