"""Writes on listings: adding, seeing again, correcting, closing, expiring, buying is parts'."""

import hashlib
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Any
from urllib.parse import urldefrag

from django.db import transaction
from django.utils import timezone

from donors import events, plates
from donors.catalogue import Catalogue
from donors.domain.listings.alike import Seen, first_same
from donors.domain.listings.cleaning import LARGEST_RAW, LONGEST_LINK, one_line, plain_text
from donors.listings.findings import Causes, known_causes, set_reading
from donors.listings.reading import Reading, read_listing
from donors.models import Listing, ListingKey, ListingSighting
from donors.plates import Plate
from donors.services import find_cause
from workshop import days, outbox, refs
from workshop.bulk import bulk_save
from workshop.domain.refusals import ValueRefused
from workshop.errors import Conflict, DomainError, InputRefused, NotFound
from workshop.models import Member, OutboxEvent, Workshop

MOST_AT_ONCE = 20_000  # listings of one file
MATCHED_AT_ONCE = 20  # listings of one event
READ_KEYS_AT_ONCE = 5_000
READ_AT_ONCE = 50  # listings read again in one event
EXPIRED_AT_ONCE = 2_000  # of a workshop, by one sweep
MOST_OF_A_MODEL = 20  # listings of a model a new one is compared with
MOST_TOLD = 20  # faults of a file that are told


@dataclass(frozen=True, slots=True)
class Offered:
    """A listing as it was pasted or stands in a file. Blank and None: not said.

    price_cents, currency: stated beside the text; they go before what the text says.
    """

    text: str
    title: str = ""
    link: str = ""
    price_cents: int | None = None
    currency: str = ""
    seen_on: date | None = None


@dataclass(frozen=True, slots=True)
class Stored:
    """What became of one: new, or seen again (then with the price it had before)."""

    listing: Listing
    is_new: bool
    price_before: int | None = None
    price_changed: bool = False


@dataclass(frozen=True, slots=True)
class _Read:
    offered: Offered
    found: Reading
    seen: Seen
    on: date
    link_key: str


def add_listing(
    *,
    workshop: Workshop,
    offered: Offered,
    member: Member | None,
    on: date,
    catalogue: Catalogue | None = None,
) -> Stored:
    """Store one pasted listing. Raises InputRefused with the reason."""
    source = Listing.Source.TEXT
    return add_listings(
        workshop=workshop,
        offered=[offered],
        source=source,
        member=member,
        on=on,
        catalogue=catalogue,
    )[0]


def add_listings(
    *,
    workshop: Workshop,
    offered: Sequence[Offered],
    source: Listing.Source,
    member: Member | None,
    on: date,
    catalogue: Catalogue | None = None,
) -> list[Stored]:
    """Store listings, or note that they were seen again; all of them or, on a fault, none.

    Read before anything is locked; waiting jobs are matched afterwards, in the dispatcher.
    Raises InputRefused, naming each that cannot be used.
    """
    if len(offered) > MOST_AT_ONCE:
        raise InputRefused(
            f"{len(offered)} listings are too many at once; at most {MOST_AT_ONCE} are taken. "
            "Split the file."
        )
    read = read_all(catalogue or Catalogue.load(workshop), offered, on=on)
    with transaction.atomic():
        refs.lock_counter(workshop.pk, "L")  # two imports would miss each other's listings
        return _Adding(workshop, source, member, on=on).add(read)


def read_all(catalogue: Catalogue, offered: Sequence[Offered], *, on: date) -> list[_Read]:
    """Return each listing read. Raises InputRefused naming every one that cannot be used."""
    found, faults = [], []
    for place, one in enumerate(offered, start=1):
        try:
            found.append(_read(catalogue, one, on))
        except (ValueRefused, DomainError) as bad:
            faults.append((place, bad))
    if not faults:
        return found
    if len(offered) == 1:
        raise InputRefused(
            f"The listing cannot be used: {faults[0][1]}.", fields=faults[0][1].fields
        )
    told = "\n".join(f"listing {place}: {bad}" for place, bad in faults[:MOST_TOLD])
    more = f"\nand {len(faults) - MOST_TOLD} more" if len(faults) > MOST_TOLD else ""
    raise InputRefused(f"Nothing was stored; {len(faults)} cannot be used.\n{told}{more}")


def _read(catalogue: Catalogue, one: Offered, on: date) -> _Read:
    seen_on = one.seen_on or on
    if seen_on > on:
        why = f"{seen_on} lies ahead of today, {on}"
        raise InputRefused(f"Seen on {why}.", fields={"seen_on": f"{why}."})
    days.refuse_implausible(seen_on=seen_on)
    if len(one.link) > LONGEST_LINK:
        raise InputRefused(
            f"The link has {len(one.link)} characters; at most {LONGEST_LINK} are kept.",
            fields={"link": f"At most {LONGEST_LINK} characters."},
        )
    text = one.text if one.text.strip() else one.title
    found = read_listing(catalogue, one.title[:LARGEST_RAW], text, on=seen_on)
    link, place = _link(one.link)
    price = one.price_cents
    if price is None and found.price is not None:
        price = found.price.cents
    model = ""
    if found.number is not None:
        model = f"{found.number.seen.make_id}|{found.number.seen.likely_number}"
    fault = "" if found.cause.cause == "unrelated" else found.cause.cause
    seen = Seen(f"{found.title}\n{found.text}", model, fault, price, link, place)
    return _Read(one, found, seen, seen_on, _link_key(link, place))


def _link(text: str) -> tuple[str, str]:
    """Return a link as it is compared, and the place it is of: a host, or "" for a bare id."""
    link = one_line(urldefrag(text.strip())[0] if "://" in text else text, most=LONGEST_LINK)
    return link, link.split("/")[2].lower() if link.count("/") >= 2 and "://" in link else ""


def _link_key(link: str, place: str) -> str:
    return hashlib.sha256(f"{place}|{link}".encode()).hexdigest() if link else ""


@dataclass
class _Known:
    """Listings a new one may be: by link, by text key, by model."""

    rows: dict[int, Listing] = field(default_factory=dict)
    seen: dict[int, Seen] = field(default_factory=dict)
    links: dict[str, int] = field(default_factory=dict)
    keys: dict[int, list[int]] = field(default_factory=lambda: defaultdict(list))
    models: dict[str, list[int]] = field(default_factory=lambda: defaultdict(list))

    def add(self, place: int, row: Listing, seen: Seen, keys: Iterable[int]) -> None:
        self.rows[place], self.seen[place] = row, seen
        if row.link_key:
            self.links[row.link_key] = place
        for key in keys:
            self.keys[key].append(place)
        if seen.model:
            self.models[seen.model].append(place)

    def candidates(self, one: _Read, keys: Iterable[int]) -> list[int]:
        found = {place for key in keys for place in self.keys.get(key, ())}
        found |= set(self.models.get(one.seen.model, ())[-MOST_OF_A_MODEL:])
        return sorted(found)


class _Adding:
    """Stores what one file or text brings. Its places: ids of stored rows, negative for new."""

    def __init__(
        self, workshop: Workshop, source: Listing.Source, member: Member | None, *, on: date
    ) -> None:
        self.workshop, self.source, self.member, self.on = workshop, source, member, on
        self.causes: Causes = known_causes()
        self.new: list[Listing] = []
        self.sightings: list[tuple[Listing, _Read, int | None]] = []
        self.changed: dict[int, Listing] = {}

    def add(self, read: Sequence[_Read]) -> list[Stored]:
        keys = [one.seen.keys for one in read]
        known = self._known(read, keys)
        stored = []
        for one, own in zip(read, keys, strict=True):
            place = self._same(known, one, own)
            if place is None:
                row = self._new(one)
                self.new.append(row)
                known.add(-len(self.new), row, one.seen, own)
                stored.append(Stored(row, True))
            else:
                stored.append(self._again(known.rows[place], one))
        self._save(known)
        return stored

    def _same(self, known: _Known, one: _Read, keys: list[int]) -> int | None:
        if one.link_key in known.links:
            return known.links[one.link_key]
        places = known.candidates(one, keys)
        # Two links of one file are two machines, both for sale at once.
        places = [p for p in places if p > 0 or not (one.seen.link and known.seen[p].link)]
        best = first_same(one.seen, [known.seen[place] for place in places])
        return None if best is None else places[best]

    def _known(self, read: Sequence[_Read], keys: Sequence[list[int]]) -> _Known:
        """Read what is stored and may be one of these: four queries for each 5,000 keys."""
        ids: set[int] = set()
        of_key: dict[int, list[int]] = defaultdict(list)
        for page in _pages(sorted({key for own in keys for key in own})):
            rows = ListingKey.of(self.workshop).filter(key__in=page)
            for listing, key in rows.order_by("id").values_list("listing_id", "key"):
                of_key[listing].append(key)
        ids |= set(of_key)
        for links in _pages(sorted({one.link_key for one in read} - {""})):
            ids |= set(self._ids(link_key__in=links))
        numbers = {one.seen.model.partition("|")[2] for one in read} - {""}
        for some in _pages(sorted(numbers)):
            ids |= set(self._ids(number_key__in=some))
        known = _Known()
        for page in _pages(sorted(ids)):
            for row in Listing.of(self.workshop).filter(pk__in=page).order_by("id"):
                known.add(row.pk, row, seen_of(row), of_key.get(row.pk, ()))
        return known

    def _ids(self, **which: Any) -> list[int]:
        rows = Listing.of(self.workshop).filter(**which).order_by("id")
        return list(rows.values_list("id", flat=True))

    def _new(self, one: _Read) -> Listing:
        row = Listing(
            workshop=self.workshop,
            source=self.source,
            text=one.offered.text if one.offered.text.strip() else one.offered.title,
            link=one.seen.link,
            link_key=one.link_key,
            seen_on=one.on,
            last_seen_on=one.on,
            expires_on=one.on + timedelta(days=self.workshop.listing_days),
            added_by=self.member,
            currency=one.offered.currency,
        )
        set_reading(row, one.found, self.causes)
        if one.offered.price_cents is not None:
            row.price_cents = row.price_low_cents = one.offered.price_cents
            row.currency = one.offered.currency or row.currency
        if row.price_cents is not None and not row.currency:
            row.currency = self.workshop.currency
        self.sightings.append((row, one, row.price_cents))
        return row

    def _again(self, row: Listing, one: _Read) -> Stored:
        before = row.price_cents
        news = one.seen.price is not None and one.seen.price != before and self._newest(row, one)
        if news:
            row.price_cents = one.seen.price
            low = one.found.price.low if one.found.price else None
            same = one.offered.price_cents is None and low is not None
            row.price_low_cents = low if same else one.seen.price
            row.currency = row.currency or self.workshop.currency
            row.stated = [one for one in row.stated if one != "price"]
        row.seen_on = min(row.seen_on, one.on)
        row.last_seen_on = max(row.last_seen_on, one.on)
        row.expires_on = max(row.expires_on, one.on + timedelta(days=self.workshop.listing_days))
        cheaper = news and before is not None and (row.price_cents or 0) < before
        back = row.state in (Listing.State.GONE, Listing.State.EXPIRED)
        if (back and self._newest(row, one)) or (row.state == Listing.State.DECLINED and cheaper):
            row.state, row.closed_on, row.why_closed = Listing.State.OPEN, None, ""
        if row.link_key == "" and one.link_key:
            row.link, row.link_key = one.seen.link, one.link_key
        if row.pk:
            self.changed[row.pk] = row
        self.sightings.append((row, one, one.seen.price))
        return Stored(row, False, before, news)

    @staticmethod
    def _newest(row: Listing, one: _Read) -> bool:
        return one.on >= row.last_seen_on

    def _save(self, known: _Known) -> None:
        """Write rows, sightings and keys, and record the news."""
        found = refs.next_refs(
            Listing.of(self.workshop),
            workshop_id=self.workshop.pk,
            prefix="L",
            count=len(self.new),
        )
        for row, ref in zip(self.new, found, strict=True):
            row.ref = ref
        Listing.objects.bulk_create(self.new, batch_size=200)
        bulk_save(self.changed.values(), _AGAIN)
        ListingSighting.objects.bulk_create(
            [self._sighting(*one) for one in self.sightings], batch_size=1000
        )
        own = [
            ListingKey(workshop=self.workshop, listing=row, key=key)
            for row, key in self._new_keys(known)
        ]
        ListingKey.objects.bulk_create(own, batch_size=2000)
        announce(self.workshop.pk, [row.pk for row in (*self.new, *self.changed.values())])

    def _sighting(self, row: Listing, one: _Read, price: int | None) -> ListingSighting:
        return ListingSighting(
            workshop=self.workshop,
            listing=row,
            seen_on=one.on,
            price_cents=price,
            currency=row.currency if price is not None else "",
            source=self.source,
            link=one.seen.link,
        )

    def _new_keys(self, known: _Known) -> Iterable[tuple[Listing, int]]:
        for key, places in known.keys.items():
            for place in places:
                if place < 0:
                    yield self.new[-place - 1], key


_AGAIN = (
    "price_cents",
    "price_low_cents",
    "currency",
    "seen_on",
    "last_seen_on",
    "expires_on",
    "state",
    "closed_on",
    "why_closed",
    "link",
    "link_key",
    "stated",
)


def _pages(values: Sequence[Any]) -> Iterable[Sequence[Any]]:
    starts = range(0, len(values), READ_KEYS_AT_ONCE)
    return (values[start : start + READ_KEYS_AT_ONCE] for start in starts)


def seen_of(row: Listing) -> Seen:
    """Return a stored listing as it is compared."""
    link, place = _link(row.link)
    model = f"{row.make_id}|{row.number_key}" if row.number_key else ""
    told = next((one for one in row.read.get("findings", []) if one["what"] == "cause"), None)
    cause = told["found"] if told and told["found"] != "unrelated" else ""
    return Seen(f"{row.title}\n{plain_text(row.text)}", model, cause, row.price_cents, link, place)


def announce(workshop_id: int, listing_ids: list[int]) -> None:
    """Record that listings are to be matched anew."""
    outbox.record_in_pages(
        events.LISTINGS_CHANGED,
        workshop_id=workshop_id,
        key="listing_ids",
        ids=listing_ids,
        page=MATCHED_AT_ONCE,
    )


def lock_listing(workshop: Workshop, ref: str) -> Listing:
    """Return the listing locked for writing, or raise NotFound. Needs a transaction."""
    rows = Listing.of(workshop).select_for_update(of=("self",))
    row: Listing | None = rows.select_related("make", "cause", "appliance").filter(ref=ref).first()
    if row is None:
        raise NotFound(f"There is no listing {ref} in this workshop.")
    return row


def refuse_if_closed(row: Listing) -> None:
    """Raise Conflict when the listing is no longer for sale, as far as is known here."""
    if not row.is_open:
        raise Conflict(f"Listing {row.ref} is {row.get_state_display()} already.")


@dataclass(frozen=True, slots=True)
class Correction:
    """What a person states in place of what was read. None leaves a value as it was read.

    model_number "" says that none is known; cause "" that nothing is known of it.
    """

    appliance: str | None = None
    make: str | None = None
    model_number: str | None = None
    cause: str | None = None
    price_cents: int | None = None
    built_from: date | None = None
    built_to: date | None = None
    collection_cents: int | None = None
    margin_percent: int | None = None
    clear_terms: bool = False

    @property
    def concerns_the_machine(self) -> bool:
        """Whether which jobs it may serve can change by it: not by price or terms."""
        said = (self.appliance, self.make, self.model_number, self.cause)
        return any(one is not None for one in (*said, self.built_from, self.built_to))


@transaction.atomic
def correct_listing(
    *, workshop: Workshop, ref: str, correction: Correction, catalogue: Catalogue | None = None
) -> Listing:
    """Set what a person states; it is never read over.

    Waiting jobs are matched anew where it concerns the machine. Raises NotFound, Conflict when it
    is closed, InputRefused by field.
    """
    row = lock_listing(workshop, ref)
    refuse_if_closed(row)
    stated = set(row.stated)
    if correction.appliance is not None:
        if correction.appliance not in plates.appliance_slugs():
            raise InputRefused(
                f"The appliance {correction.appliance!r} is not known.",
                fields={"appliance": "Choose one of the known appliances."},
            )
        if correction.appliance != row.appliance_id:
            row.appliance_id = correction.appliance
            row.cause = None
            stated |= {"appliance"}
    if correction.model_number is not None or correction.make is not None:
        _state_model(row, correction, catalogue or Catalogue.load(workshop))
        stated |= {"model"}
    if correction.cause is not None:
        row.cause = find_cause(row.appliance_id or "", correction.cause)
        stated |= {"cause"}
    if correction.price_cents is not None:
        row.price_cents = row.price_low_cents = correction.price_cents
        row.currency = row.currency or workshop.currency
        stated |= {"price"}
    if correction.built_from or correction.built_to:
        plates.check_built(Plate(built_from=correction.built_from, built_to=correction.built_to))
        row.built_from, row.built_to = correction.built_from, correction.built_to
        stated |= {"built"}
    _set_terms(row, correction)
    row.stated = sorted(stated)
    row.save()
    if correction.concerns_the_machine:
        announce(workshop.pk, [row.pk])
    return row


def _state_model(row: Listing, correction: Correction, catalogue: Catalogue) -> None:
    """Set make and model as a person says they are. Raises InputRefused by field."""
    text = correction.model_number
    number = row.model_number if text is None else text.strip()
    if number:
        plates.check_number(number, may_be_blank=False)
    make_text = row.make_as_read if correction.make is None else correction.make
    make = plates.find_make(catalogue, make_text)
    for name, value in plates.recognised_columns(catalogue.recognise(number, make=make)).items():
        setattr(row, name, value)
    row.make_as_read, row.model_number = make_text.strip()[:80], number
    row.confirmed = bool(number)


def _set_terms(row: Listing, correction: Correction) -> None:
    if correction.clear_terms:
        row.collection_cents = row.margin_percent = None
    if correction.collection_cents is not None:
        row.collection_cents = correction.collection_cents
    if correction.margin_percent is not None:
        if not 0 <= correction.margin_percent <= 100:
            raise InputRefused(
                f"A margin of {correction.margin_percent} % cannot be.",
                fields={"margin_percent": "Between 0 and 100."},
            )
        row.margin_percent = correction.margin_percent


@transaction.atomic
def read_again(*, workshop: Workshop, ref: str, on: date) -> Listing:
    """Read a listing's text anew with what is known now; what a person stated stays."""
    row = lock_listing(workshop, ref)
    refuse_if_closed(row)
    found = read_listing(Catalogue.load(workshop), row.title, row.text, on=row.seen_on)
    _set_again(row, found, known_causes())
    row.save()
    announce(workshop.pk, [row.pk])
    return row


def ask_to_read_unrecognised(workshop_id: int) -> None:
    """Have the listings for sale whose model is not a known one read again, page by page.

    Called when numbers came in. Those that wait to be read already are not asked for twice, so
    that thirty numbers typed one after the other do not mean thirty readings. Needs a transaction.
    """
    rows = Listing.of(workshop_id).filter(state=Listing.State.OPEN, recognised__isnull=True)
    ids = list(rows.filter(confirmed=False).order_by("id").values_list("id", flat=True))
    waiting = OutboxEvent.of(workshop_id).filter(
        kind=events.LISTINGS_UNREAD, done_at__isnull=True, dead_at__isnull=True
    )
    asked = {pk for one in waiting.values_list("payload", flat=True) for pk in one["listing_ids"]}
    outbox.record_in_pages(
        events.LISTINGS_UNREAD,
        workshop_id=workshop_id,
        key="listing_ids",
        ids=[pk for pk in ids if pk not in asked],
        page=READ_AT_ONCE,
    )


def read_unrecognised(workshop_id: int, ids: Iterable[int]) -> list[int]:
    """Read these listings by the numbers known now; returns those whose model is another now.

    What a person stated stays, and so does what was asked. Needs a transaction.
    """
    rows = (
        Listing.of(workshop_id)
        .select_for_update(of=("self",))
        .filter(
            pk__in=list(ids), state=Listing.State.OPEN, recognised__isnull=True, confirmed=False
        )
    )
    catalogue, causes = Catalogue.load(workshop_id), known_causes()
    changed = []
    for row in rows.select_related("make").order_by("id"):
        before = [getattr(row, name) for name in _MODEL]
        found = read_listing(catalogue, row.title, row.text, on=row.seen_on)
        _set_again(row, found, causes)
        if before != [getattr(row, name) for name in _MODEL]:
            row.save()
            changed.append(row.pk)
    announce(workshop_id, changed)
    return changed


_MODEL = ("make_id", "recognised_id", "likely_number", "family", "certainty", "appliance_id")


def _set_again(row: Listing, found: Reading, causes: Causes) -> None:
    price = row.price_cents, row.price_low_cents, row.currency
    set_reading(row, found, causes)
    row.price_cents, row.price_low_cents, row.currency = price  # the newest sighting's


@transaction.atomic
def close_listing(
    *, workshop: Workshop, ref: str, state: Listing.State, on: date, why: str = ""
) -> Listing:
    """Note that a listing is gone or not worth it. Raises NotFound, Conflict, InputRefused."""
    if state not in (Listing.State.GONE, Listing.State.DECLINED):
        raise InputRefused("A listing is closed as gone or as not worth it.")
    row = lock_listing(workshop, ref)
    refuse_if_closed(row)
    row.state, row.closed_on, row.why_closed = state, max(on, row.seen_on), why.strip()[:200]
    row.save(update_fields=["state", "closed_on", "why_closed"])
    announce(workshop.pk, [row.pk])
    return row


@transaction.atomic
def reopen_listing(*, workshop: Workshop, ref: str, on: date) -> Listing:
    """Take back that a listing is closed. A bought one stays. Raises NotFound, Conflict."""
    row = lock_listing(workshop, ref)
    if row.is_open or row.state == Listing.State.BOUGHT:
        raise Conflict(f"Listing {ref} is {row.get_state_display()}.")
    row.state, row.closed_on, row.why_closed = Listing.State.OPEN, None, ""
    row.expires_on = max(row.expires_on, on + timedelta(days=workshop.listing_days))
    row.save(update_fields=["state", "closed_on", "why_closed", "expires_on"])
    announce(workshop.pk, [row.pk])
    return row


def expire_listings(*, now: datetime) -> int:
    """Close listings whose time is over. Returns how many; each once, however often it runs."""
    on = timezone.localdate(now)
    due = Listing.objects.unscoped().filter(state=Listing.State.OPEN, expires_on__lt=on)
    closed = 0
    for workshop_id in list(due.order_by().values_list("workshop_id", flat=True).distinct()):
        with transaction.atomic():
            rows = due.filter(workshop=workshop_id).select_for_update(of=("self",))
            ids = list(rows.order_by("id").values_list("id", flat=True)[:EXPIRED_AT_ONCE])
            Listing.of(workshop_id).filter(pk__in=ids).update(
                state=Listing.State.EXPIRED, closed_on=on
            )
            announce(workshop_id, ids)
            closed += len(ids)
    return closed


@transaction.atomic
def set_terms(
    *, workshop: Workshop, days_kept: int, collection_cents: int, margin_percent: int
) -> None:
    """Set a workshop's usual terms for listings. Raises InputRefused by field."""
    faults = {}
    if not 1 <= days_kept <= 365:
        faults["days_kept"] = "Between 1 and 365 days."
    if not 0 <= margin_percent <= 100:
        faults["margin_percent"] = "Between 0 and 100."
    if faults:
        raise InputRefused("Those terms cannot be.", fields=faults)
    workshop.listing_days = days_kept
    workshop.listing_collection_cents = collection_cents
    workshop.listing_margin_percent = margin_percent
    workshop.save(
        update_fields=["listing_days", "listing_collection_cents", "listing_margin_percent"]
    )
