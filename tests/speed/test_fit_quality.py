"""How well fits are judged, beside other ways of judging them, on worlds never tuned on.

    python -m pytest tests/speed/test_fit_quality.py -m speed -s

Writes docs/fits.md. Worlds: fixtures/demo/make_world.py with seeds used nowhere else, as
written and spoilt further, and other_world.py, built on other principles. Every world has 2,000
past fittings (demo worlds 2,200, the smaller one 1,540) and 3,000 cases that are not among
them. Peers (fit_peers.py) are trained on the same fittings and asked the same cases. Day one:
no fitting at all. No figure decides the test; reaching them is for the reader to see.
"""

import csv
import os
import random
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from fixtures.demo.make_world import make_cases, make_world, write_world
from fixtures.demo.world.write import write_csv
from matching import gather, measuring
from matching.domain import metrics
from tests.speed import fit_peers
from tests.speed.other_world import Lay, write_other_world

pytestmark = [pytest.mark.speed, pytest.mark.filterwarnings("ignore")]
PAGE = Path(__file__).parents[2] / "docs" / "fits.md"
CASES = int(os.environ.get("FIT_CASES", "3000"))
START, END = "<!-- measured -->", "<!-- end -->"
HEAD = "| judged by | F1 | average precision | Brier | log loss | ECE |\n|---|---|---|---|---|---|"
Spoil = Callable[[Path], None]


def test_fits_beside_its_peers(tmp_path: Path) -> None:
    sections: list[str] = []
    for name, folder in worlds(tmp_path):
        sections.append(section(name, folder))
        write_page(sections)  # each as it is done: a run takes minutes a world


def write_page(sections: list[str]) -> None:
    before, _, rest = PAGE.read_text(encoding="utf-8").partition(START)
    text = "\n\n".join(sections)
    after = rest.partition(END)[2]
    PAGE.write_text(f"{before}{START}\n\n{text}\n\n{END}{after}", encoding="utf-8")


def worlds(root: Path) -> Iterator[tuple[str, Path]]:
    """Yield each world's name and the folder with its five files."""
    for seed, scale, name, spoil in (
        (7101, 1.0, "demo world, as written", lambda folder: None),
        (7102, 0.7, "demo world, smaller, half of all part numbers and dates blank", blank_half),
        (7103, 1.0, "demo world, no pattern, no list of models, no interchange", drop_lists),
    ):
        yield f"{name} (seed {seed})", demo(root / str(seed), seed, scale, spoil)
    usual = Lay(seed=7201)
    for name, lay in (
        ("other world", usual),
        (
            "other world, half of the models listed, no pattern, few numbers",
            replace(usual, seed=7202, patterns=False, models=0.5, numbers=(0.6, 0.4), dates=0.75),
        ),
        (
            "other world, well noted, no wrong notes, no try on the same model",
            replace(
                usual, seed=7203, attributes=0.6, numbers=(0.85, 0.6), wrong_labels=0.0,
                same_model=0.0, families=12,
            ),
        ),
        (
            "other world, no interchange, often misread",
            replace(usual, seed=7204, interchange=0.0, misread=0.05, wrong_labels=0.03),
        ),
    ):  # fmt: skip
        folder = root / str(lay.seed)
        write_other_world(replace(lay, cases=CASES), folder)
        yield f"{name} (seed {lay.seed})", folder


def demo(root: Path, seed: int, scale: float, spoil: Spoil) -> Path:
    world = make_world(seed=seed, scale=scale)
    write_world(world, root)
    folder = root / "millrace-lane"
    write_csv(folder / "cases.csv", "cases", make_cases(world, CASES, seed))
    spoil(folder)
    return folder


def blank_half(folder: Path) -> None:
    rng = random.Random("blank")
    cells = [["part_number"], ["job_part_number"]]
    cells += [[f"{side}_built_from", f"{side}_built_to"] for side in ("donor", "job")]

    def spoil(row: dict[str, str]) -> None:
        for names in cells:
            if rng.random() < 0.5:
                row.update(dict.fromkeys(names, ""))

    for file in ("outcomes", "cases"):
        change(folder / f"{file}.csv", spoil)


def drop_lists(folder: Path) -> None:
    change(folder / "makes.csv", lambda row: row.update(pattern=""))
    for file in ("models", "interchange"):
        path = folder / f"{file}.csv"
        path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")


def change(path: Path, spoil: Callable[[dict[str, str]], None]) -> None:
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        names, rows = list(reader.fieldnames or []), list(reader)
    for row in rows:
        spoil(row)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, names, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)


def section(name: str, folder: Path) -> str:
    files = {one: folder / f"{one}.csv" for one in ("models", "makes", "interchange")}
    material = measuring.read_material(
        folder / "cases.csv", history=folder / "outcomes.csv", **files
    )
    truths = [case.fits for case in material.cases]
    past = fit_peers.columns(material, material.history)
    asked = fit_peers.columns(material, [case.outcome for case in material.cases])
    share = 100 * sum(truths) / len(truths)
    lines = [
        f"### {name[0].upper()}{name[1:]}",
        f"{len(material.history):,} past fittings, {len(truths):,} cases, {share:.0f} % fit.\n",
        HEAD,
    ]
    for peer in fit_peers.all_peers():
        peer.fit(past, fit_peers.truths(material.history))
        lines.append(peer_line(peer, truths, peer.chances(asked)))
    by_hand = gather.weights()
    weights, taught = measuring.weights_for(material, by_hand)
    lines.append(line("ours, weights by hand", truths, material, by_hand))
    words = "learned" if weights is not by_hand else "learned, not taken up: no clear gain"
    lines.append(line(f"**ours, weights {words}**", truths, material, weights))
    new = measuring.Material(material.cases, graphs=material.graphs)
    lines.append(line("**ours on day one**", truths, new, by_hand))
    after = measuring.measure(truths, measuring.score_all(material, weights))["verdicts"]
    day_one = measuring.measure(truths, measuring.score_all(new, by_hand))["verdicts"]
    lines += ["", "| verdict | cases | right | day one: cases | right |", "|---|---|---|---|---|"]
    lines += [
        f"| {word.replace('-', ' ')} | {after[word]['count']} | {shown(after[word]['precision'])} "
        f"| {day_one[word]['count']} | {shown(day_one[word]['precision'])} |"
        for word in after
    ]
    lines.append(
        f"\nHeld-out log loss within the history: {shown(taught.before)} by hand, "
        f"{shown(taught.after)} learned (standard error {shown(taught.error)})."
    )
    return "\n".join(lines)


def line(
    name: str, truths: list[bool], material: measuring.Material, weights: gather.Weights
) -> str:
    found = measuring.measure(truths, measuring.score_all(material, weights))
    names = ("f1", "average_precision", "brier", "log_loss", "ece")
    return f"| {name} | " + " | ".join(shown(found[one]) for one in names) + " |"


def peer_line(peer: fit_peers.Peer, truths: list[bool], found: fit_peers.Chances) -> str:
    chances = [float(one) for one in found]
    figures = (
        metrics.yes_no(truths, [one >= peer.threshold for one in chances]).f1,
        metrics.average_precision(truths, chances),
        metrics.brier(truths, chances),
        metrics.log_loss(truths, chances),
        metrics.expected_calibration_error(truths, chances),
    )
    return f"| {peer.name} | " + " | ".join(shown(one) for one in figures) + " |"


def shown(value: float | None) -> str:
    return "–" if value is None else f"{value:.3f}"
