"""Writes on rules: propose, comment, approve, reject, retire. Who and when is kept."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction

from donors.catalogue import Catalogue
from donors.domain.patterns import compile_pattern
from matching import events
from matching.domain.rule_conditions import may_meet, problems
from matching.models import Rule, RuleEntry
from parts.selectors import get_kind
from workshop import outbox
from workshop.errors import Conflict, InputRefused, NotAllowed, NotFound
from workshop.members import covers
from workshop.models import Member, Role, Workshop


@dataclass(frozen=True, slots=True)
class Statement:
    """What a rule says: for which kind, between which machines or parts, and on what grounds."""

    kind: str
    says: str
    donor_side: Mapping[str, Any] = field(default_factory=dict)
    job_side: Mapping[str, Any] = field(default_factory=dict)
    both_ways: bool = False
    conditions: str = ""
    evidence: str = ""
    source: str = ""
    replaces: int | None = None


@transaction.atomic
def propose_rule(
    *, workshop: Workshop, statement: Statement, member: Member, now: datetime
) -> Rule:
    """Store a proposed rule. It changes nothing until a reviewer approves it.

    Raises InputRefused with the reason by field.
    """
    kind = get_kind(statement.kind)
    _refuse_bad_statement(workshop, statement)
    replaced = get_rule(workshop, statement.replaces) if statement.replaces else None
    if replaced is not None and replaced.kind_id != kind.pk:
        raise InputRefused(
            f"Rule {replaced.pk} is on another part kind ({replaced.kind_id}).",
            fields={"replaces": "On another part kind."},
        )
    rule: Rule = Rule.objects.create(
        workshop=workshop,
        kind=kind,
        says=statement.says,
        donor_side=dict(statement.donor_side),
        job_side=dict(statement.job_side),
        both_ways=statement.both_ways,
        conditions=statement.conditions.strip(),
        evidence=statement.evidence.strip(),
        source=statement.source.strip(),
        replaces=replaced,
        proposed_by=member,
        proposed_at=now,
    )
    _enter(rule, RuleEntry.Act.PROPOSED, member, now)
    return rule


def _refuse_bad_statement(workshop: Workshop, statement: Statement) -> None:
    if not statement.donor_side and not statement.job_side:
        raise InputRefused(
            "A rule needs a condition on the donor's side or the job's.",
            fields={"donor_side": "Name a condition here or on the job's side."},
        )
    if statement.says == Rule.Says.CONDITIONS and not statement.conditions.strip():
        raise InputRefused(
            "The rule fits with conditions, but names none.",
            fields={"conditions": "Say the conditions in words."},
        )
    fields_of = _pattern_fields(Catalogue.load(workshop))
    found = {
        f"{side}.{name}": f"{message}."
        for side in ("donor_side", "job_side")
        for name, message in problems(getattr(statement, side), fields_of)
    }
    if found:
        listed = "; ".join(f"{name} {message}" for name, message in found.items())
        raise InputRefused(f"The rule cannot be used: {listed}", fields=found)


def _pattern_fields(catalogue: Catalogue) -> Any:
    def fields_of(make: str) -> frozenset[str] | None:
        known = next((one for one in catalogue.makes if one.name == make), None)
        if known is None:
            return None
        if not known.pattern:
            return frozenset()
        return frozenset(compile_pattern(known.pattern).groupindex)

    return fields_of


def get_rule(workshop: Workshop, rule_id: int, *, lock: bool = False) -> Rule:
    """Return the rule or raise NotFound; locked for writing when asked."""
    rows = Rule.of(workshop)
    rows = rows.select_for_update(of=("self",)) if lock else rows
    rule = rows.filter(pk=rule_id).first()
    if rule is None:
        raise NotFound(f"There is no rule {rule_id} in this workshop.")
    found: Rule = rule
    return found


@transaction.atomic
def comment_rule(
    *, workshop: Workshop, rule_id: int, member: Member, note: str, now: datetime
) -> RuleEntry:
    """Add a comment to a rule's record."""
    if not note.strip():
        raise InputRefused("The comment is blank.", fields={"note": "Blank."})
    rule = get_rule(workshop, rule_id, lock=True)
    return _enter(rule, RuleEntry.Act.COMMENTED, member, now, note)


@transaction.atomic
def approve_rule(
    *, workshop: Workshop, rule_id: int, member: Member, now: datetime, note: str = ""
) -> Rule:
    """Put a proposed rule in force; the one it replaces is retired. Needs are matched anew.

    Raises NotAllowed for one's own proposal (unless the workshop has one member), Conflict
    when it was decided already or contradicts an approved rule it does not replace.
    """
    rule = _decidable(workshop, rule_id, member)
    if rule.proposed_by_id == member.pk and _has_others(workshop, member):
        raise NotAllowed(
            f"You proposed rule {rule.pk} yourself; another reviewer must decide on it."
        )
    clash = [one for one in contradicted_by(rule) if one.pk != rule.replaces_id]
    if clash:
        raise Conflict(
            f"Rule {rule.pk} contradicts approved rule {clash[0].pk} "
            f"({clash[0].get_says_display()}). Propose it as replacing that rule, or narrow it.",
            fields={"replaces": f"Contradicts rule {clash[0].pk}."},
        )
    if rule.replaces is not None and rule.replaces.state == Rule.State.APPROVED:
        _decide(rule.replaces, Rule.State.RETIRED, member, now, f"replaced by rule {rule.pk}")
    _decide(rule, Rule.State.APPROVED, member, now, note)
    return rule


@transaction.atomic
def reject_rule(
    *, workshop: Workshop, rule_id: int, member: Member, now: datetime, note: str = ""
) -> Rule:
    """Turn a proposed rule down."""
    rule = _decidable(workshop, rule_id, member)
    _decide(rule, Rule.State.REJECTED, member, now, note)
    return rule


@transaction.atomic
def retire_rule(
    *, workshop: Workshop, rule_id: int, member: Member, now: datetime, note: str = ""
) -> Rule:
    """Take an approved rule out of force; needs are matched anew."""
    _require_reviewer(member)
    rule = get_rule(workshop, rule_id, lock=True)
    if rule.state != Rule.State.APPROVED:
        raise Conflict(f"Rule {rule.pk} is {rule.get_state_display()}; only approved ones retire.")
    _decide(rule, Rule.State.RETIRED, member, now, note)
    return rule


def contradicted_by(rule: Rule) -> list[Rule]:
    """Return the approved rules that say the opposite of pairs this rule may meet."""
    refuses = rule.says == Rule.Says.NOT
    rows = Rule.of(rule.workshop_id).filter(kind=rule.kind_id, state=Rule.State.APPROVED)
    rows = rows.exclude(pk=rule.pk).order_by("id")
    return [
        other
        for other in rows
        if (other.says == Rule.Says.NOT) != refuses and _may_meet_a_pair(rule, other)
    ]


def _may_meet_a_pair(a: Rule, b: Rule) -> bool:
    if may_meet(a.donor_side, b.donor_side) and may_meet(a.job_side, b.job_side):
        return True
    crossed = a.both_ways or b.both_ways
    return crossed and may_meet(a.donor_side, b.job_side) and may_meet(a.job_side, b.donor_side)


def _require_reviewer(member: Member) -> None:
    if not covers(member, Role.REVIEWER):
        raise NotAllowed("Only a reviewer or the owner decides on rules.")


def _decidable(workshop: Workshop, rule_id: int, member: Member) -> Rule:
    _require_reviewer(member)
    rule = get_rule(workshop, rule_id, lock=True)
    if rule.state != Rule.State.PROPOSED:
        raise Conflict(f"Rule {rule.pk} is {rule.get_state_display()} already.")
    return rule


def _has_others(workshop: Workshop, member: Member) -> bool:
    return Member.of(workshop).filter(active=True).exclude(pk=member.pk).exists()


def _decide(rule: Rule, state: Rule.State, member: Member, now: datetime, note: str) -> None:
    in_force = Rule.State.APPROVED in {rule.state, state}
    rule.state, rule.decided_by, rule.decided_at = state, member, now
    rule.save(update_fields=["state", "decided_by", "decided_at"])
    _enter(rule, RuleEntry.Act(state.value), member, now, note)
    if in_force:
        payload = {"kinds": [rule.kind_id]}
        outbox.record(events.RULE_DECIDED, workshop_id=rule.workshop_id, payload=payload)


def _enter(
    rule: Rule, act: RuleEntry.Act, member: Member, now: datetime, note: str = ""
) -> RuleEntry:
    entry: RuleEntry = RuleEntry.objects.create(
        workshop_id=rule.workshop_id, rule=rule, act=act, by=member, at=now, note=note.strip()
    )
    return entry
