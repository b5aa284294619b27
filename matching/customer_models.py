"""How to reach the customer of a job: in a table of its own, with a day on which it is erased."""

from typing import ClassVar

from django.db import models
from django.db.models import Q

from workshop.scoping import WorkshopOwned


class Customer(WorkshopOwned):
    """The one private person the service knows of. Never exported, mailed, announced or logged."""

    job = models.OneToOneField("matching.Job", on_delete=models.CASCADE, related_name="customer")
    name = models.CharField(max_length=120, blank=True)
    reach = models.CharField(max_length=200, blank=True, help_text="a number or an address")
    keep_until = models.DateField(db_index=True, help_text="the sweep erases it after this day")
    noted_by = models.ForeignKey("workshop.Member", on_delete=models.PROTECT, related_name="+")
    noted_at = models.DateTimeField()

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                condition=~Q(name="") | ~Q(reach=""), name="customer_says_something"
            ),
        ]

    def __str__(self) -> str:
        # Never the name: what is printed ends up in logs.
        return f"customer {self.pk}"
