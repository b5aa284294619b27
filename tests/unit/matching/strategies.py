"""Generated sides and knowledge. Small pools, so that things agree and clash often."""

from hypothesis import strategies as st

from donors.domain.machines import Machine
from matching.domain.known_breaks import KnownBreak, Scope
from matching.domain.outcomes import Past
from matching.domain.rules import ApprovedRule
from matching.domain.sides import Side
from matching.domain.sightings import Seen
from parts.domain.interchange import Edge
from parts.domain.part_numbers import Printed
from tests.unit.matching.building import built, machine

NUMBERS = ["", "1111.222-01", "1111.222-02", "1111.Z22-01", "BS04/2396-01", "BS04/2396-02"]
CANONICAL = [Printed.of(number).canonical for number in NUMBERS if number]

makes = st.sampled_from(["", "Velthane", "Velthane", "Velthane", "Borsund"])
texts = st.builds(
    "{} {} {} {} {}".format,
    st.sampled_from(["M2W", "M2W", "H3C", "?"]),
    st.sampled_from(["90", "60", "?"]),
    st.sampled_from(["246", "247", "?"]),
    st.sampled_from(["S", "W", "?"]),
    st.sampled_from(["1", "2", "2", "?"]),
)
eras = st.none() | st.builds(built, st.sampled_from([2012, 2012.3, 2013.1, 2014, 2018, 2018.4]))
known_machines = st.builds(
    machine,
    texts,
    make=makes,
    appliance=st.sampled_from(["washing-machine", "washing-machine", "", "dishwasher"]),
    built=eras,
    sure=st.sampled_from([1.0, 1.0, 0.93, 0.6, 0.25, 0.0]),
    ref=st.sampled_from(["", "D-0001"]),
)
loose_machines = st.builds(
    lambda one, keep: Machine(one.appliance, one.make, one.number, family=one.family * keep),
    known_machines,
    st.booleans(),
)
machines = known_machines | loose_machines | st.just(Machine())

attributes = st.fixed_dictionaries(
    {},
    optional={
        "voltage_v": st.sampled_from(["230", "240", "120", ""]),
        "power_w": st.sampled_from(["30", "32", "60"]),
        "mount": st.sampled_from(["3-lug", "4-lug", "3-LUG "]),
        "spigot_mm": st.sampled_from(["22", "22.4", "24", "nan"]),
        "colour": st.sampled_from(["white", "steel"]),
        "never_heard_of": st.sampled_from(["a", "1"]),
    },
)
sides = st.builds(
    Side,
    st.sampled_from(NUMBERS).map(Printed.of),
    st.sampled_from(["", "", "wash", "rinse"]),
    attributes,
    machines,
)
edges = st.lists(
    st.builds(
        Edge,
        st.sampled_from(CANONICAL[:3]),
        st.sampled_from(CANONICAL[3:]),
        st.booleans(),
    ),
    max_size=3,
)
seen = st.lists(
    st.builds(Seen, st.sampled_from(CANONICAL), machines, st.sampled_from(["", "wash", "rinse"])),
    max_size=8,
)
pasts = st.lists(st.builds(Past, sides, sides, st.booleans()), max_size=8)
breaks = st.lists(
    st.builds(
        KnownBreak,
        st.builds(
            Scope,
            st.just("Velthane"),
            st.sampled_from(["M2W", "M2W", "H3C"]),
            st.sampled_from(["", "", "1", "2"]),
        ),
        st.builds(built, st.sampled_from([2012.6, 2013.5, 2016]), st.sampled_from([0, 60])),
        st.just(("1111222-01",)),
        st.just(("1111222-02",)),
    ),
    max_size=2,
)
conditions = st.fixed_dictionaries(
    {},
    optional={
        "make": st.sampled_from(["", "Velthane", "Borsund"]),
        "family": st.sampled_from(["", "M2W", "H3C"]),
        "fields": st.sampled_from([{}, {"revision": "2"}]),
        "part_numbers": st.sampled_from([[], ["1111.222-01"], ["1111222 01", "BS04/2396-02"]]),
        "built_from": st.sampled_from(["", "2013-01-01"]),
        "built_to": st.sampled_from(["", "2014-06-30"]),
        "attributes": st.sampled_from([{}, {"mount": "3-lug"}]),
    },
)
rules = st.lists(
    st.builds(
        ApprovedRule,
        st.integers(1, 99),
        st.sampled_from(["fits", "fits-with-conditions", "does-not-fit"]),
        conditions,
        conditions,
        st.booleans(),
        st.sampled_from(["", "fit the longer screw"]),
    ),
    max_size=3,
)
