"""Parts: what kinds there are, which numbers they carry, the pieces in stock, their tests."""

import uuid
from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from parts.number_columns import folded_column, stem_column
from parts.strip_models import StepRecord as StepRecord
from parts.strip_models import StepSpan as StepSpan
from parts.strip_models import StripStep as StripStep
from parts.strip_models import ToolClass as ToolClass
from parts.strip_models import WorkshopStep as WorkshopStep
from workshop.domain.intervals import Interval, from_ends
from workshop.scoping import WorkshopOwned


class PartKind(models.Model):
    """Reference: what a part does (drain pump), how it is matched, whether it may be reused."""

    class FitClass(models.TextChoices):
        EXACT_ONLY = "exact-only", "by number and index only"
        SPEC_MATCH = "spec-match", "by mount, ratings and connector"
        MEASURED_MATCH = "measured-match", "by measured size and values"
        COSMETIC = "cosmetic", "by family and colour"

    class Reuse(models.TextChoices):
        GOOD = "good", "may be reused"
        CAUTION = "caution", "may be reused with care"
        NEVER = "never", "never reused"

    slug = models.SlugField(max_length=40, primary_key=True)
    name = models.CharField(max_length=60)
    component_class = models.CharField(max_length=12)
    fit_class = models.CharField(max_length=16, choices=FitClass.choices)
    reuse = models.CharField(max_length=8, choices=Reuse.choices)
    reuse_advice = models.TextField(blank=True)
    matters = models.JSONField(default=list, help_text="model-number fields that matter for fit")
    attributes = models.JSONField(default=list)
    shelf_months = models.FloatField(null=True)
    min_test = models.TextField(blank=True)
    source = models.TextField()

    class Meta:
        ordering: ClassVar = ["name"]

    def __str__(self) -> str:
        return self.name


class KindCarried(models.Model):
    """Reference: a kind of part that machines of an appliance carry, and where."""

    appliance = models.ForeignKey(
        "donors.Appliance", on_delete=models.CASCADE, related_name="carried"
    )
    kind = models.ForeignKey(PartKind, on_delete=models.CASCADE, related_name="carried_by")
    positions = models.JSONField(default=list)
    part_of_intake = models.BooleanField(default=True)
    guide_price = models.FloatField(null=True)
    source = models.TextField()

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["appliance", "kind"], name="kind_carried_once"),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id} in {self.appliance_id}"


class SurvivalPrior(models.Model):
    """Reference: chance in percent that a part is good, by why its machine was scrapped."""

    kind = models.ForeignKey(PartKind, on_delete=models.CASCADE, related_name="survival")
    cause = models.ForeignKey(
        "donors.FailureCause", on_delete=models.CASCADE, related_name="survival"
    )
    percent = models.FloatField()
    source = models.TextField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["kind", "cause"], name="survival_once"),
            models.CheckConstraint(
                condition=Q(percent__gte=0, percent__lte=100), name="survival_is_a_percentage"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind_id}: {self.percent} %"


class Caution(models.Model):
    """Reference: a danger and what to do about it, for an appliance, a kind, or all."""

    slug = models.SlugField(max_length=80, primary_key=True)
    appliance = models.ForeignKey(
        "donors.Appliance", on_delete=models.CASCADE, null=True, related_name="cautions"
    )
    kind = models.ForeignKey(PartKind, on_delete=models.CASCADE, null=True, related_name="cautions")
    hazard = models.SlugField(max_length=40)
    text = models.TextField()
    licence = models.CharField(max_length=40, blank=True)
    source = models.TextField()

    class Meta:
        ordering: ClassVar = ["slug"]

    def __str__(self) -> str:
        return self.slug


class PartNumber(WorkshopOwned):
    """A number printed on parts of one kind."""

    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT, related_name="+")
    number = models.CharField(max_length=80, help_text="as printed")
    canonical = models.CharField(max_length=80, editable=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "kind", "canonical"], name="part_number_once_per_kind"
            ),
            models.CheckConstraint(condition=~Q(canonical=""), name="part_number_says_something"),
        ]

    def __str__(self) -> str:
        return self.number


class Interchange(WorkshopOwned):
    """`to_number` goes in where `from_number` is asked for; both ways only when said so."""

    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT, related_name="+")
    from_number = models.ForeignKey(PartNumber, on_delete=models.CASCADE, related_name="+")
    to_number = models.ForeignKey(PartNumber, on_delete=models.CASCADE, related_name="+")
    both_ways = models.BooleanField(default=False)
    note = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "from_number", "to_number"], name="interchange_once"
            ),
            models.CheckConstraint(
                condition=~Q(from_number=F("to_number")), name="interchange_leads_elsewhere"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.from_number_id} > {self.to_number_id}"


class Grade(models.TextChoices):
    """What is known of a part's condition. `tested` grades rest on a bench test.

    Not graded is the unknown beside the four grades: nobody has said anything yet.
    """

    NOT_GRADED = "not-graded", "not graded"
    TESTED_GOOD = "tested-good", "tested good"
    TESTED_WORN = "tested-worn", "tested worn"
    UNTESTED = "untested", "untested"
    SCRAP = "scrap", "scrap"


TESTED = (Grade.TESTED_GOOD, Grade.TESTED_WORN)
STATED_GRADES = tuple(grade for grade in Grade.values if grade != Grade.NOT_GRADED)


class Part(WorkshopOwned):
    """One physical piece: still in its machine, on the shelf, or gone."""

    class State(models.TextChoices):
        IN_MACHINE = "in-machine", "in machine"
        REMOVED = "removed", "removed"
        SHELVED = "shelved", "shelved"
        FITTED = "fitted", "fitted"
        SOLD = "sold", "sold"
        SCRAPPED = "scrapped", "scrapped"

    ref = models.CharField(max_length=130)
    short_code = models.CharField(
        max_length=16, editable=False, help_text="what stands on its tag; given by parts/codes.py"
    )
    donor = models.ForeignKey(
        "donors.Donor", on_delete=models.PROTECT, null=True, blank=True, related_name="parts"
    )
    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT, related_name="+")
    position = models.CharField(max_length=40, blank=True)
    state = models.CharField(max_length=12, choices=State.choices, default=State.IN_MACHINE)
    part_number = models.CharField(max_length=80, blank=True, help_text="as printed")
    number_canonical = models.CharField(max_length=80, blank=True, editable=False)
    number_folded = folded_column()
    number_stem = stem_column()
    attributes = models.JSONField(default=dict, blank=True)
    grade = models.CharField(max_length=12, choices=Grade.choices, default=Grade.NOT_GRADED)
    grade_test = models.ForeignKey(
        "parts.BenchTest", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    grade_reason = models.TextField(blank=True, editable=False, help_text="what the grade rests on")
    grade_falls_on = models.DateField(
        null=True, blank=True, editable=False, help_text="when it is worked out anew; see shelf.py"
    )
    bin = models.CharField(max_length=40, blank=True)
    price_cents = models.PositiveIntegerField(null=True, blank=True)
    removed_on = models.DateField(null=True, blank=True)
    gone_on = models.DateField(
        null=True, blank=True, editable=False, help_text="fitted, sold or scrapped on"
    )
    warranty_until = models.DateField(
        null=True, blank=True, editable=False, help_text="given when it was fitted or sold"
    )
    # Scrap because it did not work: counts against others of its like. Not what was broken while
    # taken out, was missing, or had no room.
    was_bad = models.BooleanField(default=False, editable=False)
    note = models.TextField(blank=True)
    laid_at_intake = models.BooleanField(default=False, editable=False)
    arrival = models.UUIDField(default=uuid.uuid4, editable=False)
    recorded_at = models.DateTimeField(auto_now_add=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar[list[Any]] = [
            models.UniqueConstraint(fields=["workshop", "ref"], name="part_ref_once"),
            models.UniqueConstraint(fields=["workshop", "short_code"], name="part_code_once"),
            models.CheckConstraint(condition=~Q(short_code=""), name="part_has_a_code"),
            models.UniqueConstraint(
                fields=["donor", "kind", "position"],
                condition=Q(donor__isnull=False),
                name="part_once_in_a_machine",
            ),
            models.CheckConstraint(
                condition=~Q(grade__in=["tested-good", "tested-worn"])
                | Q(grade_test__isnull=False),
                name="part_tested_grade_has_a_test",
            ),
            models.CheckConstraint(
                condition=~Q(state="in-machine") | Q(donor__isnull=False),
                name="part_in_machine_has_a_machine",
            ),
            models.CheckConstraint(condition=Q(grade__in=Grade.values), name="part_grade_is_known"),
            models.CheckConstraint(
                condition=Q(gone_on__isnull=True) | Q(state__in=["fitted", "sold", "scrapped"]),
                name="part_gone_on_some_day_is_gone",
            ),
            models.CheckConstraint(
                condition=Q(warranty_until__isnull=True) | Q(gone_on__isnull=False),
                name="part_with_warranty_is_gone",
            ),
            models.CheckConstraint(
                condition=Q(
                    state__in=["in-machine", "removed", "shelved", "fitted", "sold", "scrapped"]
                ),
                name="part_state_is_known",
            ),
        ]
        indexes: ClassVar = [
            # Candidates for a need: the kind's parts that can still be had.
            models.Index(
                fields=["workshop", "kind", "id"],
                condition=Q(state__in=["in-machine", "removed", "shelved"]) & ~Q(grade="scrap"),
                name="part_available_by_kind",
            ),
            models.Index(fields=["workshop", "kind", "number_canonical"], name="part_by_number"),
            # What turned out bad: counted against P(good) of others of the kind.
            models.Index(
                fields=["workshop", "kind", "donor"],
                condition=Q(grade="scrap"),
                name="part_scrap_by_kind",
            ),
            models.Index(
                fields=["workshop", "kind", "donor"],
                condition=Q(was_bad=True),
                name="part_bad_by_kind",
            ),
            # What parts of a kind were priced at, newest first (strip plan).
            models.Index(
                fields=["workshop", "kind", "-id"],
                condition=Q(price_cents__isnull=False),
                name="part_priced_newest",
            ),
            # Candidates by number: what is misread for it, and what shares its stem. The last
            # columns spare reading the rows: many are found, few looked at (candidates.py).
            models.Index(
                fields=["workshop", "kind", "number_folded", "donor", "state", "grade", "id"],
                condition=Q(number_folded__isnull=False),
                name="part_by_folded",
            ),
            models.Index(
                fields=["workshop", "kind", "number_stem", "donor", "state", "grade", "id"],
                condition=Q(number_stem__isnull=False),
                name="part_by_stem",
            ),
            models.Index(
                fields=["donor", "kind", "state", "grade", "id"],
                condition=Q(donor__isnull=False),
                name="part_by_donor",
            ),
            # Grades the sweep lets fall today.
            models.Index(
                fields=["grade_falls_on", "id"],
                condition=Q(grade_falls_on__isnull=False),
                name="part_by_fall",
            ),
        ]

    def __str__(self) -> str:
        return self.ref


OUT_OF_MACHINE = (Part.State.REMOVED, Part.State.SHELVED)
AVAILABLE = (Part.State.IN_MACHINE, *OUT_OF_MACHINE)


class PartKey(WorkshopOwned):
    """One telling attribute of a part as a key to find it by (parts/domain/attribute_keys.py).

    Written beside the part, in its transaction, by parts/attribute_keys.py.
    """

    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="keys")
    key = models.BigIntegerField()

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "key", "part"], name="part_key_once"),
        ]


class BenchTest(WorkshopOwned):
    """What was measured on a part, by whom, and the verdict."""

    class Verdict(models.TextChoices):
        GOOD = "good", "good"
        WORN = "worn", "worn"
        FAILED = "failed", "failed"
        NOT_MEASURED = "not-measured", "not measured"

    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="tests")
    # The part's, kept here so that a kind's results are read through an index.
    kind = models.ForeignKey(
        PartKind, on_delete=models.PROTECT, null=True, editable=False, related_name="+"
    )
    tested_on = models.DateField()
    recorded_at = models.DateTimeField(auto_now_add=True)
    tested_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    verdict = models.CharField(max_length=12, choices=Verdict.choices)
    # As given: {"volts": {"label", "value", "unit"}}; free text under "text" and other names.
    readings = models.JSONField(default=dict, blank=True)
    # One record for each verdict: reading, limit, standing, source (bench_forms/records.py).
    verdicts = models.JSONField(default=list, blank=True)
    meter = models.CharField(max_length=80, blank=True, help_text="what it was measured with")
    looks_worn = models.BooleanField(default=False, help_text="cosmetically worn")
    method = models.CharField(max_length=200, help_text="how it was tested, or where that is said")
    note = models.TextField(blank=True)

    class Meta:
        ordering: ClassVar = ["-tested_on", "-id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(verdict__in=["good", "worn", "failed", "not-measured"]),
                name="test_verdict_is_known",
            ),
        ]
        indexes: ClassVar = [models.Index(fields=["workshop", "kind"], name="test_by_kind")]

    def __str__(self) -> str:
        return f"{self.part_id} {self.verdict} on {self.tested_on}"


class SisterWarning(WorkshopOwned):
    """A part of the same donor failed after it was fitted: look at this one again.

    Stands until the part passes a bench test or a person says why it is no longer in doubt.
    """

    part = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="sister_warnings")
    failed = models.ForeignKey(Part, on_delete=models.CASCADE, related_name="+")
    raised_on = models.DateField()
    cleared_on = models.DateField(null=True, blank=True)
    cleared_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    cleared_by_test = models.ForeignKey(
        BenchTest, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    why_cleared = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["part", "failed"], name="sister_warned_of_once"),
            models.CheckConstraint(condition=~Q(part=F("failed")), name="sister_is_another_part"),
            models.CheckConstraint(
                condition=Q(cleared_on__isnull=True, cleared_by_test__isnull=True, why_cleared="")
                | Q(cleared_on__isnull=False, cleared_by_test__isnull=False)
                | Q(cleared_on__isnull=False, cleared_by__isnull=False) & ~Q(why_cleared=""),
                name="sister_warning_cleared_by_test_or_reason",
            ),
        ]
        indexes: ClassVar = [
            models.Index(
                fields=["part"], condition=Q(cleared_on__isnull=True), name="sister_warning_open"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.part_id}, for {self.failed_id} failed"


class Sighting(WorkshopOwned):
    """This part number was seen in this model: teaches which machine carries which part."""

    class Source(models.TextChoices):
        DONOR = "donor", "a donor's part"
        JOB = "job", "a job's own part"

    kind = models.ForeignKey(PartKind, on_delete=models.PROTECT, related_name="+")
    position = models.CharField(max_length=40, blank=True)
    number_canonical = models.CharField(max_length=80)
    number_folded = folded_column()
    source = models.CharField(max_length=8, choices=Source.choices)
    source_ref = models.CharField(max_length=80, help_text="reference of the donor or job")
    make = models.CharField(max_length=80, blank=True)
    model_canonical = models.CharField(max_length=80, blank=True)
    family = models.CharField(max_length=60, blank=True)
    fields = models.JSONField(default=dict)
    built_from = models.DateField(null=True, blank=True)
    built_to = models.DateField(null=True, blank=True)
    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    certainty = models.FloatField(default=1.0)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "source", "source_ref", "kind", "position"],
                name="sighting_once_per_machine",
            ),
            models.CheckConstraint(
                condition=Q(built_from__isnull=True)
                | Q(built_to__isnull=True)
                | Q(built_to__gte=F("built_from")),
                name="sighting_build_interval_runs_forward",
            ),
            models.CheckConstraint(condition=~Q(number_canonical=""), name="sighting_has_a_number"),
        ]
        indexes: ClassVar = [
            models.Index(fields=["workshop", "kind", "make", "family"], name="sighting_by_family"),
            # Where a number was seen: the families whose machines may carry it.
            models.Index(
                fields=["workshop", "kind", "number_folded", "make", "family"],
                name="sighting_by_number",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.number_canonical} in {self.source_ref}"

    def built(self) -> Interval | None:
        return from_ends(self.built_from, self.built_to)


class Photo(WorkshopOwned):
    """A picture of a part, or of a donor before a strip step. Its files: parts/photo_files.py."""

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    donor = models.ForeignKey(
        "donors.Donor", on_delete=models.CASCADE, null=True, blank=True, related_name="photos"
    )
    step = models.SlugField(max_length=80, blank=True, help_text="slug of the strip step")
    part = models.ForeignKey(
        Part, on_delete=models.CASCADE, null=True, blank=True, related_name="photos"
    )
    caption = models.CharField(max_length=200, blank=True)
    taken_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    kept_at = models.DateTimeField()
    width = models.PositiveIntegerField()
    height = models.PositiveIntegerField()
    size_bytes = models.PositiveIntegerField(help_text="both files together")

    class Meta:
        ordering: ClassVar = ["kept_at", "id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(donor__isnull=False, part__isnull=True)
                | Q(donor__isnull=True, part__isnull=False, step=""),
                name="photo_is_of_a_donor_or_a_part",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.id}.jpg"
