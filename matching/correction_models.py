"""What was corrected, closed, opened again or taken back on a job's record."""

from django.db import models

from donors.change_models import ChangeColumns


class JobChange(ChangeColumns):
    """What was changed of a job or of one of its needs."""

    job = models.ForeignKey("matching.Job", on_delete=models.CASCADE, related_name="changes")
