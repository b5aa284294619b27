"""Pages of API lists."""

from rest_framework.pagination import PageNumberPagination


class Pages(PageNumberPagination):
    """?page=2&page_size=100, at most 500 rows a page."""

    page_size = 50
    page_size_query_param = "page_size"
    max_page_size = 500
