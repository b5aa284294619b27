"""What a reader sees of an answer."""

import re
from html import unescape
from typing import Any


def text_of(answer: Any) -> str:
    """Return the page as plain text, its blanks made single."""
    html = answer.content.decode()
    html = re.sub(r"<(script|style|head).*?</\1>", " ", html, flags=re.DOTALL)
    words = " ".join(unescape(re.sub(r"<[^>]+>", " ", html)).split())
    return re.sub(r" ([,.;])", r"\1", words)


def has_field_message(answer: Any, field_id: str, words: str) -> bool:
    """Whether the message beside a field holds these words."""
    html = answer.content.decode()
    found = re.search(rf'id="{re.escape(field_id)}_error">(.*?)</p>', html, flags=re.DOTALL)
    return bool(found) and words in unescape(found.group(1))
