"""What two numbers of a make differ in, by the fields its pattern names."""

from donors.domain import patterns

LOOKS = frozenset({"colour", "market"})


def differs_only_in(pattern: str, one: str, other: str) -> tuple[str, ...]:
    """Return the fields two numbers differ in, when those are colour and market alone.

    () when they are equal, when they differ in more, or when the pattern explains only one.
    """
    if not pattern or one == other:
        return ()
    a, b = patterns.fields_of(pattern, one), patterns.fields_of(pattern, other)
    if not a or not b:
        return ()
    differing = {name for name in {*a, *b} if a.get(name) != b.get(name)}
    return tuple(sorted(differing)) if differing <= LOOKS else ()
