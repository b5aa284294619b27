"""The limits as they lie in the repository, for the tests of bench tests."""

from parts.domain.bench.limits import BenchLimits
from tests.unit.reference import read

LIMITS = BenchLimits.of(read("bench_tests"))
