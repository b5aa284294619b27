"""The codes of numbers: one at a time beside many at once."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.lookup import codes


@given(st.text("ABO08S5-*#Z", min_size=1, max_size=20))
def test_the_signature_of_one_number_is_that_of_many(number):
    coded = codes.encode(number)
    assert codes.signature(coded) == codes.signatures(coded[None, :])[0]


@given(st.text("ABO08S5*Z", min_size=1, max_size=20))
def test_the_last_hash_of_beginnings_is_that_of_the_whole(number):
    """Both make the key of a whole number: one for a query, the other for the index."""
    coded = codes.encode(number)
    whole = codes.column_hash(coded[None, :], 0, len(number))
    assert np.array_equal(codes.prefix_hashes(coded)[-1:], whole)
