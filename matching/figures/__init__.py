"""What the workshop did over a span of time, and what stands on the shelf: reads only.

One module for each figure. Every figure is of one workshop, and asks the database a number of
questions that does not grow with its rows.
"""
