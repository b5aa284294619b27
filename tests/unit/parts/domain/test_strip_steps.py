"""Steps as a workshop does them: the reference, its own minutes, its own steps, its own times."""

from types import SimpleNamespace

from parts.domain.strip_steps import merged, resting_on


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
    found = merged(
        [row("lid-off"), row("rear-off")], [row("lid-off", 8, name=""), row("mine", takes=[])], {}
    )
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
    found = merged(
        [row("lid-off")], [row("our-lid", name="lid off", takes=[]), row("gone", name="")], {}
    )
    assert [step.name for step in found] == ["lid off", "lid off (own)"]


OVEN = [
    row("cover-off", needs=[], takes=[]),
    row("discharge", needs=[["cover-off"]], takes=[], safety=True),
    row("capacitor-out", needs=[["discharge"]], takes=["hv-capacitor"]),
    row("rack-out", needs=[["cover-off"]], takes=["rack/upper"]),
]


def own_step(*takes, reference=OVEN, **more):
    mine = row("mine", **{"needs": [], "takes": list(takes), **more})
    return merged(reference, [mine], {})[-1]


def test_an_own_step_needs_the_safe_state_its_parts_need():
    assert own_step("hv-capacitor").needs == (frozenset({"discharge"}),)
    said = own_step("hv-capacitor", needs=[["discharge"]])
    assert said.needs == (frozenset({"discharge"}),)  # not twice
    assert own_step("rack/upper").needs == own_step().needs == ()


def test_an_own_step_needs_the_licence_its_parts_need():
    sealed = row("module-out", needs=[], takes=["module/left"], licence="refrigerant")
    for place in ("module", "module/left"):
        assert own_step(place, reference=[sealed]).licence == "refrigerant"
        assert own_step(place, reference=[sealed], licence="gas").licence == "refrigerant"
    assert own_step("module/right", reference=[sealed]).licence == ""
    free = row("module-up", needs=[], takes=["module"])
    assert own_step("module", reference=[sealed, free]).licence == ""  # one way needs none


def test_an_own_step_keeps_to_what_every_way_needs():
    """Where one way of two goes without the safe state, so may an own step."""
    other = row("capacitor-from-below", needs=[], takes=["hv-capacitor"])
    assert own_step("hv-capacitor", reference=[*OVEN, other]).needs == ()


def test_what_rests_on_a_step():
    steps = merged(
        [
            row("rear", needs=[], takes=[]),
            row("front", needs=[], takes=[]),
            row("heater", needs=[["rear", "front"]], takes=[]),
            row("sensor", needs=[["heater"]], takes=[]),
        ],
        [],
        {},
    )

    def resting(slug, *left):
        return [step.slug for step in resting_on(slug, steps, left)]

    assert resting("rear") == ["heater"]
    assert resting("rear", "front") == []
    assert resting("heater", "rear") == ["sensor"]
