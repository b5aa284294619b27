"""Writes on rules: propose, comment, approve, reject, retire. Who and when is kept."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

from django.db import transaction

from donors.domain.model_numbers import canonical
from donors.domain.patterns import compile_pattern
from donors.selectors import list_makes
from matching import deciding, events
from matching.domain.rule_conditions import PatternFields, may_meet, problems
from matching.domain.rule_words import rule_words
from matching.models import Rule, RuleEntry
from parts.models import PartKind
from parts.selectors import get_kind
from workshop import outbox
from workshop.errors import Conflict, InputRefused, NotAllowed, NotFound
from workshop.models import Member, Workshop

OPEN_STATES = (Rule.State.PROPOSED, Rule.State.APPROVED)


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
    replaced = _replaced(workshop, statement, kind.pk)
    rule = new_rule(workshop.pk, statement, kind=kind, replaces=replaced)
    rule.proposed_by, rule.proposed_at = member, now
    _refuse_contradiction(rule)
    rule.save()
    _enter(rule, RuleEntry.Act.PROPOSED, member, now)
    outbox.record(events.RULES_REVIEW, workshop_id=workshop.pk, payload={"kind": kind.pk})
    return rule


def new_rule(
    workshop_id: int, statement: Statement, *, kind: PartKind, replaces: Rule | None = None
) -> Rule:
    """Return a proposed rule that is not stored yet, with what lists are searched by."""
    rule = Rule(
        workshop_id=workshop_id,
        kind=kind,
        says=statement.says,
        donor_side=dict(statement.donor_side),
        job_side=dict(statement.job_side),
        both_ways=statement.both_ways,
        conditions=statement.conditions.strip(),
        evidence=statement.evidence.strip(),
        source=statement.source.strip(),
        replaces=replaces,
    )
    numbers = [n for side in (rule.donor_side, rule.job_side) for n in side.get("part_numbers", [])]
    rule.numbers_key = "".join(f"|{key}" for key in sorted(set(map(canonical, numbers)))) + "|"
    rule.words = searched_words(rule)
    return rule


def searched_words(rule: Rule) -> str:
    """Return all that is said in and of a rule, as lists are searched by."""
    return " ".join((in_words(rule), rule.evidence, rule.source)).casefold()


def in_words(rule: Rule) -> str:
    """Return what a rule says as a sentence. Needs its kind to be loaded."""
    return rule_words(
        rule.kind.name,
        rule.says,
        rule.donor_side,
        rule.job_side,
        both_ways=rule.both_ways,
        conditions=rule.conditions,
    )


def _replaced(workshop: Workshop, statement: Statement, kind: str) -> Rule | None:
    if statement.replaces is None:
        return None
    rule: Rule | None = Rule.of(workshop).filter(pk=statement.replaces).first()
    if rule is None:
        raise InputRefused(
            f"There is no rule {statement.replaces} in this workshop to replace.",
            fields={"replaces": "There is no such rule in this workshop."},
        )
    if rule.kind_id != kind:
        raise InputRefused(
            f"Rule {rule.pk} is on another part kind ({rule.kind_id}).",
            fields={"replaces": "On another part kind."},
        )
    return rule


def _refuse_contradiction(rule: Rule) -> None:
    clash = _clashes(rule)
    if clash:
        raise InputRefused(_clash_words("This rule", clash), fields=_clash_fields(clash))


def _clashes(rule: Rule) -> list[Rule]:
    return [one for one in contradicted_by(rule) if one.pk != rule.replaces_id]


def _clash_words(what: str, clash: list[Rule]) -> str:
    listed = ", ".join(f"{one.pk} ({one.get_says_display()})" for one in clash[:5])
    return (
        f"{what} contradicts approved rule {listed}. Propose it as replacing that rule, or "
        "narrow it; of several, retire the others first."
    )


def _clash_fields(clash: list[Rule]) -> dict[str, str]:
    return {"replaces": f"Contradicts rule {', '.join(str(one.pk) for one in clash[:5])}."}


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
    fields_of = pattern_fields(workshop)
    found = {
        f"{side}.{name}": f"{message}."
        for side in ("donor_side", "job_side")
        for name, message in problems(getattr(statement, side), fields_of)
    }
    if found:
        listed = "; ".join(f"{name} {message}" for name, message in found.items())
        raise InputRefused(f"The rule cannot be used: {listed}", fields=found)


def pattern_fields(workshop: Workshop) -> PatternFields:
    """Return a look-up of the fields the pattern of a make names: one query."""
    found = {
        make.name: frozenset(compile_pattern(make.pattern).groupindex)
        if make.pattern
        else frozenset()
        for make in list_makes(workshop)
    }
    return found.get


def get_rule(workshop: Workshop, rule_id: int, *, lock: bool = False) -> Rule:
    """Return the rule or raise NotFound; locked for writing when asked."""
    rows = Rule.of(workshop)
    rows = rows.select_for_update(no_key=True, of=("self",)) if lock else rows
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
    rule = _to_decide(workshop, rule_id, Rule.State.APPROVED, member)
    if rule.proposed_by_id == member.pk and _has_others(workshop, member):
        raise NotAllowed(
            f"You proposed rule {rule.pk} yourself; another reviewer must decide on it."
        )
    clash = _clashes(rule)
    if clash:
        raise Conflict(_clash_words(f"Rule {rule.pk}", clash), fields=_clash_fields(clash))
    if rule.replaces is not None and rule.replaces.state == Rule.State.APPROVED:
        _decide(rule.replaces, Rule.State.RETIRED, member, now, f"replaced by rule {rule.pk}")
    _decide(rule, Rule.State.APPROVED, member, now, note)
    return rule


@transaction.atomic
def reject_rule(
    *, workshop: Workshop, rule_id: int, member: Member, now: datetime, note: str = ""
) -> Rule:
    """Turn a proposed rule down."""
    rule = _to_decide(workshop, rule_id, Rule.State.REJECTED, member)
    _decide(rule, Rule.State.REJECTED, member, now, note)
    return rule


@transaction.atomic
def retire_rule(
    *, workshop: Workshop, rule_id: int, member: Member, now: datetime, note: str = ""
) -> Rule:
    """Take an approved rule out of force; needs are matched anew."""
    rule = _to_decide(workshop, rule_id, Rule.State.RETIRED, member)
    _decide(rule, Rule.State.RETIRED, member, now, note)
    return rule


def contradicted_by(rule: Rule) -> list[Rule]:
    """Return the approved rules that say the opposite of pairs this rule may meet."""
    rows = Rule.of(rule.workshop_id).filter(kind=rule.kind_id, state=Rule.State.APPROVED)
    rows = rows.exclude(pk=rule.pk).order_by("id")
    return [other for other in rows if contradicts(rule, other)]


def contradicts(rule: Rule, other: Rule) -> bool:
    """Return True when two rules say the opposite of a pair both may meet. Symmetric."""
    opposite = (rule.says == Rule.Says.NOT) != (other.says == Rule.Says.NOT)
    return opposite and _may_meet_a_pair(rule, other)


def _may_meet_a_pair(a: Rule, b: Rule) -> bool:
    if may_meet(a.donor_side, b.donor_side) and may_meet(a.job_side, b.job_side):
        return True
    crossed = a.both_ways or b.both_ways
    return crossed and may_meet(a.donor_side, b.job_side) and may_meet(a.job_side, b.donor_side)


# From which state a decision is taken.
DECIDED_FROM = {
    Rule.State.APPROVED: Rule.State.PROPOSED,
    Rule.State.REJECTED: Rule.State.PROPOSED,
    Rule.State.RETIRED: Rule.State.APPROVED,
}


def _to_decide(workshop: Workshop, rule_id: int, state: Rule.State, member: Member) -> Rule:
    deciding.require_reviewer(member, "rules")
    lock_deciding(workshop, rule_id)
    rule = get_rule(workshop, rule_id, lock=True)
    deciding.require_state(rule, f"Rule {rule.pk}", state, DECIDED_FROM)
    return rule


def lock_deciding(workshop: Workshop, rule_id: int) -> None:
    """Let one decision on rules of a kind be taken after the other.

    Two reviewers could otherwise approve two rules that contradict each other, each before
    the other's is in force. Locked in the order of their ids, so that none waits in a circle.
    """
    kind = get_rule(workshop, rule_id).kind_id
    rows = Rule.of(workshop).filter(kind=kind, state__in=OPEN_STATES).order_by("id")
    list(rows.select_for_update(no_key=True, of=("self",)).values_list("id", flat=True))


def _has_others(workshop: Workshop, member: Member) -> bool:
    return Member.of(workshop).filter(active=True).exclude(pk=member.pk).exists()


def _decide(rule: Rule, state: Rule.State, member: Member, now: datetime, note: str) -> None:
    in_force = Rule.State.APPROVED in {rule.state, state}
    deciding.settle(rule, state, member, now)
    _enter(rule, RuleEntry.Act(state.value), member, now, note)
    if in_force:
        payload = {"rule": rule.pk}
        outbox.record(events.RULE_DECIDED, workshop_id=rule.workshop_id, payload=payload)


def _enter(
    rule: Rule, act: RuleEntry.Act, member: Member | None, now: datetime, note: str = ""
) -> RuleEntry:
    entry: RuleEntry = RuleEntry.objects.create(
        workshop_id=rule.workshop_id, rule=rule, act=act, by=member, at=now, note=note.strip()
    )
    return entry
