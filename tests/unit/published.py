"""Published figures, with where they stand; see tests/data/check_values.json."""

import json
from pathlib import Path
from typing import Any

_FILE = Path(__file__).resolve().parents[1] / "data" / "check_values.json"
VALUES: dict[str, Any] = json.loads(_FILE.read_text(encoding="utf-8"))


def rows(name: str) -> list[Any]:
    """Return the rows of one block."""
    return list(VALUES[name]["rows"])
