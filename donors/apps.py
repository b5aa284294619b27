"""The donors app: machines and their numbers. Lays the log of changed numbers after migrate."""

from typing import Any

from django.apps import AppConfig
from django.db.models.signals import post_migrate, pre_migrate


def _drop_log(*, using: str, **_: Any) -> None:
    from donors import change_log

    change_log.drop(using)


def _lay_log(*, using: str, **_: Any) -> None:
    from donors import change_log

    change_log.install(using)


class DonorsConfig(AppConfig):
    name = "donors"

    def ready(self) -> None:
        from donors import exchange, receivers, reference  # noqa: F401  (registers what it holds)

        pre_migrate.connect(_drop_log, sender=self, dispatch_uid="drop_number_log")
        post_migrate.connect(_lay_log, sender=self, dispatch_uid="lay_number_log")
