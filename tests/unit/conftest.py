"""Unit tests: plain Python, no database (pytest-django refuses it to unmarked tests)."""

from hypothesis import settings

# The same examples each run, so that a failure repeats; no time limit an example, because the
# machine may be busy and speed is measured elsewhere.
settings.register_profile(
    "unit", derandomize=True, deadline=None, max_examples=150, database=None, print_blob=False
)
settings.load_profile("unit")
