"""The base app. Lays the cross-workshop triggers around every migrate."""

from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate


def _drop_triggers(*, using: str, **_: Any) -> None:
    from workshop import integrity

    integrity.drop(using)


def _lay_triggers(*, using: str, **_: Any) -> None:
    from workshop import integrity

    integrity.install(using)


class WorkshopConfig(AppConfig):
    name = "workshop"

    def ready(self) -> None:
        from workshop import idempotency, imports  # noqa: F401  (register sweeps and handlers)
        from workshop.access import devices, people, tries  # noqa: F401  (and theirs)

        pre_migrate.connect(_drop_triggers, sender=self, dispatch_uid="drop_triggers")
        post_migrate.connect(_lay_triggers, sender=self, dispatch_uid="lay_triggers")
