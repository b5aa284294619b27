"""What happens on which event. Each handler makes one call; rules live in matcher and services.

They run in the dispatcher, in the transaction that closes the event, never in a request.
"""

from datetime import datetime

from django.db import transaction
from django.utils import timezone

from donors import events as donor_events
from donors import services as donor_services
from donors.models import Donor, Make
from matching import (
    build_breaks,
    customers,
    events,
    far,
    fittings,
    follow_ups,
    holds,
    keeping,
    looking_for,
    matcher,
    overlooked,
    pattern_guesses,
    reminders,
    rule_watch,
    services,
    sharing,
    standing_proposals,
)
from matching.echo import planning, sending
from matching.faults import past
from matching.models import Job, Need, Outcome, Rule
from parts import events as part_events
from parts import numbers, shelf
from parts.models import Part
from workshop import outbox
from workshop.dispatcher import handles, handles_worked_out, sweeps, sweeps_last
from workshop.errands import takes
from workshop.models import OutboxEvent

NEEDS_PER_EVENT = 40

# Reckoned anew in bulk: a machine that comes in, or a job that opens, goes before these.
outbox.let_wait(
    donor_events.CATALOGUE_CHANGED,
    donor_events.PATTERN_CHANGED,
    events.MACHINES_UNREAD,
    events.OUTCOMES_UNREAD,
    events.NEEDS_REMATCH,
    events.RULES_REVIEW,
    events.PAST_UNTAUGHT,
)
outbox.never_waits(events.ALERTS_WRITTEN)


@handles(donor_events.DONOR_RECEIVED)
def donor_received(event: OutboxEvent, now: datetime) -> None:
    pattern_guesses.ask(event.workshop_id, now=now)
    matcher.match_parts(event.workshop_id, _parts_of_donor(event), now=now, arrived=True)


@handles(donor_events.DONOR_CHANGED)
def donor_changed(event: OutboxEvent, now: datetime) -> None:
    # Its build date may be another one: grades of wear parts follow it.
    parts = Part.of(event.workshop_id).filter(donor=event.payload["donor_id"])
    shelf.work_out_anew(parts, on=timezone.localdate(now))
    keeping.carry_back(event.workshop_id, [event.payload["donor_id"]])
    matcher.match_parts(event.workshop_id, _parts_of_donor(event), now=now, arrived=False)
    if event.payload.get("corrected"):  # last: fittings are locked after needs, as everywhere
        outcomes = Outcome.of(event.workshop_id).filter(part__donor=event.payload["donor_id"])
        fittings.state_anew(event.workshop_id, outcomes)


def _parts_of_donor(event: OutboxEvent) -> list[int]:
    rows = Part.of(event.workshop_id).filter(donor=event.payload["donor_id"])
    return list(rows.order_by("id").values_list("id", flat=True))


@handles(part_events.PARTS_ARRIVED)
def parts_arrived(event: OutboxEvent, now: datetime) -> None:
    ids = event.payload["part_ids"]
    matcher.match_parts(event.workshop_id, ids, now=now, arrived=True)


@handles(part_events.PARTS_CHANGED)
def parts_changed(event: OutboxEvent, now: datetime) -> None:
    ids = event.payload["part_ids"]
    matcher.match_parts(event.workshop_id, ids, now=now, arrived=False)


@handles(part_events.PART_FAILED_IN_USE)
def part_failed_in_use(event: OutboxEvent, now: datetime) -> None:
    follow_ups.tell_of_sister(event.workshop_id, event.payload["part_id"], now=now)


@handles(events.HOLD_MADE)
def hold_made(event: OutboxEvent, now: datetime) -> None:
    follow_ups.tell_of_hold(event.workshop_id, event.payload["hold"], now=now)


@handles(events.HOLDS_ENDED)
def holds_ended(event: OutboxEvent, now: datetime) -> None:
    follow_ups.tell_of_freed(event.workshop_id, event.payload["holds"], now=now)


@handles(events.NEEDS_OPENED, events.NEEDS_REMATCH)
def needs_changed(event: OutboxEvent, now: datetime) -> None:
    matcher.match_needs(event.workshop_id, event.payload["need_ids"], now=now)


@handles(events.PAIRS_FOUND, events.PAIRS_OVERLOOKED)
def pairs_found(event: OutboxEvent, now: datetime) -> None:
    matcher.match_pairs(
        event.workshop_id, event.payload["pairs"], now=now, tell=event.payload["tell"]
    )


@handles(events.SHARES_TOUCHED)
def shares_touched(event: OutboxEvent, now: datetime) -> None:
    sharing.note_touched(event.workshop_id)


def _work_out_shares(event: OutboxEvent, now: datetime) -> sharing.WorkedOut:
    return sharing.work_out(event.workshop_id, now=now)


@handles_worked_out(events.SHARE_OUT, by=_work_out_shares)
def share_out(event: OutboxEvent, now: datetime, worked: sharing.WorkedOut) -> None:
    sharing.store(event.workshop_id, worked, now=now)


@handles(events.FAR_LEFT)
def far_left(event: OutboxEvent, now: datetime) -> None:
    far.match_far(event.workshop_id, **event.payload, now=now)


@handles(part_events.KNOWLEDGE_CHANGED, part_events.SIGHTINGS_NOTED, events.OUTCOMES_RECORDED)
def sightings_changed(event: OutboxEvent, now: datetime) -> None:
    """Let the next sweep look for build breaks among the sightings of these kinds."""
    kinds = event.payload["kinds"]
    build_breaks.ask_for_search(workshop_id=event.workshop_id, kinds=kinds, now=now)


@handles(
    part_events.KNOWLEDGE_CHANGED,
    part_events.SIGHTINGS_NOTED,
    events.OUTCOMES_RECORDED,
    events.BREAK_DECIDED,
    events.WEIGHTS_CHANGED,
)
def evidence_changed(event: OutboxEvent, now: datetime) -> None:
    """Have the rules of these kinds weighed anew."""
    rule_watch.ask_for_review(event.workshop_id, event.payload["kinds"])


@handles(
    part_events.KNOWLEDGE_CHANGED,
    events.OUTCOMES_RECORDED,
    events.BREAK_DECIDED,
    events.WEIGHTS_CHANGED,
)
def knowledge_changed(event: OutboxEvent, now: datetime) -> None:
    """Ask for the open needs of these kinds to be matched anew."""
    rows = Need.of(event.workshop_id).filter(kind__in=event.payload["kinds"], state=Need.State.OPEN)
    _rematch(event.workshop_id, list(rows.order_by("kind_id", "id").values_list("id", flat=True)))


@handles(events.RULE_DECIDED)
def rule_decided(event: OutboxEvent, now: datetime) -> None:
    """Ask for the open needs a rule speaks of to be matched anew, and for its kind's review."""
    rule = Rule.of(event.workshop_id).get(pk=event.payload["rule"])
    _rematch(event.workshop_id, rule_watch.needs_touched(rule))
    rule_watch.ask_for_review(event.workshop_id, [rule.kind_id])


def _rematch(workshop_id: int, need_ids: list[int]) -> None:
    outbox.record_in_pages(
        events.NEEDS_REMATCH,
        workshop_id=workshop_id,
        key="need_ids",
        ids=need_ids,
        page=NEEDS_PER_EVENT,
    )


@handles(events.RULES_REVIEW)
def rules_review(event: OutboxEvent, now: datetime) -> None:
    rule_watch.review_kind(event.workshop_id, event.payload["kind"], now=now)


@handles(events.OUTCOMES_RECORDED)
def outcomes_recorded(event: OutboxEvent, now: datetime) -> None:
    pattern_guesses.ask(event.workshop_id, now=now)


@handles(events.PAST_UNTAUGHT)
def past_untaught(event: OutboxEvent, now: datetime) -> None:
    """Let past jobs teach what their faults were, page by page until none is left."""
    if past.teach(event.workshop_id, now=now).more:
        past.ask(event.workshop_id)


@handles(donor_events.PATTERN_CHANGED)
def pattern_changed(event: OutboxEvent, now: datetime) -> None:
    """Have the machines and past fittings of a make read again, page by page."""
    make = Make.of(event.workshop_id).filter(pk=event.payload["make_id"]).first()
    if make is None:
        return
    for kind, key, ids in (
        (events.MACHINES_UNREAD, "donor_ids", pattern_guesses.machines_of(Donor, make)),
        (events.MACHINES_UNREAD, "job_ids", pattern_guesses.machines_of(Job, make)),
        (events.OUTCOMES_UNREAD, "outcome_ids", pattern_guesses.outcomes_of(make)),
    ):
        outbox.record_in_pages(
            kind,
            workshop_id=event.workshop_id,
            key=key,
            ids=ids,
            page=pattern_guesses.READ_AT_ONCE,
        )


@handles(events.MACHINES_UNREAD)
def machines_unread(event: OutboxEvent, now: datetime) -> None:
    """Read the plates of some machines again, and match what that changes."""
    if "donor_ids" in event.payload:
        _read_donors(event.workshop_id, event.payload["donor_ids"])
    else:
        services.recognise_jobs_anew(workshop_id=event.workshop_id, ids=event.payload["job_ids"])


@handles(events.OUTCOMES_UNREAD)
def outcomes_unread(event: OutboxEvent, now: datetime) -> None:
    """Read the machines of past fittings again; where they are others now, match anew."""
    ids = event.payload["outcome_ids"]
    kinds = pattern_guesses.read_outcomes_anew(event.workshop_id, ids)
    if kinds:
        fittings.announce(event.workshop_id, sorted(kinds))


@handles(donor_events.CATALOGUE_CHANGED)
def catalogue_changed(event: OutboxEvent, now: datetime) -> None:
    """Read the plates again that a person has not confirmed, and match what that changes."""
    pattern_guesses.ask(event.workshop_id, now=now)
    _read_donors(event.workshop_id, None)
    services.recognise_jobs_anew(workshop_id=event.workshop_id)


def _read_donors(workshop_id: int, ids: list[int] | None) -> None:
    """Read donors again (all unconfirmed ones without ids); those that changed are matched."""
    donors = donor_services.recognise_donors_anew(workshop_id=workshop_id, ids=ids)
    rows = Part.of(workshop_id).filter(donor__in=donors).exclude(number_canonical="")
    seen = numbers.note_numbers(rows.select_related("donor__make"))
    numbers.announce_sightings(workshop_id, seen)
    payloads = [{"donor_id": donor_id} for donor_id in donors]
    outbox.record_all(donor_events.DONOR_CHANGED, workshop_id=workshop_id, payloads=payloads)


@handles(
    part_events.KNOWLEDGE_CHANGED,
    part_events.SIGHTINGS_NOTED,
    events.NEEDS_OPENED,
    events.NEEDS_REMATCH,
    events.OUTCOMES_RECORDED,
    events.BREAK_DECIDED,
    events.RULE_DECIDED,
    events.WEIGHTS_CHANGED,
)
def look_anew(event: OutboxEvent, now: datetime) -> None:
    """Have the sweep work out anew what to look for."""
    looking_for.ask(event.workshop_id, now=now)


@handles(events.ALERTS_WRITTEN)
def alerts_written(event: OutboxEvent, now: datetime) -> None:
    planning.settle(event.workshop_id, now=now)


takes(sending.take_due)


@sweeps
def repair_overlooked(now: datetime) -> int:
    return overlooked.repair(now)


@sweeps
def settle_alerts_left_over(now: datetime) -> int:
    return planning.settle_left_over(now)


@sweeps
def forget_old_deliveries(now: datetime) -> int:
    return sending.forget_old(now)


@sweeps
def lapse_holds(now: datetime) -> int:
    return holds.lapse_holds(now=now)


@sweeps
def lapse_proposals(now: datetime) -> int:
    return standing_proposals.lapse_proposals(now=now)


@sweeps
def share_out_where_due(now: datetime) -> int:
    with transaction.atomic():
        return sum(standing_proposals.ask_for_run(workshop_id) for workshop_id in sharing.due())


@sweeps
def let_grades_fall(now: datetime) -> int:
    return shelf.let_grades_fall(on=timezone.localdate(now))


@sweeps
def guess_patterns(now: datetime) -> int:
    return pattern_guesses.guess_where_due(now)


@sweeps
def seek_breaks(now: datetime) -> int:
    return build_breaks.search_what_changed(now)


@sweeps
def weigh_rules(now: datetime) -> int:
    return rule_watch.ask_where_due(now)


@sweeps
def erase_customers(now: datetime) -> int:
    return customers.erase_what_is_due(timezone.localdate(now))


@sweeps
def remind_of_waits(now: datetime) -> int:
    return reminders.tell_what_is_due(now=now)


@sweeps_last
def look_for(now: datetime) -> int:
    looking_for.work(now)
    return 0  # nothing was amiss
