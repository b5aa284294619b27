"""A rule in plain words."""

from collections.abc import Mapping
from typing import Any

SAID = {
    "fits": "fits",
    "fits-with-conditions": "fits with conditions",
    "does-not-fit": "does not fit",
}


def rule_words(
    kind: str,
    says: str,
    donor_side: Mapping[str, Any],
    job_side: Mapping[str, Any],
    *,
    both_ways: bool = False,
    conditions: str = "",
) -> str:
    """Return what a rule says as a sentence."""
    offered, wanted = side_words(donor_side), side_words(job_side)
    text = f"{kind}: {offered or 'any'} {SAID[says]} {wanted or 'any machine'}"
    if both_ways:
        text += ", and the other way round"
    return f"{text}. {conditions}".strip() if conditions else f"{text}."


def side_words(side: Mapping[str, Any]) -> str:
    """Return the conditions on one side, "" when there are none."""
    machine = [text for text in (side.get("make"), side.get("family")) if text]
    known = [*(side.get("fields") or {}).items(), *(side.get("attributes") or {}).items()]
    said = [
        _numbers(side.get("part_numbers") or []),
        " ".join(machine),
        *(f"{name.replace('_', ' ')} {value}" for name, value in known),
        _built(side.get("built_from"), side.get("built_to")),
    ]
    return ", ".join(one for one in said if one)


def _numbers(numbers: list[str]) -> str:
    return f"part number {' or '.join(numbers)}" if numbers else ""


def _built(first: Any, last: Any) -> str:
    if first and last:
        return f"built {first} to {last}"
    return f"built from {first}" if first else f"built to {last}" if last else ""
