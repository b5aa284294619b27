"""How long to wait before something is sent again: days in all, longer each time.

The waits are the example of the Standard Webhooks specification 1.0.0: ten tries in 75 hours 35
minutes. Mails keep to it too.
"""

from datetime import timedelta

WAITS = (
    timedelta(seconds=5),
    timedelta(minutes=5),
    timedelta(minutes=30),
    timedelta(hours=2),
    timedelta(hours=5),
    timedelta(hours=10),
    timedelta(hours=14),
    timedelta(hours=20),
    timedelta(hours=24),
)
MOST_TRIES = len(WAITS) + 1
JITTER = 0.1  # of the wait, so that what failed together does not come back together
LONGEST_ASKED = timedelta(hours=24)  # a receiver may ask for that long a pause (our own choice)


def wait_after(tries: int, *, chance: float, asked: timedelta = timedelta()) -> timedelta | None:
    """Return the wait after so many tries that failed (at least 1); None to give up.

    chance: 0..1, where in the jitter the wait falls. asked: what the receiver asked for.
    """
    if tries < 1:
        raise ValueError("nothing was tried yet")
    if tries >= MOST_TRIES:
        return None
    wait = WAITS[tries - 1] * (1 + JITTER * chance)
    return max(wait, min(asked, LONGEST_ASKED))
