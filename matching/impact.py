"""What a rule would change before it is approved. Reads only.

The number of queries does not grow with needs, parts or past fittings.
"""

from dataclasses import dataclass, replace
from datetime import date

from matching import gather, ruling
from matching.domain.proportions import wilson95
from matching.domain.rule_evidence import PastsByNumber, tally_of
from matching.domain.rules import ApprovedRule
from matching.domain.scoring import Score, score
from matching.domain.sides import Side
from matching.domain.verdicts import Verdict
from matching.matcher import open_needs
from matching.models import Need, Outcome, Rule
from matching.searching import Searcher
from parts.models import Part

MOST_SHOWN = 200


@dataclass(frozen=True, slots=True)
class Change:
    """One pair a rule moves: its score without the rule and with it."""

    need: Need
    part: Part
    without: Score
    having: Score

    def steps(self, least: float) -> int:
        """Return +1, +2 when the pair is gained, -1, -2 when lost, 0 when neither."""
        return _standing(self.having, least) - _standing(self.without, least)


def _standing(found: Score, least: float) -> int:
    """Return 0: not offered to the need; 1: offered; 2: its technician would be told."""
    if found.verdict == Verdict.DOES_NOT_FIT or not found.spoken_for:
        return 0
    return 2 if found.p_fit >= least else 1


@dataclass(frozen=True, slots=True)
class Impact:
    """What approving (or, for an approved rule, having) a rule changes.

    gained, lost: pairs that begin or cease to be offered, or to reach the workshop's alert
    threshold; at most MOST_SHOWN, those moved most first; the counts are of all. agree,
    disagree: past fittings the rule certainly speaks of that went as it says, or did not.
    interval: 95 % Wilson interval of the share that agree.
    """

    gained: tuple[Change, ...]
    lost: tuple[Change, ...]
    gained_count: int
    lost_count: int
    agree: int
    disagree: int
    interval: tuple[float, float]
    contradicts: tuple[Rule, ...]
    flag: str

    @property
    def agree_share(self) -> float | None:
        """Return the share of past fittings that agree, 0..1; None without any."""
        spoken_of = self.agree + self.disagree
        return self.agree / spoken_of if spoken_of else None


def impact_of(rule: Rule, *, on: date) -> Impact:
    """Return what a rule changes for open needs, and how past fittings speak of it."""
    stated = gather.as_approved(rule)
    least = rule.workshop.alert_from_p_fit
    moved = sorted(_changes(rule, stated, on=on), key=_most_moved)
    gained = [one for one in moved if one.steps(least) > 0]
    lost = [one for one in moved if one.steps(least) < 0]
    rows = Outcome.of(rule.workshop_id).filter(kind=rule.kind_id).order_by("id")
    tally = tally_of(stated, PastsByNumber(gather.past_of(row) for row in rows))
    return Impact(
        gained=tuple(gained[:MOST_SHOWN]),
        lost=tuple(lost[:MOST_SHOWN]),
        gained_count=len(gained),
        lost_count=len(lost),
        agree=tally.agree,
        disagree=tally.disagree,
        interval=wilson95(tally.agree, tally.of),
        contradicts=tuple(ruling.contradicted_by(rule)),
        flag=rule.flag,
    )


def _most_moved(change: Change) -> tuple[float, int, int]:
    moved = abs(change.having.p_fit - change.without.p_fit)
    return -moved, change.need.pk, change.part.pk


def _changes(rule: Rule, stated: ApprovedRule, *, on: date) -> list[Change]:
    searcher = Searcher(rule.workshop_id, on=on)
    known = searcher.knowledge(rule.kind_id)
    others = [one for one in known.rules if one.id not in {rule.pk, rule.replaces_id}]
    replaced = [one for one in known.rules if one.id == rule.replaces_id]
    without, having = (
        replace(known, rules=[*others, *replaced]),
        replace(known, rules=[*others, stated]),
    )
    for copy in (without, having):
        copy.sightings, copy.outcomes = known.sightings, known.outcomes
        copy.noted = known.noted
    found = []
    stock: dict[str, list[Part]] = {}
    for need in open_needs(rule.workshop_id, kind=rule.kind_id):
        want, appliance = gather.want_of(need), need.job.appliance_id
        if appliance not in stock:
            stock[appliance] = searcher.stock(rule.kind_id, appliance)
        for part in stock[appliance]:
            offer = gather.offer_of(part)
            if _touched(stated, replaced, offer, want):
                scores = (score(offer, want, one) for one in (without, having))
                found.append(Change(need, part, *scores))
    return found


def _touched(stated: ApprovedRule, replaced: list[ApprovedRule], offer: Side, want: Side) -> bool:
    return any(one.share(offer, want) != 0.0 for one in (stated, *replaced))
