"""The reference data as it lies in the repository, without Django."""

import json
from functools import lru_cache
from pathlib import Path
from typing import Any

FOLDER = Path(__file__).resolve().parents[2] / "fixtures" / "reference"


@lru_cache(maxsize=16)
def read(name: str) -> Any:
    return json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
