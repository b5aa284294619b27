"""A table whose rows a phone shows as cards: each cell carries the heading of its column.

`{% labelled %}<table>…</table>{% endlabelled %}`; the style sheet does the rest. A built-in of all
templates (config/settings/base.py).
"""

import re
from html import unescape

from django import template
from django.template import Context, NodeList
from django.template.base import Parser, Token
from django.utils.html import escape
from django.utils.safestring import SafeString, mark_safe

register = template.Library()

_HEAD = re.compile(r"<thead>(.*?)</thead>", re.DOTALL)
_HEADING = re.compile(r"<th\b([^>]*)>(.*?)</th>", re.DOTALL)
_MARK = re.compile(r"<(tbody|tfoot|tr|td|th)\b([^>]*)>")
_TAG = re.compile(r"<[^>]+>")
_SPAN = re.compile(r'colspan="(\d+)"')


class _Labelled(template.Node):
    def __init__(self, inside: NodeList) -> None:
        self.inside = inside

    def render(self, context: Context) -> SafeString:
        return mark_safe(label(self.inside.render(context)))


@register.tag
def labelled(parser: Parser, token: Token) -> _Labelled:
    inside = parser.parse(("endlabelled",))
    parser.delete_first_token()
    return _Labelled(inside)


def label(table: str) -> str:
    """Return a table with `data-label` on the cells of its body, and the class `cards`.

    A table without a head stays as it is. What spans several columns carries no heading.
    """
    head = _HEAD.search(table)
    if head is None:
        return table
    headings = [name for span, text in _HEADING.findall(head[1]) for name in _named(span, text)]
    column = 0

    def mark(found: re.Match[str]) -> str:
        nonlocal column
        name, rest = found[1], found[2]
        if name not in ("td", "th"):
            column = 0
            return found[0]
        wide = _wide(rest)
        heading = headings[column] if column < len(headings) and wide == 1 else ""
        column += wide
        return f'<{name}{rest} data-label="{heading}">' if heading else found[0]

    before, body = table[: head.end()], table[head.end() :]
    return _with_class(before) + _MARK.sub(mark, body)


def _named(attributes: str, inside: str) -> list[str]:
    words = " ".join(unescape(_TAG.sub("", inside)).split())
    return [str(escape(words))] * _wide(attributes)


def _wide(attributes: str) -> int:
    found = _SPAN.search(attributes)
    return int(found[1]) if found else 1


def _with_class(before: str) -> str:
    if '<table class="' in before:
        return before.replace('<table class="', '<table class="cards ', 1)
    return before.replace("<table", '<table class="cards"', 1)
