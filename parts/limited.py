"""Run a program on somebody's bytes with little memory and little time. A process of its own.

    python -I limited.py PROGRAM

`parts/programs.py` starts it. PROGRAM is a file that names MOST_MEMORY (bytes it may take beyond
what its libraries map), MOST_SECONDS (of processor time) and `main()`. Its libraries are loaded
first, then the limits are set, and only then it reads a byte. Imports nothing of ours.
"""

import runpy
import sys


def limit(most_memory: int, most_seconds: int) -> None:
    """Take away what the work does not need. Windows has no such limits."""
    try:
        import resource
    except ImportError:
        return
    for what, most in (
        (resource.RLIMIT_AS, most_memory + _unused()),
        (resource.RLIMIT_CPU, most_seconds),
        (resource.RLIMIT_FSIZE, 0),
        (resource.RLIMIT_CORE, 0),
    ):
        try:
            resource.setrlimit(what, (most, most))
        except (ValueError, OSError):
            continue  # not every system knows every limit


def _unused() -> int:
    """Return the bytes of address space that hold nothing yet: libraries mapped, not read."""
    try:
        with open("/proc/self/statm", encoding="ascii") as statm:
            size, resident = map(int, statm.read().split()[:2])
    except OSError:
        return 0
    import resource

    return (size - resident) * resource.getpagesize()


def main() -> None:
    program = runpy.run_path(sys.argv[1])
    limit(program["MOST_MEMORY"], program["MOST_SECONDS"])
    program["main"]()


if __name__ == "__main__":
    main()
