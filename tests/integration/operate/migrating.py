"""`manage.py migrate` that stands still at a chosen moment of the first step, to be killed there.

`python -m tests.integration.operate.migrating MOMENT FILE` writes FILE once it stands:

inside       the step's tables are made, its transaction is not committed
unrecorded   it is committed, and not on record yet
reference    all steps are done and on record, nothing of what follows them is
"""

import os
import sys
import time
from pathlib import Path
from typing import Any

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings.local")

import django

django.setup()

from django.core.management import call_command
from django.core.management.commands import migrate
from django.db.migrations import Migration
from django.db.migrations.executor import MigrationExecutor


def main() -> None:
    moment, mark = sys.argv[1], Path(sys.argv[2])

    def stand(*_: Any, **__: Any) -> None:
        mark.touch()
        time.sleep(600)

    if moment == "inside":
        make = Migration.apply

        def make_and_stand(*args: Any, **values: Any) -> None:
            make(*args, **values)
            stand()

        Migration.apply = make_and_stand
    elif moment == "unrecorded":
        MigrationExecutor.record_migration = stand
    else:
        migrate.emit_post_migrate_signal = stand
    call_command("migrate", verbosity=0)


if __name__ == "__main__":
    main()
