"""The electrical-safety sequence of a repaired machine, step by step, by protection class.

It reminds a competent person; local codes and that person decide. The steps, limits and their
sources are data (fixtures/reference/electrical_safety.json). What is unknown of a machine never
makes a limit easier or leaves a step out.
"""
