"""What a database that has only some of the squashed steps needs in order to go on."""

from django.apps import apps
from django.db.migrations.loader import MigrationLoader

OURS = {"workshop", "donors", "parts", "matching"}


def test_no_migration_rests_on_a_squashed_one() -> None:
    """`makemigrations` names the squashed one, which is not there while steps are missing."""
    loader = MigrationLoader(None)
    resting = [
        f"{app}.{name} -> {parent}"
        for (app, name), migration in loader.disk_migrations.items()
        if app in OURS and "squashed" not in name
        for parent in migration.dependencies
        if "squashed" in parent[1]
    ]
    assert resting == []


def test_each_app_has_one_line_of_migrations() -> None:
    leaves = MigrationLoader(None).graph.leaf_nodes()
    assert {app for app, _ in leaves} >= OURS
    assert all(len([leaf for leaf in leaves if leaf[0] == app]) == 1 for app in OURS)
    assert apps.ready
