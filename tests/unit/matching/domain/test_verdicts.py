from matching.domain.verdicts import Verdict


def test_five_verdicts_in_order():
    assert [verdict.label for verdict in Verdict] == [
        "same part",
        "known to fit",
        "likely fits",
        "check first",
        "does not fit",
    ]


def test_each_has_a_shape_of_its_own():
    """Never colour alone."""
    shapes = [verdict.shape for verdict in Verdict]
    assert len(set(shapes)) == len(shapes)
    assert all(len(shape) == 1 for shape in shapes)


def test_which_count_as_a_fit():
    assert [verdict.counts_as_fit for verdict in Verdict] == [True, True, True, False, False]
