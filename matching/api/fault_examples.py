"""Examples of faults for the API's description. A test sends them to the API."""

from matching.api.rule_examples import sent

SIGN = sent("A code as the machine shows it", {"code": "P4"})
ANSWER = sent("The filter is clear", {"check": "washing-machine:filter-clear", "answer": "good"})
NEEDS = sent("Two suspects become needs", {"needs": [{"kind": "drain-pump"}, {"kind": "heater"}]})
FOUND = sent("No part was at fault", {"suspect": "blockage", "note": "A sock in the hose."})
CODE = sent(
    "A code of a make",
    {
        "make": "Velthane",
        "appliance": "washing-machine",
        "code": "P7",
        "meaning": "water not out in time",
        "suspects": {"drain-pump": 45, "blockage": 40},
        "checks": ["washing-machine:filter-clear"],
    },
)
SYMPTOM = sent(
    "A symptom of one's own",
    {
        "name": "Hums and stands still",
        "appliance": "washing-machine",
        "words": ["hums and stands"],
        "suspects": {"belt": 30, "motor-brushed": 40},
    },
)
