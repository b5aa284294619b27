"""Limits, steps, duties and eras are read from the files of the repository, once."""

from donors.reference import build_eras
from parts.domain.electrical_safety.rules import Machine, ProtectionClass
from parts.reference import bench_limits, duty_rules, kinds, safety_rules


def test_they_are_read_and_kept():
    assert bench_limits() is bench_limits()
    assert bench_limits()["winding-balance"].high == 3
    assert safety_rules().steps_of(Machine(ProtectionClass.EARTHED))[0].slug == "visual"
    assert {kind for rule in duty_rules() for kind in rule.kinds} <= set(kinds())
    assert build_eras()["label-a-plus"].not_after.year == 2021
