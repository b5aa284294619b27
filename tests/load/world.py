"""A million parts in workshops of some five thousand: one is made, the others are copies of it.

The plan (docs/scaling.md) counts on 10,000 workshops of 5,000 parts; a million parts are 200 of
these. The first is laid by the code that keeps keys true (tests/speed/stock_worlds.py), the
others within the database, table by table, a workshop's rows beside each other.
"""

import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from typing import Any

from django.apps import apps
from django.db import connection, transaction
from django.utils import timezone

from donors import snapshots
from donors.domain.model_numbers import canonical
from donors.models import Donor, Make, ModelNumber
from matching import matcher
from matching.models import Alert, Job, Match, Need, NeedKey, Outcome
from parts.models import Interchange, Part, PartKey, PartNumber, Sighting
from tests.speed.stock_worlds import StockWorld
from workshop import dispatcher, integrity
from workshop.models import Member, OutboxEvent, RefCounter, Role, User, Workshop

# In an order in which each refers to those before it only.
COPIED = (
    Make, ModelNumber, Donor, PartNumber, Interchange, Part, PartKey, Sighting,
    Job, Need, NeedKey, Match, Outcome, RefCounter,
)  # fmt: skip


def fill(*, parts: int, workshops: int) -> dict[str, float]:
    """Fill an empty database. Returns the seconds each step took."""
    took: dict[str, float] = {}
    with _timed(took, "the first workshop"), transaction.atomic():
        world = StockWorld()
        world.fill(parts=max(1, parts // workshops), needs=max(4, parts // workshops // 50))
        _name_models(world)
        needs = list(Need.of(world.workshop).values_list("pk", flat=True))
        matcher.match_needs(world.workshop.pk, needs, now=timezone.now())
    with _timed(took, "its patterns guessed, its news acted on"):
        while dispatcher.sweep(now=timezone.now()).handled:
            dispatcher.drain()
        # Copies have none of these: all start alike.
        Alert.of(world.workshop).delete()
        OutboxEvent.of(world.workshop).delete()
        _date_back(world)
    with _timed(took, "its copies"):
        _copy(world, workshops - 1)
    with _timed(took, "vacuum and statistics"):
        world.settle() if connection.vendor == "postgresql" else _analyze()
    return took


@contextmanager
def _timed(took: dict[str, float], what: str) -> Iterator[None]:
    begun = time.perf_counter()
    yield
    took[what] = time.perf_counter() - begun


def _analyze() -> None:
    with connection.cursor() as cursor:
        cursor.execute("ANALYZE")


def _date_back(world: StockWorld) -> None:
    """Let all of it have come in a month ago: the sweep asks what no event names of late."""
    then = timezone.now() - timedelta(days=30)
    for model in (Donor, Part, Job):
        model.of(world.workshop).update(recorded_at=then)


def _name_models(world: StockWorld) -> None:
    """Put the numbers of the donors and jobs into the catalogue, so that plates are recognised."""
    rows = [
        *Donor.of(world.workshop).values_list("make_id", "model_number", "appliance_id", "family"),
        *Job.of(world.workshop).values_list("make_id", "model_number", "appliance_id", "family"),
    ]
    ModelNumber.objects.bulk_create(
        [
            ModelNumber(
                workshop=world.workshop,
                make_id=make,
                number=number,
                canonical=canonical(number),
                folded=canonical(number),
                appliance_id=appliance,
                family=family,
            )
            for make, number, appliance, family in {
                (m, n): (m, n, a, f) for m, n, a, f in rows
            }.values()
        ]
    )


def _copy(world: StockWorld, copies: int) -> None:
    first = world.workshop
    with transaction.atomic():
        _triggers(False)
        new = Workshop.objects.bulk_create(
            [Workshop(slug=f"load-{n}", name=f"Load {n}") for n in range(copies)]
        )
        users = User.objects.bulk_create([User(username=f"load-{n}") for n in range(copies)])
        Member.objects.bulk_create(
            Member(workshop=shop, user=user, role=Role.OWNER)
            for shop, user in zip(new, users, strict=True)
        )
        _set_role(first)
        if new:
            # Copies are numbered from 1: their rows' ids follow one another, copy by copy.
            base = new[0].pk - 1
            shifts = {model: _largest(model) for model in COPIED}
            for model in COPIED:
                _copy_table(model, first.pk, base, shifts)
        _triggers(True)
    if connection.vendor == "postgresql":
        _move_sequences()


def _set_role(shop: Workshop) -> None:
    Member.of(shop).update(role=Role.OWNER)


def _largest(model: Any) -> int:
    last = model.objects.unscoped().order_by("-id").values_list("id", flat=True).first()
    return int(last or 0)


def _copy_table(model: Any, first: int, base: int, shifts: dict[Any, int]) -> None:
    columns, values = [], []
    for one in model._meta.concrete_fields:
        if one.generated:
            continue
        value = f't."{one.column}"'
        if one.primary_key:
            value = f"t.id + (w.id - {base}) * {shifts[model]}"
        elif one.name == "workshop":
            value = "w.id"
        elif one.related_model in shifts:
            value = f"{value} + (w.id - {base}) * {shifts[one.related_model]}"
        columns.append(f'"{one.column}"')
        values.append(value)
    table = model._meta.db_table
    with connection.cursor() as cursor:
        cursor.execute(
            f"INSERT INTO {table} ({', '.join(columns)}) SELECT {', '.join(values)} "
            f"FROM {Workshop._meta.db_table} w CROSS JOIN {table} t "
            f"WHERE w.id > {base} AND t.workshop_id = {first} ORDER BY w.id, t.id"
        )


def _triggers(on: bool) -> None:
    """Turn the checks of each row's workshop off or on: one a row would take most of the time."""
    if connection.vendor == "sqlite":
        (integrity.install if on else integrity.drop)()
        return
    with connection.cursor() as cursor:
        role = "origin" if on else "replica"
        cursor.execute(f"SET LOCAL session_replication_role = {role}")


def _move_sequences() -> None:
    with connection.cursor() as cursor:
        for model in apps.get_models():
            key = model._meta.pk
            if key is not None and key.get_internal_type() in {"BigAutoField", "AutoField"}:
                table = model._meta.db_table
                cursor.execute(
                    f"SELECT setval(pg_get_serial_sequence('{table}', '{key.column}'), "
                    f"COALESCE((SELECT max({key.column}) FROM {table}), 1))"
                )


def warm_lookup() -> None:
    """Write each workshop's number index, as the first question to it would."""
    for pk in Workshop.objects.values_list("pk", flat=True):
        snapshots.rebuild(pk)
