"""Bench tests of parts: pure functions from readings to verdicts.

Every verdict names the limit it used, where that stands, and whether it is a standard's limit,
derived from one, a maker's figure or a guide value. What was not measured is never a pass.
The limits are data (fixtures/reference/bench_tests.json), handed in as BenchLimits.
"""
