"""A signing key kept on this machine, so that no default key ever ships."""

import os
from pathlib import Path

from django.core.management.utils import get_random_secret_key


def read_or_make(path: Path) -> str:
    """Return the key in `path`, making it (readable by its owner only) on first use.

    Two processes starting together agree: the file is created exclusively, the loser reads.
    """
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        return path.read_text(encoding="utf-8").strip()
    with os.fdopen(handle, "w", encoding="utf-8") as new:
        key = get_random_secret_key()
        new.write(key)
    return key
