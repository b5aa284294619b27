"""Two phones at one donor at once: one record a step, each part out once, one timer a person."""

import pytest

from parts.models import Part, StepRecord, StepSpan
from tests.factories import make_bench
from tests.integration.races.conftest import Race
from tests.integration.races.sizes import size

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.xdist_group("races")]
ROUNDS = size(8, 50)


def donors() -> list[str]:
    bench = make_bench("millrace")
    return [bench.donor().ref for _ in range(ROUNDS)]


def finish(race: Race, refs: list[str], *, collide: bool) -> list[list[int]]:
    orders = [
        {
            "task": "strip",
            "act": "finish",
            "step": "drawer-out",
            "role": role,
            "donors": refs,
            "collide": collide,
        }
        for role in ("technician", "owner")
    ]
    return [list(pair) for pair in zip(*(one["statuses"] for one in race(orders)), strict=True)]


def one_record_and_one_part_out() -> None:
    assert StepRecord.objects.unscoped().filter(step="drawer-out").count() == ROUNDS
    drawers = Part.objects.unscoped().filter(kind="detergent-drawer")
    assert [part.state for part in drawers] == ["removed"] * ROUNDS


def test_two_people_tick_one_step(race: Race) -> None:
    statuses = finish(race, donors(), collide=False)
    assert all(sorted(pair) == [201, 409] for pair in statuses), statuses
    one_record_and_one_part_out()


def test_where_both_look_before_either_writes_the_database_decides(
    two_writers: None, race: Race
) -> None:
    statuses = finish(race, donors(), collide=True)
    assert all(sorted(pair) == [201, 409] for pair in statuses), statuses
    one_record_and_one_part_out()


def test_one_person_with_two_phones_has_one_timer(race: Race) -> None:
    refs = donors()
    orders = [
        {"task": "strip", "act": "start", "step": step, "role": "technician", "donors": refs}
        for step in ("lid-off", "rear-cover-off")
    ]
    statuses = zip(*(one["statuses"] for one in race(orders)), strict=True)
    assert all(sorted(pair) == [200, 409] for pair in statuses)
    assert StepSpan.objects.unscoped().count() == ROUNDS
