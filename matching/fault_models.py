"""A workshop's own table of faults, what its jobs showed, and what the fault turned out to be.

The table delivered (fixtures/reference/symptoms.json) is no rows here: it stands as the default
under a workshop's changes. Suspects are kept as {part kind or cause: weight}.
"""

from typing import Any, ClassVar

from django.db import models
from django.db.models import F, Q

from matching.domain.diagnosis.tables import MOST_MINUTES
from workshop.scoping import WorkshopOwned


class Standing(models.TextChoices):
    """What a row of a workshop's table is worth."""

    GUIDE = "guide", "a guide: common practice"
    OWN = "own", "our own experience"
    MAKER = "maker", "the maker's service paper"


class _OwnRow(WorkshopOwned):
    """Who wrote a row of the table last. Null: it came from a file."""

    changed_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    changed_at = models.DateTimeField()

    class Meta:
        abstract = True


class FaultCode(_OwnRow):
    """What a code means that a machine of a make shows. A blank range: all ranges of the make."""

    make = models.ForeignKey("donors.Make", on_delete=models.PROTECT, related_name="+")
    range = models.CharField(max_length=60, blank=True, help_text="the family; blank: all")
    range_key = models.CharField(max_length=60, blank=True, editable=False)
    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    code = models.CharField(max_length=20, help_text="as written down")
    code_key = models.CharField(max_length=20, editable=False, help_text="as compared")
    meaning = models.CharField(max_length=200, blank=True)
    suspects = models.JSONField()
    checks = models.JSONField(default=list, blank=True, help_text="to do first: slugs of checks")
    standing = models.CharField(max_length=5, choices=Standing.choices, default=Standing.OWN)
    source = models.CharField(max_length=200, blank=True)
    hidden = models.BooleanField(default=False, help_text="kept, but counts for nothing")

    class Meta:
        ordering: ClassVar = ["make", "appliance", "code_key", "range_key", "id"]
        constraints: ClassVar = [
            models.UniqueConstraint(
                fields=["workshop", "make", "appliance", "code_key", "range_key"],
                name="fault_code_once",
            ),
            models.CheckConstraint(condition=~Q(code_key=""), name="fault_code_is_written"),
            models.CheckConstraint(
                condition=Q(standing__in=Standing.values), name="fault_code_standing_is_known"
            ),
        ]

    def __str__(self) -> str:
        return self.code

    @property
    def slug(self) -> str:
        """Return the name closed jobs are counted under."""
        return f"code:{self.pk}"


class WorkshopSymptom(_OwnRow):
    """A symptom of a workshop's own, or its change to one of the reference table (same slug)."""

    slug = models.CharField(max_length=80)
    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    name = models.CharField(max_length=80)
    words = models.JSONField(default=list, blank=True, help_text="that name it, lower case")
    suspects = models.JSONField()
    source = models.CharField(max_length=200, blank=True)
    hidden = models.BooleanField(default=False)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "slug"], name="symptom_once"),
            models.CheckConstraint(condition=~Q(name=""), name="symptom_has_a_name"),
        ]

    def __str__(self) -> str:
        return self.name


class WorkshopCheck(_OwnRow):
    """A check of a workshop's own, or its change to one of the reference table (same slug).

    A change says the minutes, or that it is not done here, and leaves the words blank. An own one
    has words and two answers: `finds` points to the suspects with their chances, `clear` away.
    """

    slug = models.CharField(max_length=80)
    appliance = models.ForeignKey("donors.Appliance", on_delete=models.PROTECT, related_name="+")
    minutes = models.FloatField(null=True, blank=True, help_text="null: the guide's")
    hidden = models.BooleanField(default=False)
    do = models.CharField(max_length=300, blank=True, help_text="blank: the guide's check")
    finds = models.CharField(max_length=80, blank=True, help_text="the answer that finds something")
    clear = models.CharField(max_length=80, blank=True, help_text="the answer that finds nothing")
    suspects = models.JSONField(
        default=dict, blank=True, help_text="chance that it finds something, by suspect at fault"
    )
    otherwise = models.FloatField(
        null=True, blank=True, help_text="that chance when anything else is at fault"
    )
    cautions = models.JSONField(default=list, blank=True, help_text="slugs of cautions")
    opens = models.BooleanField(default=True, help_text="the machine is opened for it")
    instrument = models.CharField(max_length=80, blank=True)
    source = models.CharField(max_length=200, blank=True)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["workshop", "slug"], name="check_changed_once"),
            models.CheckConstraint(
                condition=Q(minutes__isnull=True) | Q(minutes__gt=0, minutes__lte=MOST_MINUTES),
                name="check_minutes_can_be",
            ),
            models.CheckConstraint(
                condition=Q(do="", finds="", clear="", otherwise__isnull=True)
                | (
                    Q(minutes__isnull=False, otherwise__isnull=False)
                    & ~Q(do="")
                    & ~Q(finds="")
                    & ~Q(clear="")
                ),
                name="own_check_is_whole",
            ),
            models.CheckConstraint(
                condition=Q(otherwise__isnull=True) | Q(otherwise__gt=0, otherwise__lt=1),
                name="own_check_chance_can_be",
            ),
        ]

    def __str__(self) -> str:
        return self.slug

    @property
    def is_own(self) -> bool:
        return self.do != ""


class _OfJob(WorkshopOwned):
    """Something noted of a job. What was taken back stays, with who took it back."""

    by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    at = models.DateTimeField()
    ended_by = models.ForeignKey(
        "workshop.Member", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        abstract = True
        constraints: ClassVar[list[Any]] = [
            models.CheckConstraint(
                condition=Q(ended_at__isnull=False) | Q(ended_by__isnull=True),
                name="%(class)s_end_has_a_time",
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("at")),
                name="%(class)s_ends_after_it_began",
            ),
        ]


class Sign(_OfJob):
    """What a job showed: a symptom, or a code as it stood on the display."""

    class How(models.TextChoices):
        WORDS = "words", "read from the customer's words"
        CHOSEN = "chosen", "chosen by a person"
        SHOWN = "shown", "shown by the machine"

    job = models.ForeignKey("matching.Job", on_delete=models.CASCADE, related_name="signs")
    how = models.CharField(max_length=6, choices=How.choices)
    symptom = models.CharField(max_length=80, blank=True, help_text="slug; blank: a code")
    code = models.CharField(max_length=20, blank=True, help_text="as shown")
    code_key = models.CharField(max_length=20, blank=True, editable=False)

    class Meta(_OfJob.Meta):
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            *_OfJob.Meta.constraints,
            models.UniqueConstraint(
                fields=["job", "symptom"],
                condition=Q(ended_at__isnull=True) & ~Q(symptom=""),
                name="sign_symptom_once",
            ),
            models.UniqueConstraint(
                fields=["job", "code_key"],
                condition=Q(ended_at__isnull=True) & ~Q(code_key=""),
                name="sign_code_once",
            ),
            models.CheckConstraint(
                condition=(Q(how__in=["words", "chosen"], code="", code_key="") & ~Q(symptom=""))
                | (Q(how="shown", symptom="") & ~Q(code="") & ~Q(code_key="")),
                name="sign_is_a_symptom_or_a_code",
            ),
        ]

    def __str__(self) -> str:
        return self.code or self.symptom


class CheckAnswer(_OfJob):
    """What a check gave. One in force for each check of a job; those taken back are kept."""

    job = models.ForeignKey("matching.Job", on_delete=models.CASCADE, related_name="check_answers")
    check_slug = models.CharField(max_length=80)
    answer = models.CharField(max_length=40)
    says = models.CharField(max_length=200, help_text="the answer in words, as it was chosen")

    class Meta(_OfJob.Meta):
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            *_OfJob.Meta.constraints,
            models.UniqueConstraint(
                fields=["job", "check_slug"],
                condition=Q(ended_at__isnull=True),
                name="check_answered_once",
            ),
            models.CheckConstraint(
                condition=~Q(check_slug="") & ~Q(answer=""), name="check_answer_says_something"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.check_slug}: {self.says}"


class FaultFound(_OfJob):
    """What the fault of a job turned out to be. By nobody: the part that was fitted.

    outcome: where that fitting was imported and names no job, the one taken for this job's.
    """

    job = models.ForeignKey("matching.Job", on_delete=models.CASCADE, related_name="faults_found")
    outcome = models.ForeignKey(
        "matching.Outcome", on_delete=models.SET_NULL, null=True, blank=True, related_name="+"
    )
    suspect = models.CharField(max_length=40, help_text="a part kind, or a cause that is no part")
    note = models.CharField(max_length=300, blank=True)

    class Meta(_OfJob.Meta):
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            *_OfJob.Meta.constraints,
            models.UniqueConstraint(
                fields=["job"], condition=Q(ended_at__isnull=True), name="fault_found_once"
            ),
            models.CheckConstraint(condition=~Q(suspect=""), name="fault_found_is_named"),
        ]

    def __str__(self) -> str:
        return self.suspect


class FaultLesson(WorkshopOwned):
    """One closed job counted under one symptom or code it showed. Gone when it is taken back."""

    found = models.ForeignKey(FaultFound, on_delete=models.CASCADE, related_name="lessons")
    under = models.CharField(max_length=80, help_text="symptom's slug, or code:<row>")
    suspect = models.CharField(max_length=40)

    class Meta:
        ordering: ClassVar = ["id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["found", "under"], name="lesson_once"),
            models.CheckConstraint(
                condition=~Q(under="") & ~Q(suspect=""), name="lesson_says_something"
            ),
        ]
        indexes: ClassVar = [
            # Counts of closed jobs; the columns spare the row.
            models.Index(fields=["workshop", "under", "suspect"], name="lesson_counts"),
        ]

    def __str__(self) -> str:
        return f"{self.under}: {self.suspect}"
