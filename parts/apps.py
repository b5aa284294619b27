"""The parts app: kinds, numbers, stock and bench tests."""

from django.apps import AppConfig


class PartsConfig(AppConfig):
    name = "parts"

    def ready(self) -> None:
        from parts import exchange, photo_files, reference  # noqa: F401  (registers what it holds)
