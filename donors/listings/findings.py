"""A reading as it is stored and shown: columns of the listing, and each finding with its words."""

from typing import Any

from donors.domain.listings.prices import Price
from donors.listings.reading import NumberRead, Reading
from donors.models import FailureCause, Listing
from donors.plates import recognised_columns
from donors.recognition import describe
from workshop.domain import money

LEAST_SURE = 0.0
Causes = dict[tuple[str, str], FailureCause]

# What a person may state instead, and the columns it sets.
STATED = ("appliance", "model", "cause", "price", "built")


def known_causes() -> Causes:
    """Return the failure causes by appliance and slug: one query."""
    return {(one.appliance_id, one.slug): one for one in FailureCause.objects.all()}


def set_reading(listing: Listing, found: Reading, causes: Causes) -> None:
    """Set what was read on a listing, but for what a person stated. Does not save."""
    stated = set(listing.stated)
    listing.title = found.title
    if "model" not in stated:
        _set_model(listing, found)
    if "appliance" not in stated:
        listing.appliance_id = found.appliance or None
    if "cause" not in stated:
        listing.cause = causes.get((listing.appliance_id or "", found.cause.cause))
    if "price" not in stated and found.price is not None:
        set_price(listing, found.price)
    if "built" not in stated:
        listing.built_from, listing.built_to = found.built or (None, None)
    listing.read = {"findings": findings(found)}


def _set_model(listing: Listing, found: Reading) -> None:
    if found.number is None:
        listing.make, listing.make_as_read = found.make, found.make_words[:80]
        listing.make_is_guess = False
        listing.model_number = listing.model_canonical = listing.likely_number = ""
        listing.recognised, listing.family, listing.fields = None, "", {}
        listing.certainty = LEAST_SURE
        return
    for name, value in recognised_columns(found.number.seen).items():
        setattr(listing, name, value)
    listing.make_as_read = found.make_words[:80]
    listing.model_number = found.number.words
    # The odds of the number and that it is this machine's: matching counts with no more.
    listing.certainty = round(found.number.odds, 4)


def set_price(listing: Listing, price: Price) -> None:
    listing.price_low_cents, listing.price_cents = price.low, price.high
    listing.currency = price.currency or listing.currency


def findings(found: Reading) -> list[dict[str, Any]]:
    """Return what was read as plain rows: what, found, words, and why where it matters."""
    rows = [_number_row("model number", one) for one in ([found.number] if found.number else [])]
    rows += [_number_row("another number", one) for one in found.others]
    if found.make is not None:
        rows.append(_row("make", found.make.name, found.make_words))
    if found.appliance:
        why = "the known number is of that kind" if found.appliance_by == "number" else ""
        rows.append(_row("appliance", found.appliance, found.appliance_words, why))
    elif found.appliance_words:
        why = "a kind of machine there is no table of parts for"
        rows.append(_row("appliance", "", found.appliance_words, why))
    if found.cause.cause:
        also = f"may also be: {', '.join(found.cause.also)}" if found.cause.also else ""
        rows.append(_row("cause", found.cause.cause, "; ".join(found.cause.words), also))
    if found.price is not None:
        rows.append(_row("price", _shown(found.price), found.price.words, _price_note(found.price)))
    rows += [_row("refused", "", words) for words in found.refused]
    if found.age is not None:
        years = f"{found.age.first_year}-{found.age.last_year}"
        rows.append(_row("built", years, found.age.words))
    return rows


def _row(what: str, found: str, words: str, why: str = "") -> dict[str, Any]:
    return {"what": what, "found": found, "words": words[:200], "why": why}


def _number_row(what: str, one: NumberRead) -> dict[str, Any]:
    known = one.seen.likely.number if one.seen.likely else one.seen.canonical
    row = _row(what, known, one.words, one.because)
    return {**row, "odds": round(one.odds, 3), "candidates": describe(one.seen.candidates[:3])}


def _shown(price: Price) -> str:
    if price.high == 0:
        return "free"
    ends = {money.to_text(price.low), money.to_text(price.high)}
    return " ".join(filter(None, ("-".join(sorted(ends, key=float)), price.currency)))


def _price_note(price: Price) -> str:
    said = ["open to offers"] if price.negotiable else []
    if price.also:
        said.append(f"could also be read as {', '.join(map(money.to_text, price.also))}")
    return "; ".join(said)
