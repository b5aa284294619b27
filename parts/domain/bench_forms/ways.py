"""How each test asks and judges: the one room where a new test's inputs go.

A way is two functions: the inputs it asks for, and the verdict on what was given. A way's judge
calls the pure function in parts/domain/bench/ that does the arithmetic, and names the inputs of
the form where that refuses something. Nothing given is *not measured*.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

from parts.domain.bench import (
    alike,
    brush,
    capacitor,
    coil,
    copper,
    heater,
    ntc,
    pressure_sensor,
    printed,
    winding,
)
from parts.domain.bench.limits import BenchLimits, Limit
from parts.domain.bench.verdicts import (
    OPEN,
    Outcome,
    Reading,
    Verdict,
    checked,
    judge,
    worst,
)
from parts.domain.bench_forms.inputs import Answer, Ask, Given, Input
from parts.domain.bench_forms.rows import Test
from workshop.domain.refusals import Checks, ValueRefused

# Shared by several tests of one form: asked once.
VOLTS = Input("volts", "Rated voltage", "V", Ask.NUMBER, True, known_as="voltage_v")
WATTS = Input("watts", "Rated power", "W", Ask.NUMBER, True, known_as="power_w")
TEMPERATURE = Input(
    "temperature_c",
    "Temperature of the part",
    "°C",
    Ask.NUMBER,
    True,
    "The room's, once it has lain there for some hours. Copper reads 0.4 % more for each °C.",
)
SHARED = (VOLTS, WATTS, TEMPERATURE)


@dataclass(frozen=True, slots=True)
class Way:
    """inputs: what a test of this way asks for. judge: the verdict; raises ValueRefused."""

    inputs: Callable[[Test], tuple[Input, ...]]
    judge: Callable[[Test, Given, BenchLimits], Verdict]


@contextmanager
def naming(names: Mapping[str, str]) -> Iterator[None]:
    """Let a refusal name the inputs of the form instead of a function's arguments."""
    try:
        yield
    except ValueRefused as bad:
        fields = {names.get(field, field): why for field, why in bad.fields.items()}
        raise ValueRefused(fields) from bad


def _reading(test: Test, unit: str, label: str = "", name: str = "") -> Input:
    """Return the input of a meter's reading; only a resistance can show no connection."""
    connects = unit in ("ohm", "Mohm")
    field = test.field(name or unit)
    return Input(field, label or "Reading", unit, Ask.READING if connects else Ask.NUMBER)


# -- what a person sees -------------------------------------------------------------------------


def _check_inputs(test: Test) -> tuple[Input, ...]:
    return (Input(test.field(""), "What you see", type=Ask.ANSWER, required=True),)


_OUTCOMES = {
    Answer.GOOD: Outcome.PASS,
    Answer.DOUBTFUL: Outcome.DOUBTFUL,
    Answer.BAD: Outcome.FAIL,
    Answer.NOT_LOOKED: Outcome.NOT_MEASURED,
}


def _check(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    answer = Answer(given.chosen(test.field("")) or Answer.NOT_LOOKED)
    if answer is Answer.NOT_LOOKED:
        return test.unmeasured("nobody looked")
    said = f"{answer.words} ({_judged_by(test)})."
    return test.verdict(_OUTCOMES[answer], said)


def _judged_by(test: Test) -> str:
    return f"a person's judgement, no measured limit; {test.source}"


# -- one reading against one row of the limits --------------------------------------------------


def _unit(test: Test) -> str:
    return str(test.options["unit"])


def _limit_inputs(test: Test) -> tuple[Input, ...]:
    found = (_reading(test, _unit(test)),)
    return (*found, TEMPERATURE) if test.options.get("copper") else found


def _against_limit(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    field = test.field(_unit(test))
    return _judge_row(test, given, limits, test.options["limit"], field)


def _judge_row(test: Test, given: Given, limits: BenchLimits, slug: str, field: str) -> Verdict:
    measured, unit = given.reading(field), limits[slug].unit
    at_20, note = _at_20(test, given, measured, field)
    with naming({"measured_ohm": field, "measured_mohm": field, "measured": field}):
        if unit == "Mohm" and limits[slug].high is None:
            verdict = coil.judge_insulation(slug, measured, limits=limits)
        elif unit == "ohm":
            verdict = coil.judge_resistance(slug, at_20, limits=limits)
        else:  # a resistor of megohms is no insulation: without connection it fails
            verdict = judge(limits[slug].quantity, checked(field, measured, unit), limits[slug])
    return verdict.noting(note) if note else verdict


def _at_20(test: Test, given: Given, measured: Reading, field: str) -> tuple[Reading, str]:
    """Return a copper winding's reading at 20 °C and the sentence that says so."""
    if not test.options.get("copper") or measured is None or measured is OPEN:
        return measured, ""
    assert isinstance(measured, float)
    celsius = given.number(TEMPERATURE.name)
    with naming({"ohm": field}):
        found = copper.at_20(ohm=measured, temperature_c=celsius)
    return found, f"{measured:g} ohm at {celsius:g} °C is {found:.5g} ohm at 20 °C."


# -- a coil: the row its voltage picks, or what a service sheet says ----------------------------


def _coil_inputs(test: Test) -> tuple[Input, ...]:
    expected = Input(
        test.field("expected_ohm"),
        "Stated resistance",
        "ohm",
        Ask.NUMBER,
        help="From a service sheet or a sound twin of the same number, when you have it.",
        known_as=str(test.options.get("known_as", "")),
    )
    return (_reading(test, "ohm"), TEMPERATURE, VOLTS, expected)


def _coil(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    field, stated = test.field("ohm"), test.field("expected_ohm")
    if given.number(stated) is not None:
        measured, note = _at_20(test, given, given.reading(field), field)
        row = limits["printed-value"]
        with naming({"measured": field, "printed": stated}):
            verdict = printed.judge_share(
                test.name, measured, printed=given.number(stated), unit="ohm", limit=row
            )
        return verdict.noting(note) if note else verdict
    with Checks() as bad:
        bad.number(VOLTS.name, given.number(VOLTS.name), "V", above=0, needed=False)
    slug = _row_for_volts(test, given.number(VOLTS.name))
    if slug is not None:
        return _judge_row(test, given, limits, slug, field)
    if given.reading(field) is None:
        return test.unmeasured(unit="ohm")
    _at_20(test, given, given.reading(field), field)
    if given.reading(field) is OPEN:
        return test.verdict(Outcome.FAIL, f"open circuit ({_judged_by(test)}).", unit="ohm")
    why = "no range is on record for its voltage; give the stated resistance or another voltage"
    return test.unmeasured(why, unit="ohm")


def _row_for_volts(test: Test, volts: float | None) -> str | None:
    for row in test.options["limits"]:
        if volts is not None and row["from_v"] <= volts <= row["to_v"]:
            return str(row["limit"])
    return None


# -- heaters ------------------------------------------------------------------------------------


def _heater_inputs(test: Test) -> tuple[Input, ...]:
    return (_reading(test, "ohm"), VOLTS, WATTS)


def _heater(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    field = test.field("ohm")
    volts, watts = given.number(VOLTS.name), given.number(WATTS.name)
    with Checks() as bad:
        needed = given.reading(field) is not None
        bad.number(VOLTS.name, volts, "V", above=0, needed=needed)
        bad.number(WATTS.name, watts, "W", above=0, needed=needed)
    if volts is None or watts is None:
        return test.unmeasured("its window comes from volts and watts", unit="ohm")
    with naming({"measured_ohm": field}):
        return heater.judge_resistance(
            measured_ohm=given.reading(field),
            watts=watts,
            volts=volts,
            limits=limits,
            kind=str(test.options.get("kind", "heating")),
            mains=bool(test.options.get("mains", True)),
        )


# -- several readings that should be alike ------------------------------------------------------


def _alike_fields(test: Test) -> list[Input]:
    unit = _unit(test)
    labels = test.options["labels"]
    return [_reading(test, unit, label, f"{n}_{unit}") for n, label in enumerate(labels, 1)]


def _alike_inputs(test: Test) -> tuple[Input, ...]:
    found = tuple(_alike_fields(test))
    return (*found, TEMPERATURE) if test.options.get("copper") else found


def _alike(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    fields = [one.name for one in _alike_fields(test)]
    readings = [given.reading(field) for field in fields]
    if all(reading is None for reading in readings):
        return test.unmeasured(unit="%")
    names = {
        f"{what} {n}": field for n, field in enumerate(fields, 1) for what in ("winding", "reading")
    }
    with naming({**names, "ohms": fields[0], "readings": fields[0]}):
        if not test.options.get("copper"):
            shorted = _lowest(test, readings, limits)
            if shorted is not None and shorted.outcome is Outcome.FAIL:
                return shorted  # alike they may be
            limit = limits[test.options["limit"]]
            return alike.judge_alike(test.name, readings, _unit(test), limit=limit)
        for field, reading in zip(fields, readings, strict=True):
            _at_20(test, given, reading, field)
        return winding.judge_balance(readings, limits=limits)


def _lowest(test: Test, readings: Sequence[Reading], limits: BenchLimits) -> Verdict | None:
    """Return the verdict on the lowest reading by itself; None where only the spread counts."""
    if "each" not in test.options:
        return None
    for n, reading in enumerate(readings, 1):
        checked(f"reading {n}", reading, _unit(test))
    limit = limits[test.options["each"]]
    figures = [one for one in readings if isinstance(one, int | float)]
    return judge(limit.quantity, min(figures, default=None), limit)


# -- NTC ----------------------------------------------------------------------------------------

BY_B = "by-b"
_CURVES = ((BY_B, "by its B value"), ("8016", "curve 8016"), ("8018", "curve 8018"))
_R25 = Input("r25_ohm", "Resistance at 25 °C", "ohm", Ask.NUMBER, True, known_as="resistance_ohm")
_BETA = Input("beta_k", "B value", "K", Ask.NUMBER, known_as="beta_k")
_CURVE = Input("ntc_curve", "Held against", type=Ask.CHOICE, options=_CURVES)
_POINTS = ("in the room", "warmed to 50 to 60 °C")


def _ntc_inputs(test: Test) -> tuple[Input, ...]:
    points = [
        one
        for n, where in enumerate(_POINTS, 1)
        for one in (
            _reading(test, "ohm", f"Reading {where}", f"{n}_ohm"),
            Input(test.field(f"{n}_c"), f"Temperature {where}", "°C", Ask.NUMBER, True),
        )
    ]
    return (*points, _R25, _BETA, _CURVE)


def _ntc(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    if not given.says(*(test.field(f"{n}_ohm") for n in (1, 2))):
        return test.unmeasured(unit="%")
    return worst(_ntc_point(test, given, limits, n) for n in (1, 2))


def _ntc_point(test: Test, given: Given, limits: BenchLimits, n: int) -> Verdict:
    field, at = test.field(f"{n}_ohm"), test.field(f"{n}_c")
    measured, celsius = given.reading(field), given.number(at)
    if measured is None:
        none = judge("NTC resistance off its curve", None, limits["ntc-deviation"])
        return none.noting(f"Two temperatures are needed: no reading {_POINTS[n - 1]}.")
    if celsius is None and measured is not OPEN:
        why = "is missing; an NTC says nothing without its temperature, in °C"
        raise ValueRefused({at: why})
    with naming({"measured_ohm": field, "at_c": at, "expected_ohm": _R25.name}):
        expected = 1.0 if celsius is None else _ntc_expected(given, limits, celsius)
        return ntc.judge_resistance(
            measured_ohm=measured, expected_ohm=expected, at_c=celsius, limits=limits
        )


def _ntc_expected(given: Given, limits: BenchLimits, celsius: float) -> float:
    r25, beta = given.number(_R25.name), given.number(_BETA.name)
    curve = given.chosen(_CURVE.name) or BY_B
    with Checks() as bad:
        bad.number(_R25.name, r25, "ohm", above=0)
        bad.number(_BETA.name, beta, "K", above=0, most=ntc.MOST_BETA_K, needed=curve == BY_B)
    assert r25 is not None
    if curve != BY_B:
        return r25 * ntc.Curve.of(limits.curves[curve]).ratio(celsius)
    assert beta is not None
    return ntc.resistance_ohm(r25_ohm=r25, beta_k=beta, at_c=celsius)


# -- capacitors and other printed values --------------------------------------------------------

_MARKED_UF = Input(
    "marked_uf", "Printed capacitance", "uF", Ask.NUMBER, True, known_as="capacitance_uf"
)
_TOLERANCE = Input(
    "tolerance_percent", "Printed tolerance", "%", Ask.NUMBER, True, "Mostly 5 or 10."
)


def _capacitor_inputs(test: Test) -> tuple[Input, ...]:
    reading = Input(test.field("uf"), "Reading, discharged", "uF", Ask.NUMBER)
    return (reading, _MARKED_UF, _TOLERANCE)


def _capacitor(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    field = test.field("uf")
    marked, tolerance = given.number(_MARKED_UF.name), given.number(_TOLERANCE.name)
    with Checks() as bad:
        needed = given.reading(field) is not None
        bad.number(_MARKED_UF.name, marked, "uF", above=0, needed=needed)
        bad.number(_TOLERANCE.name, tolerance, "%", above=0, most=100, needed=needed)
    if marked is None or tolerance is None:
        return test.unmeasured("its window comes from the print", unit="uF")
    with naming({"measured_uf": field}):
        return capacitor.judge_capacitance(
            measured_uf=given.reading(field),
            marked_uf=marked,
            tolerance_percent=tolerance,
            limits=limits,
        )


def _print_inputs(test: Test) -> tuple[Input, ...]:
    unit, options = _unit(test), test.options
    stated = Input(
        test.field(f"printed_{unit}"),
        str(options.get("label", "Printed value")),
        unit,
        Ask.NUMBER,
        True,
        known_as=str(options.get("known_as", "")),
    )
    return (_reading(test, unit), stated)


def _against_print(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    found, stated = (one.name for one in _print_inputs(test))
    if given.reading(found) is None and given.number(stated) is None:
        return test.unmeasured(unit=_unit(test))
    limit: Limit = limits[test.options["limit"]]
    with naming({"measured": found, "printed": stated}):
        if limit.unit == "%":
            return printed.judge_share(
                test.name,
                given.reading(found),
                printed=given.number(stated),
                unit=_unit(test),
                limit=limit,
            )
        return printed.judge_difference(
            test.name,
            given.number(found),
            printed=given.number(stated),
            unit=_unit(test),
            limit=limit,
        )


# -- pressure sensor, brushes -------------------------------------------------------------------


def _pressure_inputs(test: Test) -> tuple[Input, ...]:
    return (
        Input(test.field("0_khz"), "Frequency without water", "kHz", Ask.NUMBER),
        Input(test.field("mm"), "Height of water", "mm", Ask.NUMBER, True, "100 to 200 mm."),
        Input(test.field("khz"), "Frequency at that height", "kHz", Ask.NUMBER),
    )


def _pressure(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    dry, height, wet = (one.name for one in _pressure_inputs(test))
    if not given.says(dry, wet):
        return test.unmeasured(unit="kHz")
    points = [(0.0, given.number(dry))]
    if given.says(wet):
        with Checks() as bad:
            bad.number(height, given.number(height), "mm", above=0)
        points.append((given.number(height) or 0.0, given.number(wet)))
    names = {"frequency 1": dry, "water 2": height, "frequency 2": wet, "points": height}
    with naming(names):
        return pressure_sensor.judge_frequencies(points, limits=limits)


def _brush_inputs(test: Test) -> tuple[Input, ...]:
    return tuple(
        Input(test.field(f"{n}_mm"), f"{which} brush", "mm", Ask.NUMBER)
        for n, which in enumerate(("One", "Other"), 1)
    )


def _brush(test: Test, given: Given, limits: BenchLimits) -> Verdict:
    fields = [one.name for one in _brush_inputs(test)]
    with naming({f"brush {n}": field for n, field in enumerate(fields, 1)}):
        return brush.judge_lengths([given.number(field) for field in fields], limits=limits)


WAYS: Mapping[str, Way] = {
    "check": Way(_check_inputs, _check),
    "limit": Way(_limit_inputs, _against_limit),
    "coil": Way(_coil_inputs, _coil),
    "heater": Way(_heater_inputs, _heater),
    "alike": Way(_alike_inputs, _alike),
    "ntc": Way(_ntc_inputs, _ntc),
    "capacitor": Way(_capacitor_inputs, _capacitor),
    "print": Way(_print_inputs, _against_print),
    "pressure": Way(_pressure_inputs, _pressure),
    "brush": Way(_brush_inputs, _brush),
}
