"""Repair now, wait for a donor, or break for parts: money, odds, and what would change the answer.

Seam: `deciding.decide`. `options` is the decision tree, `deciding` ranks it and finds the
threshold of the assumption that decides it, `rules_of_thumb` is what the trade would say, shown
beside it and never mixed in.
"""
