"""How sure a share of counts is."""

import math

Z95 = 1.959963984540054  # standard normal quantile at 0.975


def wilson95(hits: int, tries: int) -> tuple[float, float]:
    """Return the 95 % score interval of hits / tries; (0, 1) when nothing was tried.

    Source: Wilson 1927; NIST/SEMATECH handbook 7.2.4.1.
    """
    if tries <= 0:
        return 0.0, 1.0
    p, z2 = hits / tries, Z95 * Z95
    middle = (p + z2 / (2 * tries)) / (1 + z2 / tries)
    half = Z95 / (1 + z2 / tries) * math.sqrt(p * (1 - p) / tries + z2 / (4 * tries * tries))
    return max(0.0, middle - half), min(1.0, middle + half)
