"""From fault to need, on record: what is computed stands in matching/domain/diagnosis.

`tables` is the delivered table under a workshop's changes, `editing` those changes, `exchange`
the codes as a file. `signs` is what a job showed, `answers` what its checks gave, `closing` what
the fault was and what is learned of it, `needs` the step to parts. `views` puts a job's fault
together for page and API, `stock` what stands on the shelf for it.
"""
