"""What past fittings and sightings say of rules: counts, flags, and proposals of their own.

Runs in the dispatcher under the lock of the workshop, never in a request. The number of
queries is the same however many rules, fittings and sightings there are.
"""

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction

from matching import events, gather, matcher, ruling
from matching.domain.rule_conditions import covers
from matching.domain.rule_evidence import (
    Evidence,
    PastsByNumber,
    Proposal,
    contradiction,
    tally_of,
)
from matching.domain.rules import REFUSES, ApprovedRule, share_met
from matching.models import Outcome, Rule, RuleEntry, RulesWeighed
from parts.models import PartKind, Sighting
from parts.numbers import interchange_graph
from parts.selectors import list_sightings, printed_numbers
from workshop import outbox, reference
from workshop.models import OutboxEvent, Workshop

SOURCE = "evidence on record in this workshop"
WAY = 1  # raised when domain/rule_evidence.py counts differently: all is then weighed anew
COUNTED = ("agree", "disagree", "flag", "evidence", "weight")


def ask_for_review(workshop_id: int, kinds: Iterable[str]) -> None:
    """Record that rules of these kinds are to be weighed anew, unless that waits already.

    To be called by handlers of events: they hold the workshop's lock, so what waits now is
    handled after their transaction and sees what it wrote.
    """
    waiting = set(
        OutboxEvent.of(workshop_id)
        .filter(kind=events.RULES_REVIEW, done_at__isnull=True, dead_at__isnull=True)
        .values_list("payload__kind", flat=True)
    )
    for kind in sorted(set(kinds) - waiting):
        outbox.record(events.RULES_REVIEW, workshop_id=workshop_id, payload={"kind": kind})


MOST_WORKSHOPS_A_SWEEP = 5


def ask_where_due(now: datetime) -> int:
    """Ask for the review of all kinds of workshops whose evidence was never weighed in this way.

    That is once a workshop, for what was on record before rules were drawn from it, and once
    more whenever the way changes. Everything later is weighed by its own event, so that a sweep
    with nothing due costs one small query. Returns how many reviews were asked for.
    """
    weighed = RulesWeighed.objects.unscoped().filter(way=way()).values("workshop")
    due = Workshop.objects.exclude(pk__in=weighed).order_by("pk")[:MOST_WORKSHOPS_A_SWEEP]
    return sum(len(ask_for_all(workshop.pk, now=now)) for workshop in due)


@transaction.atomic
def ask_for_all(workshop_id: int, *, now: datetime) -> list[str]:
    """Ask for the review of every kind there is evidence or a rule of. Returns the kinds."""
    Workshop.objects.select_for_update(no_key=True).get(pk=workshop_id)
    spoken_of: set[str] = set()
    for model in (Outcome, Sighting, Rule):
        spoken_of.update(model.of(workshop_id).order_by().values_list("kind", flat=True).distinct())
    ask_for_review(workshop_id, spoken_of)
    RulesWeighed.of(workshop_id).update_or_create(
        workshop_id=workshop_id, defaults={"way": way(), "weighed_at": now}
    )
    return sorted(spoken_of)


def way() -> str:
    """Return a digest of how evidence is weighed: the thresholds, and WAY."""
    stated = json.dumps([WAY, reference.read("rule_proposals")], sort_keys=True)
    return hashlib.sha256(stated.encode()).hexdigest()


def needs_touched(rule: Rule) -> list[int]:
    """Return the ids of open needs a rule speaks of, whatever is offered to them."""
    stated = gather.as_approved(rule)
    sides = [stated.job_side, *([stated.donor_side] if stated.both_ways else [])]
    return [
        need.pk
        for need in matcher.open_needs(rule.workshop_id, kind=rule.kind_id)
        if any(share_met(side, gather.want_of(need)) != 0.0 for side in sides)
    ]


@dataclass
class _Review:
    """One kind's rules and what is on record of it."""

    workshop: Workshop
    kind: PartKind
    now: datetime
    limits: dict[str, Any] = field(default_factory=lambda: reference.read("rule_proposals"))

    def __post_init__(self) -> None:
        self.rules = list(
            Rule.of(self.workshop).filter(kind=self.kind).select_related("kind").order_by("id")
        )
        rows = Outcome.of(self.workshop).filter(kind=self.kind).order_by("fitted_on", "id")
        self.pasts = PastsByNumber(gather.past_of(row) for row in rows)
        self.proposals = self._proposals()

    def _proposals(self) -> list[Proposal]:
        printed = printed_numbers(self.workshop.pk, [self.kind.pk])[self.kind.pk]
        evidence = Evidence(
            self.limits,
            pattern_fields=ruling.pattern_fields(self.workshop),
            show=lambda number: printed.get(number, number),
        )
        evidence.add_pasts(self.pasts.all)
        seen = list_sightings(self.workshop.pk, kinds=[self.kind.pk])
        evidence.add_seen(gather.as_seen(row) for row in seen)
        return evidence.proposals(interchange_graph(self.workshop.pk, self.kind.pk))

    def open_rules(self) -> list[Rule]:
        return [rule for rule in self.rules if rule.state in ruling.OPEN_STATES]


def review_kind(workshop_id: int, kind: str, *, now: datetime) -> None:
    """Count what speaks for and against each rule of a kind, flag those contradicted, and
    propose what the evidence speaks for and no rule says yet."""
    review = _Review(Workshop.objects.get(pk=workshop_id), PartKind.objects.get(pk=kind), now)
    entries = _count_and_flag(review)
    entries += _propose(review)
    RuleEntry.objects.bulk_create(entries, batch_size=200)


def _count_and_flag(review: _Review) -> list[RuleEntry]:
    """Update counts, flags and evidence of open rules; returns what to note in their records."""
    entries = []
    changed = []
    said_now = {one.basis: one for one in review.proposals}
    for rule in review.open_rules():
        stated = gather.as_approved(rule)
        tally = tally_of(stated, review.pasts)
        flag = contradiction(tally, review.limits["contradicted"])
        flag = (flag or _opposed(rule, stated, review.proposals))[:300]
        if bool(flag) != rule.flagged:
            act = RuleEntry.Act.FLAGGED if flag else RuleEntry.Act.CLEARED
            entries.append(_entry(rule, act, review.now, flag))
        before = [getattr(rule, name) for name in COUNTED]
        rule.agree, rule.disagree, rule.flag = tally.agree, tally.disagree, flag
        now_said = said_now.get(rule.basis)
        if now_said is not None and rule.state == Rule.State.PROPOSED:
            rule.evidence, rule.weight = now_said.because, now_said.weight
            rule.words = ruling.searched_words(rule)
        if before != [getattr(rule, name) for name in COUNTED] or rule.counted_at is None:
            rule.counted_at = review.now
            changed.append(rule)
    fields = [*COUNTED, "words", "counted_at"]
    # Locked in the order decisions lock them (ruling.lock_deciding), so that none waits in a
    # circle.
    ids = [rule.pk for rule in changed]
    rows = Rule.of(review.workshop).filter(pk__in=ids).order_by("id")
    list(rows.select_for_update(no_key=True).values_list("id", flat=True))
    Rule.objects.unscoped().bulk_update(changed, fields, batch_size=200)
    return entries


def _opposed(rule: Rule, stated: ApprovedRule, proposals: list[Proposal]) -> str:
    """Say which proposal the evidence speaks for goes against part of a rule in force."""
    if rule.state != Rule.State.APPROVED:
        return ""
    for one in proposals:
        opposite = (one.says == REFUSES) != (stated.says == REFUSES)
        if opposite and covers(stated, one.stated()):
            return f"Within it the evidence says otherwise. {one.because}"
    return ""


def _propose(review: _Review) -> list[RuleEntry]:
    """Store what is new among the proposals; returns what to note in their records."""
    rules = []
    for one in review.proposals:
        replaces = _may_propose(one, review)
        if replaces is not None:
            rules.append(_rule_of(one, review, replaces[0]))
    Rule.objects.bulk_create(rules, batch_size=200)
    return [_entry(rule, RuleEntry.Act.PROPOSED, review.now, rule.evidence) for rule in rules]


def _may_propose(one: Proposal, review: _Review) -> tuple[Rule | None] | None:
    """Return (the rule it would replace, if any), or None when it is not to be proposed.

    Not when an open rule covers it or an approved one says the opposite; nor when it was
    turned down, taken back or proposed before and the evidence has not grown since.
    """
    stated = one.stated()
    replaces = None
    for rule in review.rules:
        is_open = rule.state in ruling.OPEN_STATES
        if is_open and _says_as_much(rule, stated):
            return None
        if not _same_matter(rule, one, stated):
            continue
        if rule.state == Rule.State.PROPOSED or not _grown(rule, one, review.limits["grown"]):
            return None
        replaces = rule if rule.state == Rule.State.APPROVED else replaces
    in_force = [rule for rule in review.rules if rule.state == Rule.State.APPROVED]
    fresh = _rule_of(one, review, replaces)
    if any(rule is not replaces and ruling.contradicts(fresh, rule) for rule in in_force):
        return None
    return (replaces,)


def _says_as_much(rule: Rule, stated: ApprovedRule) -> bool:
    """Return True when a rule covers a statement with the same answer or a more careful one."""
    same = rule.says == stated.says or (rule.says == Rule.Says.CONDITIONS and stated.says == "fits")
    return same and covers(gather.as_approved(rule), stated)


def _same_matter(rule: Rule, one: Proposal, stated: ApprovedRule) -> bool:
    if rule.basis == one.basis:
        return True
    was = gather.as_approved(rule)
    return rule.says == one.says and covers(was, stated) and covers(stated, was)


def _grown(rule: Rule, one: Proposal, factor: float) -> bool:
    """Return True when there is materially more evidence than when the rule was decided."""
    return one.weight >= factor * max(rule.weight, rule.agree + rule.disagree, 1)


def _rule_of(one: Proposal, review: _Review, replaces: Rule | None) -> Rule:
    statement = ruling.Statement(
        kind=review.kind.pk,
        says=one.says,
        donor_side=one.donor_side,
        job_side=one.job_side,
        both_ways=one.both_ways,
        evidence=one.because,
        source=SOURCE,
    )
    rule = ruling.new_rule(review.workshop.pk, statement, kind=review.kind, replaces=replaces)
    rule.basis, rule.weight, rule.proposed_at = one.basis, one.weight, review.now
    tally = tally_of(one.stated(), review.pasts)
    rule.agree, rule.disagree, rule.counted_at = tally.agree, tally.disagree, review.now
    return rule


def _entry(rule: Rule, act: RuleEntry.Act, now: datetime, note: str) -> RuleEntry:
    return RuleEntry(workshop_id=rule.workshop_id, rule=rule, act=act, by=None, at=now, note=note)
