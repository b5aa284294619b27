"""The form of a bench test: what is asked of one kind of part, and what the answers say.

Which tests a kind takes is data (fixtures/reference/bench_forms.json); what a test asks and how
it is judged is a way (ways.py: the room where a new test's inputs go). `forms.py` puts both
together, `records.py` keeps verdicts as plain values.
"""
