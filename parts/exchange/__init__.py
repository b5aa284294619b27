"""donors.csv, parts.csv and interchange.csv."""

from django.db.models import Q

from donors.services import RECOGNISED_COLUMNS
from parts.exchange.donors import Donors
from parts.exchange.interchanges import Interchanges
from parts.exchange.stock import Parts
from parts.models import Grade, Part
from workshop.exchange import undoing
from workshop.exchange.sheets import register

register(Donors())
register(Parts())
register(Interchanges())

undoing.goes_along("parts.PartKey")
# Parts of a donor, as intake lays them: nobody has taken them out, described or graded them.
undoing.goes_along(
    "parts.Part",
    Q(
        laid_at_intake=True,
        state=Part.State.IN_MACHINE,
        grade=Grade.NOT_GRADED,
        part_number="",
        bin="",
        note="",
        price_cents__isnull=True,
    ),
    made_with=True,
)
undoing.written_by_programs("parts.Part", "grade_reason", "grade_falls_on")
undoing.written_by_programs("donors.Donor", *RECOGNISED_COLUMNS, "number_key")
