"""E-mail files: RFC 5322 A.1.1 (a message from one person to another), MIME by RFC 2045-2047."""

from contextlib import suppress
from email.message import EmailMessage

import pytest
from hypothesis import given
from hypothesis import strategies as st

from donors.domain.listings.mail import LARGEST_MAIL, read_mail
from workshop.domain.refusals import ValueRefused

# RFC 5322, A.1.1, verbatim.
RFC_5322 = b"""From: John Doe <jdoe@machine.example>\r
To: Mary Smith <mary@example.net>\r
Subject: Saying Hello\r
Date: Fri, 21 Nov 1997 09:55:06 -0600\r
Message-ID: <1234@local.machine.example>\r
\r
This is a message just to say hello.\r
So, "Hello".\r
"""


def test_the_example_of_the_standard():
    mail = read_mail(RFC_5322)
    assert (mail.subject, mail.id) == ("Saying Hello", "1234@local.machine.example")
    assert "just to say hello" in mail.text
    assert str(mail.sent_on) == "1997-11-21"


def test_the_text_goes_before_html_and_attachments_are_passed_over():
    message = EmailMessage()
    message["Subject"] = "=?utf-8?q?W=C3=A4sher?="
    message.set_content("the plain one, 20 €")
    message.add_alternative("<p>the html one</p>", subtype="html")
    message.add_attachment(b"\0\1", maintype="application", subtype="zip", filename="x.zip")
    assert read_mail(message.as_bytes()).text.strip() == "the plain one, 20 €"


def test_html_alone_is_read():
    message = EmailMessage()
    message["Subject"] = "x"
    message.set_content("<p>only html</p>", subtype="html")
    assert "<p>only html" in read_mail(message.as_bytes()).text


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        (b"", "none of the headers"),
        (b"just words", "none of the headers"),
        (b"Subject: x\nContent-Type: text/plain; charset=utf-7\n\n+ADw-script+AD4-", "UTF-7"),
        (b"Subject: x\nContent-Type: text/plain; charset=klingon\n\nabc\xff", "klingon"),
        (b"Subject: x\nContent-Type: image/png\n\nabc", "no text"),
        (b"Subject: x\n\n" + b"y" * LARGEST_MAIL, "at most"),
        (b"\x00\x01Subject: x", "binary"),
    ],
)
def test_what_cannot_be_read_is_refused_with_the_reason(raw, why):
    with pytest.raises(ValueRefused) as refused:
        read_mail(raw)
    assert why in refused.value.fields["file"]


@given(st.binary(max_size=400))
def test_any_bytes_are_read_or_refused(raw):
    with suppress(ValueRefused):
        assert read_mail(b"Subject: x\n" + raw).subject is not None
