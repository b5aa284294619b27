"""Whose address is believed: what stands before our own proxies' entries may be forged."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workshop.domain.client_addresses import client_address


@pytest.mark.parametrize(
    ("forwarded", "proxies", "found"),
    [
        ("203.0.113.9", 0, "192.0.2.1"),  # no proxy of ours: the header says nothing
        ("", 1, "192.0.2.1"),
        ("203.0.113.9", 1, "203.0.113.9"),
        ("198.51.100.7, 203.0.113.9", 1, "203.0.113.9"),
        ("198.51.100.7, 203.0.113.9, 192.0.2.8", 2, "203.0.113.9"),
        ("203.0.113.9", 2, "203.0.113.9"),  # one proxy was passed by: its entry is all there is
        ("nonsense", 1, "192.0.2.1"),
        ("::ffff:203.0.113.9", 1, "203.0.113.9"),
        ("2001:db8:1:2:3:4:5:6", 1, "2001:db8:1:2::/64"),
        ("203.0.113.9:4711", 1, "203.0.113.9"),
        ("[2001:db8:1:2:3:4:5:6]:443", 1, "2001:db8:1:2::/64"),
        ("[2001:db8:1:2:3:4:5:6]", 1, "2001:db8:1:2::/64"),
        ("fe80::1%eth0", 1, "fe80::/64"),
        ("203.0.113.9:port", 1, "192.0.2.1"),
    ],
)
def test_the_address(forwarded: str, proxies: int, found: str) -> None:
    assert client_address("192.0.2.1", forwarded, proxies) == found


@given(forged=st.text(alphabet="0123456789., abc:", max_size=60))
def test_what_a_caller_writes_itself_changes_nothing(forged: str) -> None:
    """Each proxy appends; the caller's own text stands before what ours appended."""
    appended = f"{forged}, 203.0.113.9" if forged else "203.0.113.9"
    assert client_address("192.0.2.1", appended, 1) == "203.0.113.9"
