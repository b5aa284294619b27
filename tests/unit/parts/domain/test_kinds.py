import pytest

from parts.domain.kinds import Attribute, Kind
from tests.unit.reference import read

ROWS = {row["slug"]: row for row in read("part_kinds")}


@pytest.mark.parametrize("slug", ROWS)
def test_each_row_of_the_reference_data_is_read_whole(slug):
    row, kind = ROWS[slug], Kind.of(ROWS[slug])
    assert (kind.slug, kind.name, kind.fit_class) == (slug, row["name"], row["fit_class"])
    assert (kind.reuse, kind.reuse_advice) == (row["reuse"], row["reuse_advice"])
    assert (kind.component_class, kind.matters) == (row["component_class"], set(row["matters"]))
    assert len(kind.attributes) == len(row["attributes"])
    for one in row["attributes"]:
        found = kind.attributes[one["name"]]
        assert found == Attribute(
            name=one["name"],
            number=one["type"] == "number",
            tolerance_abs=one["tolerance_abs"],
            tolerance_rel=one["tolerance_rel"],
            hard=one["hard"],
        )


def test_never_reused():
    assert Kind("inlet-hose", reuse="never").never_reused
    assert not Kind("inlet-hose", reuse="caution").never_reused
    assert not Kind("inlet-hose").never_reused
    assert {slug for slug in ROWS if Kind.of(ROWS[slug]).never_reused} == {
        slug for slug, row in ROWS.items() if row["reuse"] == "never"
    }
