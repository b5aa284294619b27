"""What the answers of checks say, and which check is worth its minutes next.

Answers given one suspect are taken as independent (naive Bayes). A check pays when it saves more
minutes of wrong parts fitted than it takes; of those that pay the next is the one whose answer is
expected to tell most about the suspects for each minute: the mutual information of answer and
suspect in bits (Shannon 1948), over minutes. It looks one check ahead; how little that loses
against the best possible order is measured in its tests.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from matching.domain.diagnosis.beliefs import Odds, normal
from matching.domain.diagnosis.tables import Check
from workshop.domain.refusals import Checks

# Minutes lost with a wrong part: fitting it, trying, taking it out again, and what it cost, as
# minutes. Common practice, a guess.
WRONG_PART_MIN = 120.0
# What a check must tell to be listed at all. Our own choice.
LEAST_BITS = 0.02


@dataclass(frozen=True, slots=True)
class Ranked:
    """A check not yet done.

    bits: what its answer is expected to tell. saves_min: minutes of wrong parts it is expected to
    save, its own not taken off.
    """

    check: Check
    bits: float
    saves_min: float

    @property
    def bits_a_minute(self) -> float:
        return self.bits / self.check.minutes

    @property
    def pays(self) -> bool:
        return self.saves_min > self.check.minutes


def after_answers(odds: Odds, checks: Mapping[str, Check], answers: Mapping[str, str]) -> Odds:
    """Return the odds after answers (check to answer). A blank answer moves nothing.

    Raises ValueRefused for a check or an answer that is not known.
    """
    weights = dict(odds)
    with Checks() as bad:
        for slug, said in answers.items():
            answer = checks[slug].answer(said) if slug in checks else None
            if answer is not None:
                weights = {name: p * answer.given(name) for name, p in weights.items()}
            elif slug not in checks:
                bad.refuse(slug, "is no check of this appliance")
            elif said:
                bad.refuse(slug, f"{said!r} is none of its answers; leave it blank if unknown")
    return normal(weights)


def ranked(
    odds: Odds, checks: Iterable[Check], *, wrong_part_min: float = WRONG_PART_MIN
) -> tuple[Ranked, ...]:
    """Return the checks that tell something: those that pay first, then by bits a minute.

    Raises ValueRefused when wrong_part_min is negative.
    """
    with Checks() as bad:
        bad.number("wrong_part_min", wrong_part_min, "minutes", least=0)
    found = (
        Ranked(one, expected_bits(odds, one), wrong_part_min * _surer(odds, one)) for one in checks
    )
    return tuple(sorted((one for one in found if one.bits >= LEAST_BITS), key=_turn))


def next_check(
    odds: Odds, checks: Iterable[Check], *, wrong_part_min: float = WRONG_PART_MIN
) -> Ranked | None:
    """Return the check to do next; None when none pays and the likeliest is better tried."""
    first = next(iter(ranked(odds, checks, wrong_part_min=wrong_part_min)), None)
    return first if first is not None and first.pays else None


def _turn(one: Ranked) -> tuple[bool, float, int, str]:
    return (not one.pays, -one.bits_a_minute, one.check.order, one.check.slug)


def _surer(odds: Odds, check: Check) -> float:
    """Return by how much a check is expected to raise the chance of naming the right suspect."""
    after = math.fsum(
        max(p * answer.given(name) for name, p in odds.items()) for answer in check.answers
    )
    return max(0.0, after - max(odds.values()))


def expected_bits(odds: Odds, check: Check) -> float:
    """Return how many bits of doubt about the suspects a check is expected to take away."""
    left = 0.0
    for answer in check.answers:
        joint = {name: p * answer.given(name) for name, p in odds.items()}
        p_answer = math.fsum(joint.values())
        if p_answer > 0:
            left += p_answer * doubt_bits(normal(joint))
    return max(0.0, doubt_bits(odds) - left)


def doubt_bits(odds: Odds) -> float:
    """Return the entropy of the odds in bits."""
    return -math.fsum(p * math.log2(p) for p in odds.values() if p > 0)
