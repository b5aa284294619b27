"""What a rule would change before it is approved. Reads only."""

from dataclasses import dataclass, replace
from datetime import date

from matching import gather, ruling
from matching.domain.proportions import wilson95
from matching.domain.rules import ApprovedRule
from matching.domain.scoring import score
from matching.domain.sides import Side
from matching.matcher import open_needs
from matching.models import Need, Outcome, Rule
from matching.searching import Searcher
from parts.models import Part


@dataclass(frozen=True, slots=True)
class Change:
    """One match a rule would bring or take away, with P(fit) before and after."""

    need: Need
    part: Part
    before: float
    after: float


@dataclass(frozen=True, slots=True)
class Impact:
    """What approving (or, for an approved rule, having) a rule changes.

    gained, lost: matches that cross the workshop's alert threshold. agree, disagree: past
    fittings the rule speaks of that went as it says, or did not. interval: 95 % Wilson
    interval of the share that agree.
    """

    gained: tuple[Change, ...]
    lost: tuple[Change, ...]
    agree: int
    disagree: int
    interval: tuple[float, float]
    contradicts: tuple[Rule, ...]


def impact_of(rule: Rule, *, on: date) -> Impact:
    """Return what a rule changes for open needs, and how past fittings speak of it."""
    stated = gather.as_approved(rule)
    changes = list(_changes(rule, stated, on=on))
    least = rule.workshop.alert_from_p_fit
    agree, disagree = _record(rule, stated)
    return Impact(
        gained=tuple(one for one in changes if one.before < least <= one.after),
        lost=tuple(one for one in changes if one.after < least <= one.before),
        agree=agree,
        disagree=disagree,
        interval=wilson95(agree, agree + disagree),
        contradicts=tuple(ruling.contradicted_by(rule)),
    )


def _changes(rule: Rule, stated: ApprovedRule, *, on: date) -> list[Change]:
    searcher = Searcher(rule.workshop_id, on=on)
    known = searcher.knowledge(rule.kind_id)
    others = [one for one in known.rules if one.id not in {rule.pk, rule.replaces_id}]
    replaced = [one for one in known.rules if one.id == rule.replaces_id]
    without, with_it = (
        replace(known, rules=[*others, *replaced]),
        replace(known, rules=[*others, stated]),
    )
    for copy in (without, with_it):
        copy.sightings, copy.outcomes = known.sightings, known.outcomes
        copy.noted = known.noted
    found = []
    for need in open_needs(rule.workshop_id, kind=rule.kind_id):
        want = gather.want_of(need)
        for part in searcher.stock(need.kind_id, need.job.appliance_id):
            offer = gather.offer_of(part)
            if _touched(stated, replaced, offer, want):
                before, after = (score(offer, want, one).p_fit for one in (without, with_it))
                found.append(Change(need, part, before, after))
    return found


def _touched(stated: ApprovedRule, replaced: list[ApprovedRule], offer: Side, want: Side) -> bool:
    return any(one.applies(offer, want) for one in (stated, *replaced))


def _record(rule: Rule, stated: ApprovedRule) -> tuple[int, int]:
    """Return how many past fittings went as the rule says, and how many did not."""
    agree = disagree = 0
    for row in Outcome.of(rule.workshop_id).filter(kind=rule.kind_id).order_by("id"):
        past = gather.past_of(row)
        if stated.applies(past.offer, past.want):
            as_said = past.fitted == (stated.says != Rule.Says.NOT)
            agree, disagree = agree + as_said, disagree + (not as_said)
    return agree, disagree
