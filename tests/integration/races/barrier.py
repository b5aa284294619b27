"""A barrier made of files, so that processes truly collide."""

import os
import time
from pathlib import Path


def meet(folder: Path, name: str, people: int) -> None:
    """Wait until `people` processes have come to the barrier `name`."""
    (folder / f"{name}.{os.getpid()}").touch()
    deadline = time.monotonic() + 60
    while len(list(folder.glob(f"{name}.*"))) < people:
        if time.monotonic() > deadline:
            raise TimeoutError(name)
        time.sleep(0.0005)
