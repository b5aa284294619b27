"""What signing in leaves on record. Rows of people belong to a user, not to a workshop."""

from typing import ClassVar

from django.conf import settings
from django.db import models
from django.db.models import Q

from workshop.models import Member, Role
from workshop.scoping import WorkshopOwned


class Tries(models.Model):
    """How often something secret was guessed wrong of late (access/tries.py)."""

    key = models.CharField(max_length=64, primary_key=True, help_text="of what; never a name")
    tries = models.PositiveSmallIntegerField()
    last_at = models.DateTimeField(db_index=True)


class KnownDevice(models.Model):
    """A browser somebody signed in with; strangers' wrong tries do not lock it out."""

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="known_devices"
    )
    token_hash = models.CharField(max_length=64, help_text="of the browser, whoever uses it")
    kind = models.CharField(max_length=20, help_text="phone or tablet, computer")
    made_at = models.DateTimeField()
    used_at = models.DateTimeField(help_text="when it was last signed in with")

    class Meta:
        ordering: ClassVar = ["-used_at", "-id"]
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "token_hash"], name="known_device_once"),
        ]


class SecondStep(models.Model):
    """The app that makes somebody's codes (RFC 6238). The secret is derived, never stored."""

    user = models.OneToOneField(
        settings.AUTH_USER_MODEL,
        on_delete=models.CASCADE,
        primary_key=True,
        related_name="second_step",
    )
    seed = models.CharField(max_length=64)
    check_sum = models.CharField(max_length=64)
    begun_at = models.DateTimeField()
    on_since = models.DateTimeField(null=True, blank=True, help_text="null: not confirmed yet")
    last_step = models.BigIntegerField(default=-1, help_text="of the last code; none counts twice")
    wrong_in_a_row = models.PositiveIntegerField(default=0, help_text="codes since the last right")


class RecoveryCode(models.Model):
    """One way in without the app. The row is removed when it is used."""

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="recovery_codes"
    )
    code_hash = models.CharField(max_length=64)

    class Meta:
        constraints: ClassVar = [
            models.UniqueConstraint(fields=["user", "code_hash"], name="recovery_code_once"),
        ]


class Scope(models.TextChoices):
    """What an API token may do; never more than its member may."""

    READ = "read", "read only"
    WRITE = "write", "write, as a technician may"
    REVIEW = "review", "review, as a reviewer may"
    ALL = "all", "all that you may"


class ApiToken(WorkshopOwned):
    """What is known of a token beside its hash and its end, which stand in knox's table."""

    token = models.OneToOneField("knox.AuthToken", on_delete=models.CASCADE, related_name="facts")
    member = models.ForeignKey(Member, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(max_length=60)
    scope = models.CharField(max_length=6, choices=Scope.choices)
    made_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True, help_text="to the hour")

    class Meta:
        ordering: ClassVar = ["-made_at", "-id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(scope__in=Scope.values), name="api_token_scope_is_known"
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Invitation(WorkshopOwned):
    """A link by which one person joins a workshop, once, until it ends."""

    token_hash = models.CharField(max_length=64, unique=True)
    role = models.CharField(max_length=12, choices=Role.choices)
    note = models.CharField(max_length=60, blank=True, help_text="for whom")
    made_by = models.ForeignKey(Member, on_delete=models.PROTECT, related_name="+")
    made_at = models.DateTimeField()
    expires_at = models.DateTimeField()
    used_at = models.DateTimeField(null=True, blank=True)
    used_by = models.ForeignKey(
        Member, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )

    class Meta:
        ordering: ClassVar = ["-made_at", "-id"]
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=Q(role__in=Role.values), name="invitation_role_is_known"
            ),
            models.CheckConstraint(
                condition=Q(expires_at__gt=models.F("made_at")), name="invitation_ends_later"
            ),
            models.CheckConstraint(
                condition=Q(used_at__isnull=True, used_by__isnull=True)
                | Q(used_at__isnull=False, used_by__isnull=False),
                name="invitation_used_by_somebody",
            ),
        ]

    def __str__(self) -> str:
        return self.note or f"invitation {self.pk}"
