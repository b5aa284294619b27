"""Finding a known model number from what was read: index, costs, calibrated probability.

`index` holds the numbers of a catalogue in numpy arrays; `search` asks one or more of them.
Plain Python and numpy: no database, no files of its own. See docs/adr/0008.
"""
