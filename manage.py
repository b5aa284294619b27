#!/usr/bin/env python
"""Command line of the service. On a workshop's own machine it runs with local settings."""

import os
import sys


def main() -> None:
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.local")
    try:
        from django.core.management import execute_from_command_line
    except ImportError as missing:
        raise SystemExit(
            "Django is not installed in this Python. Run `make setup`, or the plain lines "
            "under 'Without make' in README.md, and use the Python in .venv."
        ) from missing
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
