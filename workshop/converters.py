"""Path converters."""


class RowId:
    """A row's number, small enough for every database (19 digits would overflow SQLite)."""

    regex = "[0-9]{1,18}"

    def to_python(self, value: str) -> int:
        return int(value)

    def to_url(self, value: int) -> str:
        return str(value)
