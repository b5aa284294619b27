"""Labels of parts: what they say, which parts they are for, and where a scanned one leads."""

import re
from collections.abc import Collection
from datetime import date
from typing import Any

from django.db import transaction

from parts import label_pdf, selectors
from parts.domain.labels import sheets
from parts.domain.labels.layout import Content
from parts.domain.labels.sheets import Sheet
from parts.models import TESTED, Part
from parts.reference import label_sheets
from workshop.domain.refusals import ValueRefused
from workshop.errors import InputRefused, NotFound
from workshop.models import Workshop

MOST_LABELS = 650
# Scheme, host and port alone: they may be written in capitals (RFC 3986, 6.2.2.1), a path not.
_ADDRESS = re.compile(r"https?://[a-z0-9-]+(\.[a-z0-9-]+)*(:\d{1,5})?", re.ASCII)


@transaction.atomic
def set_label_address(*, workshop: Workshop, address: str) -> None:
    """Say where a scanned label leads; blank makes labels hold the bare code.

    Raises InputRefused for what is no plain address of a site.
    """
    text = address.strip().rstrip("/").lower()
    if text and not _ADDRESS.fullmatch(text):
        raise InputRefused(
            f"{address!r} is no address of a site. Write it like https://bench.example, without "
            "a path; or leave it blank.",
            fields={"address": "Write it like https://bench.example, without a path."},
        )
    workshop.label_address = text
    workshop.save(update_fields=["label_address"])


def qr_text(workshop: Workshop, part: Part) -> str:
    """Return what a part's QR code holds: its code, behind the site's address when there is one.

    In capitals it needs a smaller QR code (alphanumeric mode).
    """
    address = workshop.label_address
    return f"{address.upper()}/P/{part.short_code}" if address else part.short_code


def content_of(workshop: Workshop, part: Part) -> Content:
    """Return what the label of a part says. Needs its donor, kind and test loaded."""
    donor = part.donor
    return Content(
        code=part.short_code,
        qr=qr_text(workshop, part),
        kind=f"{part.kind.name} ({part.position})" if part.position else part.kind.name,
        donor=donor.ref if donor else "",
        model_number=donor.model_number if donor else "",
        bin=part.bin,
        grade=part.get_grade_display(),
        dated=_dated(part),
    )


def _dated(part: Part) -> str:
    """Return the day that says most: of the test, of taking out, of coming in."""
    day: date | None = part.removed_on or (part.donor.received_on if part.donor else None)
    if part.grade in TESTED and part.grade_test:
        day = part.grade_test.tested_on
    return str(day) if day else ""


def get_sheet(slug: str, *, width_mm: float | None = None, length_mm: float | None = None) -> Sheet:
    """Return the sheet of that name, or a roll of a size. Raises InputRefused."""
    if slug == "roll":
        return _refusing(sheets.roll, width_mm, length_mm)
    found = {sheet.slug: sheet for sheet in label_sheets()}.get(slug)
    if found is None:
        names = ", ".join(sheet.slug for sheet in label_sheets())
        raise InputRefused(
            f"There is no label sheet {slug!r}. Choose one of: {names}, roll.",
            fields={"sheet": f"{slug!r} is not known."},
        )
    return found


def parts_named(workshop: Workshop, refs: Collection[str]) -> list[Part]:
    """Return the parts of these references, in their order. Raises NotFound, InputRefused."""
    if len(refs) > MOST_LABELS:
        raise InputRefused(
            f"{len(refs)} parts are too many; at most {MOST_LABELS} labels at once.",
            fields={"parts": f"At most {MOST_LABELS}."},
        )
    found = {part.ref: part for part in selectors.list_parts(workshop).filter(ref__in=set(refs))}
    missing = [ref for ref in refs if ref not in found]
    if missing:
        raise NotFound(f"There is no part {missing[0]} in this workshop.")
    return [found[ref] for ref in refs]


def print_labels(
    *,
    workshop: Workshop,
    refs: Collection[str],
    sheet: Sheet,
    start: int = 1,
    dx_mm: float = 0.0,
    dy_mm: float = 0.0,
) -> bytes:
    """Return a PDF with the labels of some parts. Writes nothing.

    start: position of the first label on a half-used sheet, from 1, row by row. dx_mm, dy_mm:
    how far the printer has to be corrected to the right and down.
    Raises NotFound, InputRefused by field.
    """
    if not refs:
        raise InputRefused("No part is chosen.", fields={"parts": "Choose at least one part."})
    contents = [content_of(workshop, part) for part in parts_named(workshop, refs)]
    _refusing(sheets.check_shift, dx_mm, dy_mm)
    return _refusing(label_pdf.labels_pdf, contents, sheet, start=start, shift=(dx_mm, dy_mm))


def print_outlines(*, sheet: Sheet, dx_mm: float = 0.0, dy_mm: float = 0.0) -> bytes:
    """Return a PDF with the outlines of a sheet, to see how far a printer is off."""
    _refusing(sheets.check_shift, dx_mm, dy_mm)
    return _refusing(label_pdf.calibration_pdf, sheet, shift=(dx_mm, dy_mm))


def _refusing(work: Any, *given: Any, **named: Any) -> Any:
    try:
        return work(*given, **named)
    except ValueRefused as refused:
        raise InputRefused(
            f"The labels cannot be made: {refused}.", fields=refused.fields
        ) from refused
