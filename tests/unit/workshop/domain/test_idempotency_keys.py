import pytest

from workshop.domain.idempotency_keys import LONGEST_KEY, fingerprint, key_from


@pytest.mark.parametrize(
    ("header", "key"),
    [
        # The example of draft-ietf-httpapi-idempotency-key-header, 2.1.
        ('"8e03978e-40d5-43dd-bc93-6994a57f9324"', "8e03978e-40d5-43dd-bc93-6994a57f9324"),
        ("8e03978e-40d5-43dd-bc93-6994a57f9324", "8e03978e-40d5-43dd-bc93-6994a57f9324"),
        ('  "a key"  ', "a key"),
        (r'"say \"so\" \\"', r'say "so" \\'[:-1]),  # RFC 8941, 3.3.3: both are escaped
        ("k" * LONGEST_KEY, "k" * LONGEST_KEY),
    ],
)
def test_a_key_with_and_without_its_quotes(header, key):
    assert key_from(header) == key


@pytest.mark.parametrize(
    ("header", "reason"),
    [
        ("", "printable"),
        ('""', "blank"),
        ('"   "', "blank"),
        ('"open', "printable"),
        ("two words", "printable"),
        (r'"\n"', "printable"),
        ("clé", "printable"),
        ("a\x00b", "printable"),
        ("k" * (LONGEST_KEY + 1), "at most 128"),
        ('"a";b=1', "printable"),  # parameters are not defined for it
    ],
)
def test_what_is_no_key(header, reason):
    with pytest.raises(ValueError, match=reason):
        key_from(header)


def test_a_fingerprint_tells_requests_apart_and_not_spellings():
    same = fingerprint("POST", "/a/", 1, {"x": 1, "y": [1, 2]})
    assert fingerprint("POST", "/a/", 1, {"y": [1, 2], "x": 1}) == same
    others = [
        ("PATCH", "/a/", 1, {"x": 1, "y": [1, 2]}),
        ("POST", "/b/", 1, {"x": 1, "y": [1, 2]}),
        ("POST", "/a/", 2, {"x": 1, "y": [1, 2]}),
        ("POST", "/a/", 1, {"x": 1, "y": [2, 1]}),
        ("POST", "/a/", 1, {"x": "1", "y": [1, 2]}),
        ("POST", "/a/", 1, {}),
    ]
    assert same not in {fingerprint(*one) for one in others}
