"""Other ways to say whether a part fits, trained on the same past fittings and asked the same.

Each peer reads the columns of outcomes.csv and the relations of interchange.csv, as anyone
would who has those files and a general-purpose library. None sees the cases' answers.
"""

import re
from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
import recordlinkage
from rapidfuzz import fuzz
from sklearn.ensemble import HistGradientBoostingClassifier
from sklearn.linear_model import LogisticRegression
from sklearn.preprocessing import StandardScaler

from matching.measuring import Material
from matching.models import Outcome

Chances = np.ndarray
NAMES = [
    "number_same", "number_known", "number_ratio", "related", "model_same", "model_ratio",
    "make_same", "gap_years", "gap_known", "agree", "conflict", "stated",
]  # fmt: skip


def clean(text: str) -> str:
    return re.sub(r"[^A-Z0-9]", "", text.upper())


def columns(material: Material, rows: Sequence[Outcome]) -> pd.DataFrame:
    """Return a row of figures for each pair: n rows, NAMES and one column a kind."""
    found = pd.DataFrame([_figures(material, row) for row in rows], columns=NAMES)
    kinds = sorted(
        {one.kind_id for one in [*material.history, *(c.outcome for c in material.cases)]}
    )
    for kind in kinds:
        found[f"kind {kind}"] = [float(row.kind_id == kind) for row in rows]
    return found


def _figures(material: Material, row: Outcome) -> list[float]:
    a, b = clean(row.part_number), clean(row.job_part_number)
    m, n = clean(row.donor_model_number), clean(row.job_model_number)
    graph = material.graphs.get(row.kind_id)
    related = bool(a and b and a != b and graph and graph.serves(a, b))
    gap = _gap(row)
    ours, theirs = row.part_attributes, row.job_attributes
    both = ours.keys() & theirs.keys()
    agree = sum(ours[name] == theirs[name] for name in both)
    return [
        float(bool(a) and a == b), float(bool(a and b)), ratio(a, b), float(related),
        float(bool(m) and m == n), ratio(m, n),
        float(row.donor_make.upper() == row.job_make.upper()),
        gap if gap is not None else 2.0, float(gap is not None),
        agree, len(both) - agree, len(both),
    ]  # fmt: skip


def _gap(row: Outcome) -> float | None:
    ends = (row.donor_built_from, row.donor_built_to, row.job_built_from, row.job_built_to)
    if not all(isinstance(end, date) for end in ends):
        return None
    apart = max((ends[0] - ends[3]).days, (ends[2] - ends[1]).days, 0)
    return min(10.0, apart / 365.25)


def ratio(a: str, b: str) -> float:
    """Return 0..1, and one half where either is missing: ratio("", "") is no likeness."""
    return fuzz.ratio(a, b) / 100 if a and b else 0.5


def truths(rows: Sequence[Outcome]) -> np.ndarray:
    return np.array([row.result != "did-not-fit" for row in rows])


class Peer:
    """fit on the past, then chances 0..1 for cases; yes from `threshold` on."""

    name = ""
    threshold = 0.5

    def fit(self, past: pd.DataFrame, fits: np.ndarray) -> None: ...
    def chances(self, asked: pd.DataFrame) -> Chances:
        raise NotImplementedError


class SameModel(Peer):
    name = "same model number only"

    def chances(self, asked: pd.DataFrame) -> Chances:
        return asked["model_same"].to_numpy()


class Ratio(Peer):
    """rapidfuzz's ratio of one pair of numbers; yes from the threshold best on the past."""

    def __init__(self, name: str, column: str) -> None:
        self.name, self.column = name, column

    def fit(self, past: pd.DataFrame, fits: np.ndarray) -> None:
        steps = np.linspace(0.05, 1, 96)
        self.threshold = max(steps, key=lambda t: _f1(fits, past[self.column].to_numpy() >= t))

    def chances(self, asked: pd.DataFrame) -> Chances:
        return asked[self.column].to_numpy()


class Learner(Peer):
    """A classifier of scikit-learn; needs a past with both answers."""

    def __init__(self, name: str, model: Any) -> None:
        self.name, self.model, self.scale = name, model, StandardScaler()

    def fit(self, past: pd.DataFrame, fits: np.ndarray) -> None:
        self.model.fit(self.scale.fit_transform(past), fits)

    def chances(self, asked: pd.DataFrame) -> Chances:
        return self.model.predict_proba(self.scale.transform(asked))[:, 1]


class RecordLinkage(Peer):
    """recordlinkage's naive Bayes (Fellegi-Sunter with labels) on yes-or-no comparisons."""

    name = "recordlinkage, naive Bayes"

    def fit(self, past: pd.DataFrame, fits: np.ndarray) -> None:
        self.model = recordlinkage.NaiveBayesClassifier(binarize=0.5)
        table = _comparisons(past)
        self.model.fit(table, table.index[fits])

    def chances(self, asked: pd.DataFrame) -> Chances:
        return self.model.prob(_comparisons(asked)).to_numpy()


def _comparisons(rows: pd.DataFrame) -> pd.DataFrame:
    known = rows["number_known"] > 0.5
    table = pd.DataFrame(
        {
            "number same": rows["number_same"],
            "number differs": known & (rows["number_same"] < 0.5),
            "related": rows["related"],
            "model same": rows["model_same"],
            "model alike": rows["model_ratio"] >= 0.85,
            "make same": rows["make_same"],
            "near in time": (rows["gap_known"] > 0.5) & (rows["gap_years"] < 1),
            "far in time": (rows["gap_known"] > 0.5) & (rows["gap_years"] > 3),
            "agrees": rows["agree"] > 0,
            "conflicts": rows["conflict"] > 0,
        }
    ).astype(float)
    table.index = pd.MultiIndex.from_arrays([range(len(rows)), range(len(rows))])
    return table


def _f1(fits: np.ndarray, says: np.ndarray) -> float:
    right = int((fits & says).sum())
    return 2 * right / max(1, int(fits.sum()) + int(says.sum()))


def all_peers() -> list[Peer]:
    """Return every peer, to be fitted on past pairs of which some fitted and some did not."""
    return [
        SameModel(),
        Ratio("rapidfuzz ratio of part numbers", "number_ratio"),
        Ratio("rapidfuzz ratio of model numbers", "model_ratio"),
        Learner("logistic regression", LogisticRegression(max_iter=2000)),
        Learner("gradient boosting", HistGradientBoostingClassifier(max_iter=150, random_state=0)),
        RecordLinkage(),
    ]
