"""manage.py measure_fits CASES.csv [--history F] [--models F] [--makes F] [--interchange F]"""

import json
from pathlib import Path
from typing import Any

from django.core.management.base import BaseCommand, CommandError, CommandParser

from matching import gather, learning, measuring
from workshop.errors import DomainError


class Command(BaseCommand):
    help = (
        "Measure on labelled pairs how well parts are matched to jobs. Works on files alone: "
        "the workshop's data is neither read nor changed."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument(
            "cases", type=Path, help="columns of outcomes.csv up to job_attributes, then fits"
        )
        parser.add_argument(
            "--history", type=Path, help="outcomes.csv: past fittings to learn from"
        )
        parser.add_argument("--models", type=Path, help="models.csv: known model numbers")
        parser.add_argument("--makes", type=Path, help="makes.csv: makes and their patterns")
        parser.add_argument("--interchange", type=Path, help="interchange.csv")
        parser.add_argument("--json", action="store_true", help="print one JSON object")
        parser.add_argument(
            "--by-hand",
            action="store_true",
            help="weights as set by hand; else those the history teaches, where they are better",
        )
        parser.add_argument("--out", type=Path, help="write each case with p_fit and verdict")

    def handle(self, *args: Any, cases: Path, **options: Any) -> None:
        names = ("history", "models", "makes", "interchange")
        try:
            material = measuring.read_material(cases, **{name: options[name] for name in names})
        except DomainError as refused:
            raise CommandError(refused.message) from refused
        weights, taught = gather.weights(), None
        if not options["by_hand"]:
            weights, taught = measuring.weights_for(material, weights)
        scores = measuring.score_all(material, weights)
        found = measuring.measure([case.fits for case in material.cases], scores)
        if options["out"]:
            self._write(options["out"], material, scores)
        if options["json"]:
            self.stdout.write(json.dumps(found))
        else:
            self._print(found)
            if taught is not None and taught.outcomes:
                self.stdout.write(learning.summary(taught))

    def _write(self, path: Path, material: measuring.Material, scores: list[Any]) -> None:
        try:
            measuring.write_cases(path, material.cases, scores)
        except OSError as bad:
            raise CommandError(f"{path} cannot be written: {bad.strerror}.") from bad

    def _print(self, found: dict[str, Any]) -> None:
        verdicts = found.pop("verdicts")
        for name, value in found.items():
            self.stdout.write(f"{name.replace('_', ' '):18} {_shown(value)}")
        for name, row in verdicts.items():
            share = _shown(row["precision"])
            self.stdout.write(f"{name:18} {row['count']} cases, {share} of them fit")


def _shown(value: float | None) -> str:
    if value is None:
        return "not defined"
    return str(value) if isinstance(value, int) else f"{value:.4f}"
