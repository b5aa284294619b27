"""Jobs and what they need, the parts offered to them, and what became of it."""

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q
from django.utils import timezone

from donors.machine_columns import MachineColumns
from matching.break_models import BreakSearch as BreakSearch
from matching.break_models import BuildBreak as BuildBreak
from matching.correction_models import JobChange as JobChange
from matching.customer_models import Customer as Customer
from matching.domain.verdicts import Verdict
from matching.echo_models import DeliveredAlert as DeliveredAlert
from matching.echo_models import Delivery as Delivery
from matching.echo_models import EchoChoice as EchoChoice
from matching.echo_models import EchoSettings as EchoSettings
from matching.echo_models import WebhookEndpoint as WebhookEndpoint
from matching.fault_models import CheckAnswer as CheckAnswer
from matching.fault_models import FaultCode as FaultCode
from matching.fault_models import FaultFound as FaultFound
from matching.fault_models import FaultLesson as FaultLesson
from matching.fault_models import Sign as Sign
from matching.fault_models import WorkshopCheck as WorkshopCheck
from matching.fault_models import WorkshopSymptom as WorkshopSymptom
from matching.listing_models import ListingMatch as ListingMatch
from matching.looking_models import LookedFor as LookedFor
from matching.looking_models import Looking as Looking
from matching.safety_models import SafetyCheck as SafetyCheck
from matching.safety_models import SafetyEntry as SafetyEntry
from matching.share_models import KeptBack as KeptBack
from matching.share_models import LastAllocation as LastAllocation
from matching.share_models import Proposal as Proposal
from matching.triage_models import JobEstimate as JobEstimate
from matching.triage_models import KeepPermission as KeepPermission
from matching.triage_models import KeptMachine as KeptMachine
from matching.triage_models import NewMachinePrice as NewMachinePrice
from matching.triage_models import NewPartQuote as NewPartQuote
from matching.triage_models import OwnRule as OwnRule
from matching.triage_models import TriageFigures as TriageFigures
from matching.triage_models import WaitExtension as WaitExtension
from matching.warranty_models import WarrantyDays as WarrantyDays
from parts.number_columns import folded_column, stem_column
from workshop.scoping import WorkshopOwned

VERDICTS = [(verdict.value, verdict.label) for verdict in Verdict]


class Job(MachineColumns):
    """A broken machine standing in the workshop."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        DONE = "done", "done"
        REFUSED = "refused", "refused by the customer"
        BROKEN = "broken", "not worth repairing"

    class Urgency(models.IntegerChoices):
        ORDINARY = 0, "ordinary"
        URGENT = 1, "urgent"
        VERY_URGENT = 2, "very urgent"

    ref = models.CharField(max_length=40)
    state = models.CharField(max_length=8, choices=State.choices, default=State.OPEN)
    opened_on = models.DateField()
    wait_until = models.DateField(null=True, blank=True)
    symptom = models.TextField(blank=True)
    own_number = models.CharField(
        max_length=40, blank=True, help_text="what the workshop itself calls it: a ticket number"
    )
    urgency = models.PositiveSmallIntegerField(choices=Urgency.choices, default=Urgency.ORDINARY)
    urgency_why = models.CharField(max_length=200, blank=True)
    urgency_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    urgency_at = models.DateTimeField(null=True, blank=True)
    technician = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="jobs"
    )
    # The day the sweep looks at it next (reminders.py); empty: there is no more to tell.
    tell_next_on = models.DateField(null=True, default=timezone.localdate, editable=False)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta(MachineColumns.Meta):
        ordering: ClassVar = ["-opened_on", "-id"]
        constraints: ClassVar[list[Any]] = [
            *MachineColumns.Meta.constraints,
            models.UniqueConstraint(fields=["workshop", "ref"], name="job_ref_once"),
            models.CheckConstraint(
                condition=Q(wait_until__isnull=True) | Q(wait_until__gte=F("opened_on")),
                name="job_waits_forward",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["open", "done", "refused", "broken"]),
                name="job_state_is_known",
            ),
            models.CheckConstraint(
                condition=Q(urgency=0)
                | Q(urgency__in=[1, 2], urgency_by__isnull=False, urgency_at__isnull=False)
                & ~Q(urgency_why=""),
                name="job_urgency_has_who_and_why",
            ),
        ]
        indexes: ClassVar[list[Any]] = [
            *MachineColumns.Meta.indexes,
            # The sweep: jobs somebody is to be reminded of.
            models.Index(
                fields=["tell_next_on", "id"],
                condition=Q(state="open", tell_next_on__isnull=False),
                name="job_to_tell_of",
            ),
        ]

    def __str__(self) -> str:
        return self.ref


class Need(WorkshopOwned):
    """One part a job lacks."""

    class State(models.TextChoices):
        OPEN = "open", "open"
        FILLED = "filled", "filled"
        WITHDRAWN = "withdrawn", "withdrawn"

    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="needs")
    kind = models.ForeignKey("parts.PartKind", on_delete=models.PROTECT, related_name="+")
    position = models.CharField(max_length=40, blank=True)
    part_number = models.CharField(max_length=80, blank=True, help_text="printed on the old part")
    number_canonical = models.CharField(max_length=80, blank=True, editable=False)
    number_folded = folded_column()
    number_stem = stem_column()
    attributes = models.JSONField(default=dict, blank=True)
    max_price_cents = models.PositiveIntegerField(null=True, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.OPEN)
    withdrawn_on = models.DateField(
        null=True, blank=True, editable=False, help_text="not known of old ones"
    )
    searched_at = models.DateTimeField(null=True, blank=True, editable=False)
    # Withdrawn because the job never lacked it: it does not open again with its job.
    mistaken = models.BooleanField(default=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["job", "kind", "position"], name="need_once_per_job"),
            models.CheckConstraint(
                condition=Q(mistaken=False) | Q(state="withdrawn"),
                name="need_mistaken_is_withdrawn",
            ),
            models.CheckConstraint(
                condition=Q(state__in=["open", "filled", "withdrawn"]), name="need_state_is_known"
            ),
            models.CheckConstraint(
                condition=Q(withdrawn_on__isnull=True) | Q(state="withdrawn"),
                name="need_withdrawn_on_only_when_withdrawn",
            ),
        ]
        indexes: ClassVar = [
            # Needs an arriving part may serve.
            models.Index(
                fields=["workshop", "kind", "id"],
                condition=Q(state="open"),
                name="need_open_by_kind",
            ),
            # The sweep: needs nobody searched for yet (overlooked.py).
            models.Index(
                fields=["workshop", "id"],
                condition=Q(state="open", searched_at__isnull=True),
                name="need_unsearched",
            ),
            # Needs an arriving part's number may serve. The last two columns spare the row.
            models.Index(
                fields=["workshop", "kind", "number_folded", "job", "state", "id"],
                condition=Q(number_folded__isnull=False),
                name="need_by_folded",
            ),
            models.Index(
                fields=["workshop", "kind", "number_stem", "job", "state", "id"],
                condition=Q(number_stem__isnull=False),
                name="need_by_stem",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.job_id}: {self.kind_id}"


class NeedKey(WorkshopOwned):
    """One telling attribute of a need as a key to find it by; see parts.models.PartKey."""

    need = models.ForeignKey(Need, on_delete=models.CASCADE, related_name="keys")
    key = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "key", "need"], name="need_key_once"),
        ]


class Rule(WorkshopOwned):
    """A reviewed statement on what fits what. Only approved rules count."""

    class State(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        APPROVED = "approved", "approved"
        REJECTED = "rejected", "rejected"
        RETIRED = "retired", "retired"

    class Says(models.TextChoices):
        FITS = "fits", "fits"
        CONDITIONS = "fits-with-conditions", "fits with conditions"
        NOT = "does-not-fit", "does not fit"

    kind = models.ForeignKey("parts.PartKind", on_delete=models.PROTECT, related_name="+")
    says = models.CharField(max_length=24, choices=Says.choices)
    donor_side = models.JSONField(default=dict)
    job_side = models.JSONField(default=dict)
    both_ways = models.BooleanField(default=False)
    conditions = models.TextField(blank=True)
    evidence = models.TextField(blank=True)
    source = models.CharField(max_length=200, blank=True)
    state = models.CharField(max_length=10, choices=State.choices, default=State.PROPOSED)
    proposed_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    proposed_at = models.DateTimeField(default=timezone.now)
    decided_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    decided_at = models.DateTimeField(null=True, blank=True)
    replaces = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="replaced_by"
    )
    # Proposed from evidence: what it is about. Blank when a member proposed it.
    basis = models.CharField(max_length=400, blank=True, editable=False)
    weight = models.PositiveIntegerField(
        default=0, editable=False, help_text="fittings and sightings the proposal rests on"
    )
    # Past fittings the rule speaks of, as counted last while it was open or in force.
    agree = models.PositiveIntegerField(default=0, editable=False)
    disagree = models.PositiveIntegerField(default=0, editable=False)
    counted_at = models.DateTimeField(null=True, blank=True, editable=False)
    flag = models.CharField(
        max_length=300, blank=True, editable=False, help_text="how outcomes contradict it"
    )
    # What lists are searched by: |A1|B2| in canonical form, and all its words in lower case.
    numbers_key = models.TextField(blank=True, editable=False)
    words = models.TextField(blank=True, editable=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "kind", "basis"],
                condition=Q(state="proposed") & ~Q(basis=""),
                name="rule_proposed_once_from_evidence",
            ),
            models.CheckConstraint(
                condition=Q(basis="") | Q(proposed_by__isnull=True),
                name="rule_from_evidence_has_no_proposer",
            ),
            models.CheckConstraint(
                condition=Q(state="proposed", decided_by__isnull=True, decided_at__isnull=True)
                | Q(
                    state__in=["approved", "rejected", "retired"],
                    decided_by__isnull=False,
                    decided_at__isnull=False,
                ),
                name="rule_decision_has_who_and_when",
            ),
            models.CheckConstraint(
                condition=Q(says__in=["fits", "fits-with-conditions", "does-not-fit"]),
                name="rule_says_something_known",
            ),
            models.CheckConstraint(
                condition=~Q(says="fits-with-conditions") | ~Q(conditions=""),
                name="rule_names_its_conditions",
            ),
        ]

    def __str__(self) -> str:
        return f"rule {self.pk}"

    @property
    def flagged(self) -> bool:
        return bool(self.flag)

    @property
    def from_evidence(self) -> bool:
        return bool(self.basis)


class RuleEntry(WorkshopOwned):
    """One line of a rule's record: what was done or said, by whom and when."""

    class Act(models.TextChoices):
        PROPOSED = "proposed", "proposed"
        COMMENTED = "commented", "commented"
        APPROVED = "approved", "approved"
        REJECTED = "rejected", "rejected"
        RETIRED = "retired", "retired"
        FLAGGED = "flagged", "flagged: outcomes contradict it"
        CLEARED = "cleared", "no longer contradicted"

    rule = models.ForeignKey(Rule, on_delete=models.CASCADE, related_name="record")
    act = models.CharField(max_length=10, choices=Act.choices)
    by = models.ForeignKey(
        "workshop.Member",
        on_delete=models.PROTECT,
        null=True,
        related_name="+",
        help_text="empty where the evidence spoke",
    )
    at = models.DateTimeField()
    note = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["at", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(act__in=["proposed", "flagged", "cleared"])
                | Q(
                    act__in=["commented", "approved", "rejected", "retired"],
                    by__isnull=False,
                ),
                name="rule_entry_is_known_and_decided_by_someone",
            ),
        ]

    def __str__(self) -> str:
        return f"rule {self.rule_id} {self.act}"


class RulesWeighed(WorkshopOwned):
    """In which way a workshop's evidence was last weighed for rules as a whole. One row a workshop.

    What comes in afterwards is weighed by its own events (rule_watch).
    """

    way = models.CharField(max_length=64, help_text="digest of the thresholds and of the way")
    weighed_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop"], name="rules_weighed_one_a_workshop"),
        ]

    def __str__(self) -> str:
        return f"rules weighed on {self.weighed_at:%Y-%m-%d}"


class Match(WorkshopOwned):
    """A part offered to a need, with the rows that make up its score."""

    need = models.ForeignKey(Need, on_delete=models.CASCADE, related_name="matches")
    part = models.ForeignKey("parts.Part", on_delete=models.CASCADE, related_name="matches")
    verdict = models.CharField(max_length=16, choices=VERDICTS)
    score_bits = models.FloatField(help_text="log2 odds of fit; the sum of the rows")
    p_fit = models.FloatField()
    p_good = models.FloatField()
    worth = models.FloatField(help_text="P(fit) times P(good): what matches are ranked by")
    reasons = models.JSONField(default=list)
    scored_at = models.DateTimeField()

    class Meta:
        ordering: ClassVar = ["-worth", "part_id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["need", "part"], name="match_once"),
            models.CheckConstraint(
                condition=Q(p_fit__gte=0, p_fit__lte=1, p_good__gte=0, p_good__lte=1),
                name="match_odds_are_probabilities",
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["need", "-worth", "part"], name="match_best_first"),
        ]

    def __str__(self) -> str:
        return f"{self.part_id} for {self.need_id}: {self.verdict}"


class Hold(WorkshopOwned):
    """A promise of one part to one need. At most one stands per part; the database sees to it."""

    class Ended(models.TextChoices):
        RELEASED = "released", "released"
        LAPSED = "lapsed", "lapsed"
        FITTED = "fitted", "fitted"
        GONE = "gone", "the part is gone"

    part = models.ForeignKey("parts.Part", on_delete=models.PROTECT, related_name="holds")
    need = models.ForeignKey(Need, on_delete=models.CASCADE, related_name="holds")
    held_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    held_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    released_at = models.DateTimeField(null=True, blank=True)
    ended = models.CharField(max_length=8, choices=Ended.choices, blank=True)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["-held_at", "-id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["part"], condition=Q(released_at__isnull=True), name="hold_one_per_part"
            ),
            models.CheckConstraint(
                condition=Q(released_at__isnull=True, ended="")
                | Q(released_at__isnull=False, ended__in=["released", "lapsed", "fitted", "gone"]),
                name="hold_end_has_a_reason",
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=F("held_at")), name="hold_expires_later"
            ),
        ]
        indexes: ClassVar = [
            # The sweep: holds that ran out.
            models.Index(
                fields=["expires_at"], condition=Q(released_at__isnull=True), name="hold_standing"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part_id} for {self.need_id}"


class Outcome(WorkshopOwned):
    """What happened after a part was fitted: teaches which parts fit which machines.

    The two machines are kept as plain columns, so that past fittings can be imported whose
    donor or job was never in this system.
    """

    class Result(models.TextChoices):
        WORKED = "worked", "worked"
        DID_NOT_FIT = "did-not-fit", "did not fit"
        FAILED = "failed", "fitted, failed later"

    class Why(models.TextChoices):
        CONNECTOR = "connector", "connector"
        SIZE = "size", "size or mount"
        SOFTWARE = "software", "software or coding"
        OTHER = "other", "something else"

    kind = models.ForeignKey("parts.PartKind", on_delete=models.PROTECT, related_name="+")
    part = models.ForeignKey(
        "parts.Part", on_delete=models.PROTECT, null=True, blank=True, related_name="outcomes"
    )
    need = models.ForeignKey(
        Need, on_delete=models.SET_NULL, null=True, blank=True, related_name="outcomes"
    )
    part_number = models.CharField(max_length=80, blank=True)
    donor_make = models.CharField(max_length=80, blank=True)
    donor_model_number = models.CharField(max_length=80, blank=True)
    donor_built_from = models.DateField(null=True, blank=True)
    donor_built_to = models.DateField(null=True, blank=True)
    job_make = models.CharField(max_length=80, blank=True)
    job_model_number = models.CharField(max_length=80, blank=True)
    job_built_from = models.DateField(null=True, blank=True)
    job_built_to = models.DateField(null=True, blank=True)
    job_part_number = models.CharField(max_length=80, blank=True)
    part_attributes = models.JSONField(default=dict, blank=True)
    job_attributes = models.JSONField(default=dict, blank=True)
    fitted_on = models.DateField()
    result = models.CharField(max_length=12, choices=Result.choices)
    days_to_failure = models.PositiveIntegerField(null=True, blank=True)
    why = models.CharField(
        max_length=10, choices=Why.choices, blank=True, help_text="why it did not fit"
    )
    note = models.TextField(blank=True)
    # When it was reported here, and that it failed later; empty for what was imported.
    reported_at = models.DateTimeField(null=True, blank=True, editable=False)
    failure_reported_at = models.DateTimeField(null=True, blank=True, editable=False)
    fingerprint = models.CharField(max_length=64, editable=False)
    learned = models.JSONField(default=dict, editable=False)
    # What a past fitting is found by; set by outcome_keys.keyed() from the columns above.
    part_key = models.CharField(max_length=80, blank=True, editable=False)
    job_key = models.CharField(max_length=80, blank=True, editable=False)
    donor_group = models.CharField(max_length=150, blank=True, editable=False)
    job_group = models.CharField(max_length=150, blank=True, editable=False)

    class Meta:
        ordering: ClassVar = ["fitted_on", "id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["workshop", "fingerprint"], name="outcome_once"),
            models.CheckConstraint(
                condition=Q(days_to_failure__isnull=True) | Q(result="failed"),
                name="outcome_days_only_when_failed",
            ),
            models.CheckConstraint(
                condition=Q(why="")
                | Q(result="did-not-fit", why__in=["connector", "size", "software", "other"]),
                name="outcome_why_only_when_it_did_not_fit",
            ),
            models.CheckConstraint(
                condition=Q(result__in=["worked", "did-not-fit", "failed"]),
                name="outcome_result_is_known",
            ),
            *(
                models.CheckConstraint(
                    condition=Q(**{f"{side}_built_from__isnull": True})
                    | Q(**{f"{side}_built_to__isnull": True})
                    | Q(**{f"{side}_built_to__gte": F(f"{side}_built_from")}),
                    name=f"outcome_{side}_build_interval_runs_forward",
                )
                for side in ("donor", "job")
            ),
        ]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "kind"], name="outcome_by_kind"),
            *(
                models.Index(fields=["workshop", "kind", column], name=f"outcome_by_{column}")
                for column in ("part_key", "job_key", "donor_group", "job_group")
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id} {self.result} on {self.fitted_on}"


# What followers of a part are told after it was found for them (follow_ups.py).
FOLLOW_UPS = ["failed", "proved", "held", "free", "gone", "sister"]


class Alert(WorkshopOwned):
    """One line in a member's inbox: this arrival may serve that need. The row is the alert.

    News after that (follow_ups.py) are rows of their own; they state no odds. News of a job as a
    whole (`OF_A_JOB`) name no need and no part.
    """

    class News(models.TextChoices):
        FOUND = "found", "may serve"
        FAILED = "failed", "failed its test"
        PROVED = "proved", "tested good"
        HELD = "held", "held for another job"
        FREE = "free", "free again"
        GONE = "gone", "no longer there"
        SISTER = "sister", "a part of the same donor failed"
        REVIEW = "review", "time to look at the job again"
        OVER = "over", "the wait is over"
        PROPOSED = "proposed", "a part falls to your job"
        LISTING = "listing", "for sale elsewhere"

    OF_A_JOB: ClassVar = ["review", "over"]

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    recipient = models.ForeignKey(
        "workshop.Member", on_delete=models.CASCADE, related_name="alerts"
    )
    news = models.CharField(max_length=8, choices=News.choices, default=News.FOUND)
    # What a follow-up is about: the bench test, the hold, the fitting or state a part left by, the
    # part that failed, the day it fell due on.
    # "" for what was found.
    about = models.CharField(max_length=40, blank=True, editable=False)
    job = models.ForeignKey(Job, on_delete=models.CASCADE, related_name="alerts")
    arrival = models.UUIDField(null=True, help_text="the coming-in of the machine or part")
    need = models.ForeignKey(Need, on_delete=models.CASCADE, null=True, related_name="alerts")
    part = models.ForeignKey(
        "parts.Part", on_delete=models.CASCADE, null=True, related_name="alerts"
    )
    listing = models.ForeignKey(
        "donors.Listing", on_delete=models.CASCADE, null=True, related_name="alerts"
    )
    summary = models.CharField(max_length=300)
    verdict = models.CharField(max_length=16, choices=VERDICTS, blank=True)
    p_fit = models.FloatField(null=True)
    p_good = models.FloatField(null=True)
    reasons = models.JSONField(default=list)
    told_at = models.DateTimeField()
    read_at = models.DateTimeField(null=True, blank=True)
    request_id = models.CharField(
        max_length=64, blank=True, default="", editable=False, help_text="what caused it"
    )
    echoed = models.BooleanField(
        default=False, editable=False, help_text="it is settled where it is passed on to"
    )

    class Meta:
        ordering: ClassVar = ["-told_at", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["recipient", "arrival", "need"],
                condition=Q(news="found"),
                name="alert_never_twice",
            ),
            models.UniqueConstraint(
                fields=["recipient", "need", "part", "news", "about"],
                condition=~Q(news="found"),
                name="follow_up_never_twice",
            ),
            models.UniqueConstraint(
                fields=["recipient", "job", "news", "about"],
                condition=Q(part__isnull=True),
                name="news_of_a_job_never_twice",
            ),
            models.UniqueConstraint(
                fields=["recipient", "listing", "need"],
                condition=Q(news="listing"),
                name="alert_of_a_listing_never_twice",
            ),
            models.CheckConstraint(
                condition=Q(
                    news__in=["found", "listing"], p_fit__isnull=False, p_good__isnull=False
                )
                & ~Q(verdict="")
                | ~Q(news__in=["found", "listing"])
                & Q(p_fit__isnull=True, p_good__isnull=True, verdict=""),
                name="alert_states_odds_when_found",
            ),
            models.CheckConstraint(
                condition=Q(
                    news__in=["found", *FOLLOW_UPS, "proposed"],
                    arrival__isnull=False,
                    need__isnull=False,
                    part__isnull=False,
                    listing__isnull=True,
                )
                | Q(
                    news="listing",
                    arrival__isnull=True,
                    need__isnull=False,
                    part__isnull=True,
                    listing__isnull=False,
                )
                | Q(
                    news__in=["review", "over"],
                    arrival__isnull=True,
                    need__isnull=True,
                    part__isnull=True,
                    listing__isnull=True,
                )
                & ~Q(about=""),
                name="alert_names_what_it_is_about",
            ),
        ]
        indexes: ClassVar = [
            models.Index(
                fields=["recipient"], condition=Q(read_at__isnull=True), name="alert_unread"
            ),
            models.Index(fields=["recipient", "-told_at"], name="alert_inbox"),
            models.Index(fields=["workshop"], condition=Q(echoed=False), name="alert_not_echoed"),
        ]

    def __str__(self) -> str:
        return self.summary


class LearnedWeights(WorkshopOwned):
    """Weights learned from past fittings, for as long as they were in force. Never changed.

    learned: what domain/weights.py reads. loss_before, loss_after: log loss (nats a fitting)
    on held-out fittings, by the table set by hand and by these. instead_of: what was in force
    before; none is the table set by hand.
    """

    learned = models.JSONField()
    digest = models.CharField(max_length=64, editable=False)
    outcomes = models.PositiveIntegerField()
    loss_before = models.FloatField()
    loss_after = models.FloatField()
    loss_error = models.FloatField()
    instead_of = models.ForeignKey(
        "self", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    accepted_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    accepted_at = models.DateTimeField()
    ended_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop"], condition=Q(ended_at__isnull=True), name="weights_one_in_force"
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, ended_by__isnull=True)
                | Q(ended_at__isnull=False, ended_by__isnull=False),
                name="weights_end_has_who_and_when",
            ),
        ]

    def __str__(self) -> str:
        return f"weights {self.pk}"


class FitReport(WorkshopOwned):
    """How good the odds were when last measured on past fittings. One row a workshop.

    found: domain/reliability.py as plain values. learned: measured with learned weights.
    """

    found = models.JSONField()
    outcomes = models.PositiveIntegerField()
    learned = models.BooleanField()
    measured_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop"], name="fit_report_one_a_workshop"),
        ]

    def __str__(self) -> str:
        return f"fits measured on {self.measured_at:%Y-%m-%d}"
