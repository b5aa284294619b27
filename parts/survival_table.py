"""What is believed of the parts of scrapped machines: guide table, age, own tests, side by side."""

from dataclasses import dataclass
from datetime import date

from donors.domain.survival import Survival
from donors.models import Appliance, FailureCause
from parts.conditions import ConditionBook
from parts.models import KindCarried, PartKind
from workshop.errors import InputRefused
from workshop.models import Workshop


@dataclass(frozen=True, slots=True)
class Cell:
    """A kind from machines scrapped for one cause. percent: the guide value moved for age."""

    kind: PartKind
    cause: FailureCause
    percent: float
    belief: Survival

    @property
    def own(self) -> int:
        return self.belief.passed + self.belief.failed


@dataclass(frozen=True, slots=True)
class Table:
    """The cells of one appliance, a row for each kind, a column for each cause."""

    appliance: Appliance
    causes: list[FailureCause]
    rows: list[tuple[PartKind, list[Cell]]]

    @property
    def own(self) -> int:
        return sum(cell.own for _, cells in self.rows for cell in cells)


def survival_table(
    workshop: Workshop, *, appliance: str, age_years: float | None, on: date
) -> Table:
    """Return the beliefs on an appliance's reusable parts. Raises InputRefused: unknown appliance.

    Five queries, however many cells.
    """
    found = Appliance.objects.filter(slug=appliance).first()
    if found is None:
        raise InputRefused(
            f"There is no appliance {appliance!r}.", fields={"appliance": "Not known."}
        )
    causes = list(FailureCause.objects.filter(appliance=found).order_by("id"))
    carried = KindCarried.objects.filter(appliance=found).exclude(kind__reuse="never")
    kinds = [row.kind for row in carried.select_related("kind").order_by("id")]
    book = ConditionBook.load(workshop.pk, on=on)
    book.prepare(kind.slug for kind in kinds)

    def cell(kind: PartKind, cause: FailureCause) -> Cell:
        percent, belief = book.belief(
            kind.slug, cause_id=cause.pk, appliance=found.slug, age_years=age_years
        )
        return Cell(kind, cause, percent, belief)

    rows = [(kind, [cell(kind, cause) for cause in causes]) for kind in kinds]
    return Table(found, causes, rows)
