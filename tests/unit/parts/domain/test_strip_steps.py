"""Steps as a workshop does them: the reference, its own minutes, its own steps, its own times."""

from types import SimpleNamespace

from parts.domain.strip_steps import merged


def row(slug, minutes=5.0, **more):
    stated = {
        "name": slug.replace("-", " "),
        "needs": [["a", "b"], ["c"]],
        "takes": ["heater", "rack/upper"],
        "tools": ["pick"],
        "tool_class": "basic",
        "cautions": ["Hold it."],
        "two_persons": False,
        "licence": "",
    }
    return SimpleNamespace(slug=slug, minutes=minutes, **{**stated, **more})


def test_a_step_keeps_what_its_row_says():
    (step,) = merged([row("heater-out", usual=False, safety=True)], [], {})
    assert step.needs == (frozenset({"a", "b"}), frozenset({"c"}))
    assert (step.usual, step.safety, step.own) == (False, True, False)
    assert (step.time.guess_min, step.time.minutes, step.time.count) == (5, 5, 0)


def test_what_a_step_takes_out():
    (step,) = merged([row("out")], [], {})
    assert step.takes_out("heater", "")
    assert step.takes_out("heater", "rear")  # a kind without a position: all of them
    assert step.takes_out("rack", "upper")
    assert not step.takes_out("rack", "lower")
    assert not step.takes_out("pump", "")


def test_own_minutes_go_before_the_tables_and_own_steps_come_last():
    found = merged([row("lid-off"), row("rear-off")], [row("lid-off", 8, name=""), row("mine")], {})
    assert [(s.slug, s.name, s.time.guess_min, s.own) for s in found] == [
        ("lid-off", "lid off", 8, False),
        ("rear-off", "rear off", 5, False),
        ("mine", "mine", 5, True),
    ]


def test_own_times_move_the_minutes_of_their_step_alone():
    found = merged([row("lid-off"), row("rear-off")], [], {"lid-off": [8.0] * 4})
    assert found[0].time.guess_min == 5
    assert 5 < found[0].time.minutes < 8
    assert found[0].time.count == 4
    assert found[1].time.minutes == 5


def test_names_stay_unique_when_the_reference_comes_to_one_of_the_workshops_own():
    found = merged([row("lid-off")], [row("our-lid", name="lid off"), row("gone", name="")], {})
    assert [step.name for step in found] == ["lid off", "lid off (own)"]
