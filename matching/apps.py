"""The matching app: jobs, needs, scores, holds, outcomes, alerts."""

from typing import Any

from django.apps import AppConfig
from django.db import connections
from django.db.models.signals import post_migrate


def _load_reference(*, using: str, **_: Any) -> None:
    """Bring the reference data up to date once every table is there."""
    from matching import key_check
    from matching.models import NeedKey
    from parts.models import Caution
    from workshop import reference
    from workshop.models import ReferenceRelease

    tables = set(connections[using].introspection.table_names())
    needed = {model._meta.db_table for model in (ReferenceRelease, Caution, NeedKey)}
    if needed <= tables and "part_kinds" in reference.load_all():
        # Which attributes are telling, and their tolerances, decide the keys.
        key_check.check(repair=True)


class MatchingConfig(AppConfig):
    name = "matching"

    def ready(self) -> None:
        from django.core import checks

        from matching import exchange, receivers  # noqa: F401  (registers what it holds)
        from matching.echo.checks import (
            mail_is_set_up_wholly,
            mail_waits_for_nobody,
            say_who_waits,
        )
        from matching.faults import check_files  # noqa: F401
        from matching.faults import exchange as fault_codes  # noqa: F401
        from matching.listings import receivers as of_listings  # noqa: F401  (the same)
        from matching.web import job_lead  # noqa: F401  (the same)

        checks.register(mail_is_set_up_wholly)
        checks.register(mail_waits_for_nobody, checks.Tags.database)
        post_migrate.connect(_load_reference, sender=self, dispatch_uid="load_reference")
        post_migrate.connect(say_who_waits, sender=self, dispatch_uid="say_who_waits")
