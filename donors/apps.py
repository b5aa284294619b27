"""The donors app: machines and their numbers."""

from django.apps import AppConfig


class DonorsConfig(AppConfig):
    name = "donors"

    def ready(self) -> None:
        from donors import exchange, reference  # noqa: F401  (registers what it holds)
