"""What the keys rely on: levels no key can find must never speak for a pair (asking.py)."""

import json
from pathlib import Path

import pytest

EVIDENCE = Path(__file__).parents[4] / "fixtures" / "reference" / "evidence.json"
SILENT = {
    "number": ("unknown", "different", "other-make-number"),
    "model": (
        "unknown",
        "unlike",
        "other-family",
        "unsure-other-family",
        "other-make",
        "other-appliance",
    ),
    "build": ("unknown",),
    "attributes": ("conflict",),
}


@pytest.mark.parametrize(("evidence", "level"), [(e, one) for e in SILENT for one in SILENT[e]])
def test_what_no_key_finds_speaks_for_nothing(evidence: str, level: str) -> None:
    weights = json.loads(EVIDENCE.read_text(encoding="utf-8"))
    assert max(weights[evidence][level]) <= 0


def test_every_level_is_either_silent_or_has_a_key() -> None:
    """A new level must be put on one side; see DEVELOPERS.md, "a piece of evidence"."""
    found_by_key = {
        "number": {"same", "interchange", "one-confusable-apart", "same-stem"},
        "model": {
            "same",
            "immaterial",
            "same-revision",
            "same-family",
            "other-revision",
            "alike",
            "same-beginning",
        },
        "build": {"near", "apart", "far-apart", "no-break", "across-break"},  # within a family only
        "attributes": {"agrees", "within-tolerance"},
    }
    weights = json.loads(EVIDENCE.read_text(encoding="utf-8"))
    for evidence, levels in found_by_key.items():
        named = {name for name, bits in weights[evidence].items() if isinstance(bits, list)}
        assert named == levels | set(SILENT[evidence])
