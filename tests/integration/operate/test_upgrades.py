"""A database of an earlier release goes on from where it is."""

import pytest
from django.db import connection
from django.db.migrations.loader import MigrationLoader
from django.db.migrations.recorder import MigrationRecorder

pytestmark = [pytest.mark.django_db, pytest.mark.any_engine]
OURS = {"workshop", "donors", "parts", "matching"}


def at(names: set[tuple[str, str]], monkeypatch: pytest.MonkeyPatch) -> MigrationLoader:
    """Return what Django sees where just these migrations are on record."""
    others = {key for key in MigrationLoader(None).disk_migrations if key[0] not in OURS}
    applied = dict.fromkeys(names | others)
    monkeypatch.setattr(MigrationRecorder, "applied_migrations", lambda self: applied)
    return MigrationLoader(connection)


def squashed() -> dict[tuple[str, str], list[tuple[str, str]]]:
    disk = MigrationLoader(None).disk_migrations
    return {key: one.replaces for key, one in disk.items() if one.replaces}


def test_the_release_that_has_all_squashed_steps_and_no_later_one_goes_on(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A squash that reached beyond a release in one app only would be refused as out of order."""
    steps = {step for replaced in squashed().values() for step in replaced}
    loader = at(steps, monkeypatch)
    loader.check_consistent_history(connection)
    assert squashed().keys() <= loader.graph.nodes.keys()


def test_a_database_with_some_of_the_steps_goes_on_by_steps(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    lines = squashed()
    matching = next(key for key in lines if key[0] == "matching")
    some = {step for replaced in lines.values() for step in replaced[:-1]}
    loader = at(some, monkeypatch)
    loader.check_consistent_history(connection)
    assert matching not in loader.graph.nodes
    assert lines[matching][-1] in loader.graph.nodes
