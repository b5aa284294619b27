"""Reference data on machines: appliances, failure causes, age shifts, eras."""

from functools import lru_cache
from typing import Any

from donors.domain.build_dates import Bound, era
from donors.domain.survival import AgeBand
from donors.models import Appliance, FailureCause
from workshop import reference


@reference.loads("appliances")
def load_appliances(rows: list[dict[str, Any]]) -> None:
    columns = [
        "name",
        "mean_life_years",
        "mass_kg_low",
        "mass_kg_high",
        "two_persons",
        "plate_places",
        "source",
    ]
    reference.upsert([Appliance(**row) for row in rows], unique=["slug"], update=columns)


@reference.loads("failure_causes")
def load_failure_causes(rows: list[dict[str, Any]]) -> None:
    reference.upsert(
        [_cause(row) for row in rows],
        unique=["appliance", "slug"],
        update=["name", "words", "spoils_parts", "source"],
    )


def _cause(row: dict[str, Any]) -> FailureCause:
    values = {key: value for key, value in row.items() if key != "appliance"}
    return FailureCause(appliance_id=row["appliance"], **values)


@lru_cache(maxsize=1)
def age_bands() -> tuple[AgeBand, ...]:
    """Return the age bands of fixtures/reference/age_shifts.json."""
    classes = ("electronics", "wear", "other")
    return tuple(
        AgeBand(band["age_from"], band["age_to"], {name: band[name] for name in classes})
        for band in reference.read("age_shifts")["bands"]
    )


def most_percent() -> float:
    """Return the highest chance an untested part is ever given, in percent."""
    return float(reference.read("age_shifts")["max_percent"])


@lru_cache(maxsize=1)
def build_eras() -> dict[str, Bound]:
    """Return the labels and refrigerants that bracket a build date (build_eras.json), by slug."""
    return {row["slug"]: era(row) for row in reference.read("build_eras")}
