"""What the donors app does by itself in the dispatcher."""

from datetime import datetime

from donors import snapshots
from workshop.dispatcher import sweeps


@sweeps
def fold_snapshots(now: datetime) -> int:
    return snapshots.fold(now=now)
