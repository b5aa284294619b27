"""A process that writes pairs of rows, one pair a transaction, and prints each number committed.

Run as `python -m tests.integration.operate.writer`, on the database of TEST_DATABASE_URL.
"""

import os
import sys
import time

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.test")

import django

django.setup()

from django.db import transaction

from workshop.models import KeptReply, RefCounter, Workshop


def main() -> None:
    workshop = Workshop.objects.get()
    for number in range(1, 100_000):
        with transaction.atomic():
            RefCounter.objects.create(workshop=workshop, prefix=f"w{number}", last=number)
            KeptReply.objects.create(workshop=workshop, key=f"w{number}", fingerprint="f")
        print(number, flush=True)
        time.sleep(0.002)


if __name__ == "__main__":
    sys.exit(main())
