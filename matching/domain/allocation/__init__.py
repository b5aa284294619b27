"""Which part goes to which waiting job.

Seam: `allocating.allocate`. `claims` is what is asked for, `scarce` leaves out the needs nobody
competes for, `choosing` picks the jobs to complete, `greedy` is the plain rule it is never worse
than. Most jobs completed, then the urgent ones, then those that waited longest.
"""
