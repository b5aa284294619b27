"""Reads on jobs, matches, holds and alerts. Rows of the given workshop only."""

from collections.abc import Iterable

from django.db.models import Count, F, Prefetch, Q, QuerySet, Window
from django.db.models.functions import RowNumber

from donors.models import Donor
from matching.models import Alert, Delivery, Hold, Job, Match, Need, Outcome, Rule, RuleEntry
from parts.models import Part
from workshop.errors import NotFound
from workshop.models import Member, OutboxEvent, Workshop


def list_jobs(workshop: Workshop, *, state: str = "") -> "QuerySet[Job]":
    """Return jobs, newest first, each with its needs and how many matches they have."""
    rows = Job.of(workshop).select_related("make", "appliance", "technician__user", "recognised")
    if state:
        rows = rows.filter(state=state)
    needs = Need.of(workshop).select_related("kind").annotate(match_count=Count("matches"))
    return rows.prefetch_related(Prefetch("needs", needs.order_by("id"))).order_by(
        "-opened_on", "-id"
    )


def get_job(workshop: Workshop, ref: str) -> Job:
    """Return the job or raise NotFound."""
    job = list_jobs(workshop).select_related("estimate").filter(ref=ref).first()
    if job is None:
        raise NotFound(f"There is no job {ref} in this workshop.")
    return job


def list_needs(workshop: Workshop) -> "QuerySet[Need]":
    rows = Need.of(workshop).select_related("job__make", "kind")
    return rows.order_by("job__ref", "kind", "position", "id")


def list_matches(workshop: Workshop) -> "QuerySet[Match]":
    """Return matches with part, donor and need, best first."""
    rows = Match.of(workshop).select_related(
        "part__donor__make", "part__donor__cause", "part__kind", "need__job", "need__kind"
    )
    return rows.order_by("need_id", "-worth", "part_id")


def list_best_matches(
    workshop: Workshop, need_ids: Iterable[int], *, most: int = 10
) -> list[Match]:
    """Return the `most` best matches of each of these needs, best first: one query."""
    rank = Window(
        RowNumber(), partition_by=F("need_id"), order_by=[F("worth").desc(), F("part_id")]
    )
    rows = list_matches(workshop).filter(need__in=list(need_ids)).annotate(rank=rank)
    return list(rows.filter(rank__lte=most))


def list_matches_for_donor(workshop: Workshop, donor_id: int, *, most: int = 20) -> list[Match]:
    """Return which waiting needs a machine's parts may serve, likeliest first."""
    rows = list_matches(workshop).filter(part__donor=donor_id)
    return list(rows.order_by("-worth", "id")[:most])


def list_needs_for_part(workshop: Workshop, part_id: int, *, most: int = 20) -> list[Match]:
    """Return the matches of one part: which waiting jobs it may serve, likeliest first."""
    return list(list_matches(workshop).filter(part=part_id).order_by("-worth", "id")[:most])


def list_holds(workshop: Workshop, *, standing: bool = True) -> "QuerySet[Hold]":
    rows = Hold.of(workshop).select_related(
        "part__kind", "part__donor", "need__job", "need__kind", "held_by__user"
    )
    if standing:
        rows = rows.filter(released_at__isnull=True)
    return rows.order_by("-held_at", "-id")


def list_outcomes(workshop: Workshop) -> "QuerySet[Outcome]":
    """Return past fittings, the last first, with what a safety check names of their parts."""
    rows = Outcome.of(workshop).select_related(
        "kind", "part__donor", "part__grade_test__tested_by__user"
    )
    return rows.order_by("-fitted_on", "-id")


def list_rules(workshop: Workshop) -> "QuerySet[Rule]":
    rows = Rule.of(workshop).select_related("kind", "proposed_by__user", "decided_by__user")
    return rows.order_by("id")


def get_rule_with_record(workshop: Workshop, rule_id: int) -> Rule:
    """Return the rule with its record and the rules meant to replace it, or raise NotFound."""
    record = RuleEntry.of(workshop).select_related("by__user").order_by("at", "id")
    later = Rule.of(workshop).order_by("id")
    rows = list_rules(workshop).prefetch_related(
        Prefetch("record", record), Prefetch("replaced_by", later)
    )
    rule = rows.filter(pk=rule_id).first()
    if rule is None:
        raise NotFound(f"There is no rule {rule_id} in this workshop.")
    return rule


def list_alerts(member: Member, *, unread: bool = False) -> "QuerySet[Alert]":
    """Return a member's inbox, newest first."""
    rows = Alert.of(member.workshop_id).filter(recipient=member)
    if unread:
        rows = rows.filter(read_at__isnull=True)
    return rows.select_related(
        "job", "need__kind", "part__donor", "part__kind", "listing"
    ).order_by("-told_at", "id")


def list_told_of(workshop: Workshop, part_id: int, *, most: int = 50) -> list[Alert]:
    """Return who was told what about a part, latest first."""
    rows = Alert.of(workshop).filter(part=part_id)
    return list(rows.select_related("recipient__user", "job").order_by("-told_at", "id")[:most])


def count_unread(member: Member) -> int:
    return Alert.of(member.workshop_id).filter(recipient=member, read_at__isnull=True).count()


def count_rules_waiting(workshop: Workshop) -> int:
    """Return how many rules wait for a reviewer's decision."""
    return Rule.of(workshop).filter(state=Rule.State.PROPOSED).count()


def count_not_sent(workshop: Workshop) -> int:
    """Return how many mails and webhooks were given up on: the owner sees to them."""
    return Delivery.of(workshop).filter(dead_at__isnull=False).count()


def matching_runs(workshop: Workshop) -> bool:
    """Return True while something recorded waits to be matched."""
    waiting = OutboxEvent.of(workshop).filter(done_at__isnull=True, dead_at__isnull=True)
    return bool(waiting.exists())


def workshop_figures(workshop: Workshop) -> dict[str, int]:
    """Return the counts on the home page: waiting needs, needs with a match, stock, donors."""
    needs = Need.of(workshop).filter(state=Need.State.OPEN, job__state=Job.State.OPEN)
    with_match = needs.filter(matches__p_fit__gte=workshop.alert_from_p_fit).distinct().count()
    holds = Hold.of(workshop).filter(released_at__isnull=True).count()
    return {
        "open_needs": needs.count(),
        "needs_with_match": with_match,
        "standing_holds": holds,
        "dead_letters": OutboxEvent.of(workshop).filter(dead_at__isnull=False).count(),
        **_stock_figures(workshop),
    }


def _stock_figures(workshop: Workshop) -> dict[str, int]:
    parts = Part.of(workshop).aggregate(
        in_machine=Count("id", filter=Q(state=Part.State.IN_MACHINE)),
        shelved=Count("id", filter=Q(state__in=[Part.State.SHELVED, Part.State.REMOVED])),
    )
    donors = Donor.of(workshop).exclude(state=Donor.State.GONE).count()
    return {"donors": donors, **parts}


def count_outcomes(workshop: Workshop) -> int:
    return Outcome.of(workshop).count()
