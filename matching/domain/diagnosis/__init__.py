"""From fault to need: what is suspected, what to check first, and which parts to ask for.

Seam: `diagnosing.diagnose`. `tables` and `fault_codes` are what a workshop writes down, `beliefs`
the odds that start from it and learn from closed jobs, `checking` what answers say and which
check comes next. One fault at a time is supposed; "something-else" is always among the suspects.
"""
