"""What a workshop writes down of faults: symptoms with suspects, checks with their answers.

A suspect is a part kind or one of the causes that are no part (a blockage, the wiring).
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Self

from matching.domain.diagnosis import wording
from matching.domain.diagnosis.wording import NONE_ALIKE, Alike
from workshop.domain.refusals import Checks

SOMETHING_ELSE = "something-else"
MOST_MINUTES = 600.0
MOST_WORDS = 80  # ways of saying one symptom
_ROUNDING = 1e-6


@dataclass(frozen=True, slots=True)
class Symptom:
    """What a customer says or a machine shows. suspects: guide weights, any positive numbers."""

    slug: str
    appliance: str
    name: str
    suspects: Mapping[str, float]
    words: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Answer:
    """One thing a check can find: P(this answer | suspect at fault), 0..1, by suspect."""

    slug: str
    says: str
    likely: Mapping[str, float]
    otherwise: float

    def given(self, suspect: str) -> float:
        return self.likely.get(suspect, self.otherwise)


@dataclass(frozen=True, slots=True)
class Check:
    """Something to do before a part is blamed. order: the guide's place in the row of checks.

    cautions: rows of fixtures/reference/cautions.json to show beside it. instrument: what it is
    done with, where a workshop says so.
    """

    slug: str
    appliance: str
    do: str
    minutes: float
    order: int
    answers: tuple[Answer, ...]
    cautions: tuple[str, ...] = ()
    instrument: str = ""

    def answer(self, slug: str) -> Answer | None:
        return next((one for one in self.answers if one.slug == slug), None)


@dataclass(frozen=True)
class FaultTable:
    """Symptoms and checks by slug; causes that are no part with the words for them.

    alike: words that mean the same in what customers say.
    """

    symptoms: Mapping[str, Symptom]
    checks: Mapping[str, Check]
    causes: Mapping[str, str]
    alike: Alike = NONE_ALIKE

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Self:
        """Build from fixtures/reference/symptoms.json, or the same shape of a workshop's own.

        Raises ValueRefused: a name used twice, a weight that is not positive, minutes that are
        not, answers whose chances do not add up to 1 or leave something impossible.
        """
        symptoms = [_symptom(row) for row in data["symptoms"]]
        checks = [_check(row) for row in data["checks"]]
        with Checks() as bad:
            _refuse_repeated(bad, [one.slug for one in symptoms])
            _refuse_repeated(bad, [one.slug for one in checks])
            for symptom in symptoms:
                check_weights(bad, symptom.slug, symptom.suspects)
            for check in checks:
                _check_check(bad, check)
        causes = {row["slug"]: row["name"] for row in data["causes"]}
        by_order = sorted(checks, key=lambda one: (one.order, one.slug))
        return cls(
            {one.slug: one for one in symptoms},
            {one.slug: one for one in by_order},
            causes,
            Alike.of(
                (row["words"] for row in data.get("alike", ())),
                (one for row in data.get("components", ()) for one in row["words"]),
            ),
        )

    def symptoms_of(self, appliance: str) -> tuple[Symptom, ...]:
        return tuple(one for one in self.symptoms.values() if one.appliance == appliance)

    def said(self, text: str, *, appliance: str) -> tuple[Symptom, ...]:
        """Return the symptoms whose words stand in a text, the longest words first.

        Whole words count, in whatever form, denied where the words are (`wording`). What was
        found does not count again: of "motor runs, drum still" nothing is left for "drum still".
        """
        told = wording.read(text, self.alike)
        found = [
            (len(words), place, one)
            for one in self.symptoms_of(appliance)
            for words in one.words
            for place in wording.places(wording.phrase(words, self.alike), told)
        ]
        found.sort(key=lambda one: (-len(one[1]), -one[0], one[2].slug, one[1]))
        kept: dict[str, Symptom] = {}
        taken: set[int] = set()
        wholes: set[tuple[int, ...]] = set()
        for _, place, one in found:
            if place in wholes or taken.isdisjoint(place):
                kept.setdefault(one.slug, one)
                wholes.add(place)
                taken.update(range(place[0], place[-1] + 1))
        return tuple(kept.values())

    def checks_of(self, appliance: str) -> tuple[Check, ...]:
        return tuple(one for one in self.checks.values() if one.appliance == appliance)


def check_weights(bad: Checks, name: str, weights: Mapping[str, float]) -> None:
    """Note what is wrong with the weights of suspects."""
    if not weights:
        bad.refuse(name, "suspects nothing; name a part kind or a cause")
    for suspect, weight in weights.items():
        bad.number(name, weight, f"(weight of {suspect})", above=0, most=1e6)


def _symptom(row: Mapping[str, Any]) -> Symptom:
    return Symptom(row["slug"], row["appliance"], row["name"], row["suspects"], tuple(row["words"]))


def _check(row: Mapping[str, Any]) -> Check:
    answers = tuple(
        Answer(one["slug"], one["says"], one["likely"], one["otherwise"]) for one in row["answers"]
    )
    return Check(
        slug=row["slug"],
        appliance=row["appliance"],
        do=row["do"],
        minutes=row["minutes"],
        order=row["order"],
        answers=answers,
        cautions=tuple(row["cautions"]),
    )


def _check_check(bad: Checks, check: Check) -> None:
    bad.number(check.slug, check.minutes, "minutes", above=0, most=MOST_MINUTES)
    if len(check.answers) < 2:
        bad.refuse(check.slug, "has one answer or none; a check needs two that differ")
    _refuse_repeated(bad, [f"{check.slug}: {one.slug}" for one in check.answers])
    for suspect in ["otherwise", *{name for one in check.answers for name in one.likely}]:
        chances = [one.given(suspect) for one in check.answers]
        whole = all(bad.number(check.slug, p, "(chance)", above=0, most=1) for p in chances)
        if whole and abs(math.fsum(chances) - 1) > _ROUNDING:
            bad.refuse(check.slug, f"chances for {suspect} add up to {sum(chances):g}, not to 1")


def _refuse_repeated(bad: Checks, names: Iterable[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            bad.refuse(name, "is there twice; call one of them otherwise")
        seen.add(name)
