"""Steps and limits as data, and the limit that holds for one machine."""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from math import floor
from typing import Any, Self

from parts.domain.bench.limits import Limit, Standing
from parts.domain.electrical_safety import in_service
from workshop.domain.refusals import Checks

LONGEST_M, THICKEST_MM2, MOST_KW = 100.0, 25.0, 30.0


class ProtectionClass(StrEnum):
    """How a machine protects from electric shock: earthed, double insulated, extra-low voltage."""

    EARTHED = "I"
    DOUBLE = "II"
    LOW_VOLTAGE = "III"


class LimitSet(StrEnum):
    """Which figures readings are held against."""

    AFTER_REPAIR = "after-repair"
    UK_IN_SERVICE = "uk-in-service"

    @property
    def words(self) -> str:
        after = "after a repair: EN 50678 / DIN VDE 0701-0702, from testers' manuals"
        uk = "in service, UK: code of practice, guide values"
        return after if self is LimitSet.AFTER_REPAIR else uk


@dataclass(frozen=True, slots=True)
class Machine:
    """What the limits depend on. None: not known, and then the stricter rule holds.

    cable_m: length of the supply cord. cable_mm2: cross-section of its conductors.
    heating_kw: rated heating power, 0 for none. heating_connected: whether the elements are in
    circuit during the insulation test. unearthed_metal: touchable metal that is not earthed.
    selv_output: a touchable safety-extra-low-voltage output.
    limit_set: whose figures count. portable: handheld or carried (UK figures only).
    Raises ValueRefused for values no household machine has.
    """

    protection_class: ProtectionClass
    cable_m: float | None = None
    cable_mm2: float = 1.5
    heating_kw: float | None = None
    heating_connected: bool | None = None
    unearthed_metal: bool | None = None
    selv_output: bool | None = None
    limit_set: LimitSet = LimitSet.AFTER_REPAIR
    portable: bool | None = None

    def __post_init__(self) -> None:
        with Checks() as bad:
            bad.number("cable_m", self.cable_m, "m", least=0, most=LONGEST_M, needed=False)
            bad.number("cable_mm2", self.cable_mm2, "mm²", above=0, most=THICKEST_MM2)
            bad.number("heating_kw", self.heating_kw, "kW", least=0, most=MOST_KW, needed=False)

    def has(self, what: str) -> bool:
        """Return False only for what is known to be absent."""
        absent = {"unearthed-metal": self.unearthed_metal, "selv-output": self.selv_output}
        return absent.get(what) is not False


@dataclass(frozen=True, slots=True)
class Step:
    """One step. kind: "yes-no", "name", or the unit of its reading. when: what calls for it."""

    slug: str
    name: str
    classes: frozenset[str]
    when: str
    kind: str
    do: str
    source: str

    def concerns(self, machine: Machine) -> bool:
        return machine.protection_class in self.classes and machine.has(self.when)


@dataclass(frozen=True, slots=True)
class Rules:
    """Everything in electrical_safety.json."""

    steps: tuple[Step, ...]
    limits: Mapping[str, Limit]
    conductor: Mapping[str, Any]
    conductor_current: Mapping[str, Any]
    cautions: tuple[str, ...]
    in_service_uk: Mapping[str, Any]
    relevant_kinds: Mapping[str, str]

    @classmethod
    def of(cls, data: Mapping[str, Any]) -> Self:
        """Build from the parsed file; the domain itself reads no files."""
        return cls(
            steps=tuple(
                Step(**row | {"classes": frozenset(row["classes"])}) for row in data["steps"]
            ),
            limits={row["slug"]: Limit.of(row) for row in data["limits"]},
            conductor=data["protective_conductor"],
            conductor_current=data["protective_conductor_current"],
            cautions=tuple(data["cautions"]),
            in_service_uk=data["in_service_uk"],
            relevant_kinds={row["kind"]: row["why"] for row in data["safety_relevant_kinds"]},
        )

    def steps_of(self, machine: Machine) -> tuple[Step, ...]:
        """Return the steps this machine needs, in their order."""
        return tuple(step for step in self.steps if step.concerns(machine))

    def limit_of(self, step: Step, machine: Machine) -> Limit | None:
        """Return the limit of a step's reading; None for steps that are looked at, not read."""
        if machine.limit_set is LimitSet.UK_IN_SERVICE:
            found = self._in_service_limit(step, machine)
            if found is not None:
                return found
        if step.slug == "protective-conductor":
            return self._conductor_limit(machine)
        if step.slug == "protective-conductor-current":
            return self._current_limit(machine)
        if step.slug == "insulation":
            return self.limits[f"insulation-{_insulation_case(machine)}"]
        return self.limits.get(step.slug)

    def _in_service_limit(self, step: Step, machine: Machine) -> Limit | None:
        """Return the UK figure for a step; None where the code names none."""
        data, of = self.in_service_uk, machine.protection_class.value
        if step.slug == "protective-conductor":
            most = in_service.conductor_ohm(machine.cable_m or 0.0, machine.cable_mm2, data)
            return in_service.limit(step.slug, "ohm", None, most, data["conductor"]["source"])
        if step.slug == "insulation":
            kw = machine.heating_kw if machine.heating_connected is True else None
            least = in_service.insulation_mohm(of, kw, data)
            return in_service.limit(step.slug, "Mohm", least, None, data["insulation"]["source"])
        if step.slug in ("protective-conductor-current", "touch-current"):
            shock = "II" if step.slug == "touch-current" and of == "I" else of
            most = in_service.current_ma(
                shock, data, heating_kw=machine.heating_kw, portable=machine.portable
            )
            return in_service.limit(step.slug, "mA", None, most, data["current"]["source"])
        return None

    def _conductor_limit(self, machine: Machine) -> Limit:
        row = self.conductor
        if machine.cable_mm2 > row["usual_mm2"]:
            most = thick_conductor_ohm(machine.cable_m or 0.0, machine.cable_mm2, row)
            return _at_most("protective-conductor", "ohm", most, "derived", row["thick_source"])
        most = conductor_ohm(machine.cable_m or 0.0, row)
        return _at_most("protective-conductor", "ohm", most, row["standing"], row["source"])

    def _current_limit(self, machine: Machine) -> Limit:
        row = self.conductor_current
        most = row["ma"]
        if (machine.heating_kw or 0.0) > row["heating_over_kw"]:
            most = min(row["most_ma"], row["ma_per_kw"] * (machine.heating_kw or 0.0))
        slug = "protective-conductor-current"
        return _at_most(slug, "mA", most, row["standing"], row["source"])

    def low_insulation_may_pass(self, machine: Machine) -> bool:
        """Return True where a low insulation reading is settled by the conductor current.

        Class I with more than 3.5 kW of heating connected. Source: EN 50678 / DIN VDE 0701-0702.
        """
        if machine.limit_set is not LimitSet.AFTER_REPAIR:
            return False
        strong = (machine.heating_kw or 0.0) > self.conductor_current["heating_over_kw"]
        return strong and _insulation_case(machine) == "I-heating"


def conductor_ohm(cable_m: float, row: Mapping[str, Any]) -> float:
    """Return the most a protective conductor up to 1.5 mm² may read, in ohm.

    0.3 to 5 m, 0.1 more for each further 7.5 m (whole steps), never over 1.0.
    """
    steps = floor(max(0.0, cable_m - row["first_m"]) / row["step_m"])
    return float(min(row["most_ohm"], round(row["first_ohm"] + row["step_ohm"] * steps, 9)))


def thick_conductor_ohm(cable_m: float, mm2: float, row: Mapping[str, Any]) -> float:
    """Return contacts plus the conductor's own resistance, in ohm, never over 1.0."""
    own = row["ohm_mm2_per_m"] * cable_m / mm2
    return float(min(row["most_ohm"], row["contact_ohm"] + own))


def _insulation_case(machine: Machine) -> str:
    heats = bool(machine.heating_kw) and machine.heating_connected is True
    if machine.protection_class is ProtectionClass.EARTHED and heats:
        return "I-heating"
    return machine.protection_class.value


def _at_most(slug: str, unit: str, most: float, standing: str, source: str) -> Limit:
    return Limit(slug, unit, None, most, None, most, Standing(standing), source)
