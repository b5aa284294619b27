"""Reads on machines. Each returns finished rows or one object of the given workshop."""

from typing import Any

from django.db.models import QuerySet

from donors.catalogue import Catalogue
from donors.domain.lookup.proposing import Proposal, propose
from donors.models import Appliance, Donor, FailureCause, Make, ModelNumber
from donors.plates import find_make
from donors.recognition import Mention, Recognition
from workshop.errors import NotFound
from workshop.models import Workshop

MOST_PROPOSED_FROM = 20_000  # numbers a pattern is drawn from


def list_appliances() -> list[Appliance]:
    return list(Appliance.objects.order_by("name"))


def list_causes() -> list[FailureCause]:
    return list(FailureCause.objects.select_related("appliance").order_by("appliance_id", "id"))


def list_makes(workshop: Workshop) -> "QuerySet[Make]":
    return Make.of(workshop).order_by("name", "id")


def list_model_numbers(workshop: Workshop) -> "QuerySet[ModelNumber]":
    rows = ModelNumber.of(workshop).select_related("make").prefetch_related("aliases")
    return rows.order_by("make__name", "canonical", "id")


def get_model_number(workshop: Workshop, model_id: int) -> ModelNumber:
    """Return the known model number with its make and appliance, or raise NotFound."""
    rows = list_model_numbers(workshop).select_related("make", "appliance")
    model = rows.filter(pk=model_id).first()
    if model is None:
        raise NotFound("There is no such model number in this workshop.")
    found: ModelNumber = model
    return found


def get_make(workshop: Workshop, name: str) -> Make:
    """Return the make by name or alias. Raises InputRefused naming near ones."""
    found = find_make(Catalogue.load(workshop), name)
    if found is None:
        raise NotFound("No make was named.")
    return found


def get_make_by_id(workshop: Workshop, make_id: int) -> Make:
    """Return the make or raise NotFound."""
    make: Make | None = Make.of(workshop).filter(pk=make_id).first()
    if make is None:
        raise NotFound("There is no such make in this workshop.")
    return make


def list_donors(workshop: Workshop) -> "QuerySet[Donor]":
    rows = Donor.of(workshop).select_related("make", "appliance", "cause", "recognised")
    return rows.order_by("-received_on", "-id")


def get_donor(workshop: Workshop, ref: str) -> Donor:
    """Return the donor or raise NotFound."""
    donor = list_donors(workshop).filter(ref=ref).first()
    if donor is None:
        raise NotFound(f"There is no donor {ref} in this workshop.")
    return donor


def recognise(workshop: Workshop, text: str, *, make: str = "") -> Recognition:
    """Say what a model number as read is taken for. Raises InputRefused for an unknown make."""
    catalogue = Catalogue.load(workshop)
    return catalogue.recognise(text, make=find_make(catalogue, make))


def find_numbers(workshop: Workshop, text: str, *, make: str = "") -> list[Mention]:
    """Return every model number in a text. Raises InputRefused for an unknown make."""
    catalogue = Catalogue.load(workshop)
    return catalogue.find_all(text, make=find_make(catalogue, make))


def propose_pattern(workshop: Workshop, make_id: int) -> Proposal:
    """Return a pattern drawn from a make's known numbers. Raises NotFound."""
    make = get_make_by_id(workshop, make_id)
    rows = ModelNumber.of(workshop).filter(make=make).order_by("id")
    return propose(rows.values_list("canonical", flat=True)[:MOST_PROPOSED_FROM])


def candidates_for(row: Any) -> Recognition:
    """Return what a stored machine's plate may be (for pages that ask a person)."""
    catalogue = Catalogue.load(row.workshop_id)
    told = None if row.make_is_guess else row.make
    return catalogue.recognise(row.model_number, make=told)
