"""Lists a page at a time."""

from typing import Any

from django.core.paginator import Page, Paginator
from django.http import HttpRequest

PAGE_SIZE = 50


def page_of(request: HttpRequest, rows: Any, *, size: int = PAGE_SIZE) -> Page:
    """Return the page the address asks for; the nearest there is when it makes no sense."""
    return Paginator(rows, size).get_page(request.GET.get("page"))
