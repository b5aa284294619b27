"""Match listings against open needs, both ways, and tell those concerned. Dispatcher only.

The same keys and the same score as for a donor that is here. What is stored is ListingMatch;
nothing of it reaches stock, holds or figures.
"""

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from django.db.models import Q, QuerySet
from django.utils import timezone

from donors.models import Listing
from matching import gather, inbox, matcher
from matching.asking import Asked, keys_for
from matching.candidates import add_alike, needs_far, needs_near
from matching.domain.sides import Row
from matching.listings.expected import Expected, carried_by, expected_parts
from matching.memory import WANT, Fixed
from matching.models import Alert, ListingMatch, Need
from matching.recipients import Recipients
from matching.searching import Offered, Searcher, preference
from workshop import sql
from workshop.models import Workshop

MOST_NEEDS = 200  # needs a listing is scored for, strongest keys first
MOST_LISTINGS = 100  # listings a need is scored for, latest seen first
MOST_BITS = 40.0  # as sure as it gets (domain/odds.py)
LOADED = ("make", "cause", "appliance")


@dataclass(frozen=True, slots=True)
class _Found:
    """A need and the part of a listing for it. if_said: P(fit) if the model is as read."""

    need: Need
    listing: Listing
    offered: Offered
    if_said: float

    @property
    def p_fit(self) -> float:
        """P(fit) with the odds that the model is as read: what another model fits is not known.

        Where no model is read, nothing rests on one.
        """
        if not self.listing.number_key:
            return self.offered.score.p_fit
        return min(self.offered.score.p_fit, self.listing.certainty * self.if_said)

    @property
    def worth(self) -> float:
        return self.p_fit * self.offered.condition.p_good


def match_listings(workshop_id: int, listing_ids: Iterable[int], *, now: datetime) -> None:
    """Match listings that are new or changed; those that are closed serve nobody any more."""
    rows = Listing.of(workshop_id).filter(pk__in=list(listing_ids)).select_related(*LOADED)
    listings = [row for row in rows.order_by("id") if row.is_open]
    known = ListingMatch.of(workshop_id).filter(listing__in=list(listing_ids))
    kinds = _kinds_needed(workshop_id, listings)
    expected = expected_parts(listings, kinds=kinds)
    if not expected:
        known.delete()
        return
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    by_id = {one.part.pk: one for one in expected}
    parts = [one.part for one in expected]
    near = matcher.look_up(searcher, parts, needs_near)
    far = matcher.look_up(searcher, parts, needs_far)
    seen: dict[int, int] = defaultdict(int)
    pairs: list[tuple[int, Expected]] = []
    for page in matcher.needs_found(near, far):
        of_listing: dict[int, list[Expected]] = defaultdict(list)
        for _, part in page:
            of_listing[by_id[part].listing.pk].append(by_id[part])
        for listing, few in of_listing.items():
            seen[listing] += 1
            if seen[listing] <= MOST_NEEDS:
                pairs += [(page[0][0], one) for one in few]
    _score_and_store(searcher, pairs, known, now=now)


def match_needs(workshop_id: int, need_ids: Collection[int], *, now: datetime) -> None:
    """Match needs that opened or changed against the listings that are open."""
    known = ListingMatch.of(workshop_id).filter(need__in=list(need_ids))
    if not Listing.of(workshop_id).filter(state=Listing.State.OPEN).exists():
        known.delete()
        return
    needs = matcher.open_needs(workshop_id, pk__in=list(need_ids))
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    fixed = [Fixed(need.kind_id, gather.want_of(need), WANT) for need in needs]
    asked = dict(zip((n.pk for n in needs), keys_for(searcher.memory, fixed), strict=True))
    add_alike(Listing, workshop_id, asked)
    found = _listings_for(workshop_id, needs, asked)
    listings = {pk for ids in found.values() for pk in ids}
    rows = Listing.of(workshop_id).filter(pk__in=listings).select_related(*LOADED)
    expected = expected_parts(rows.order_by("id"), kinds={need.kind_id for need in needs})
    of: dict[tuple[int, str], list[Expected]] = defaultdict(list)
    for one in expected:
        of[one.listing.pk, one.part.kind_id].append(one)
    pairs = [
        (need.pk, one) for need in needs for pk in found[need.pk] for one in of[pk, need.kind_id]
    ]
    # The machines' side is read too: what is known of it comes by its own keys.
    searcher.keys_of([one.part for _, one in pairs])
    _score_and_store(searcher, pairs, known, now=now)


# One probe of an index for each kind: DISTINCT over the open needs would read all that wait.
_NEEDED = """
WITH kind (slug) AS (VALUES %s) SELECT slug FROM kind WHERE (
  SELECT 1 FROM matching_need
  WHERE workshop_id = %s AND kind_id = kind.slug AND state = 'open' LIMIT 1
) IS NOT NULL
"""


def _kinds_needed(workshop_id: int, listings: Sequence[Listing]) -> set[str]:
    """Return the kinds these machines carry that something open needs: two queries."""
    places = carried_by({row.appliance_id for row in listings if row.appliance_id}).values()
    carried = sorted({kind for few in places for kind, _ in few})
    if not carried:
        return set()
    found = sql.rows(_NEEDED, [(kind,) for kind in carried], workshop_id)
    return {kind for (kind,) in found}


def _listings_for(
    workshop_id: int, needs: Sequence[Need], asked: dict[int, Asked]
) -> dict[int, list[int]]:
    """Return the open listings each need's machine keys find, latest seen first: two queries."""
    which = Q()
    for one in asked.values():
        places = one.near | one.far
        which |= Q(make__in={m for m, _ in places}, family__in={f for _, f in places})
        which |= Q(make__in={m for m, _ in one.models}, number_key__in={n for _, n in one.models})
        for make, family in one.wide:
            wide = Q() if make is None else Q(make=make)
            which |= wide & (Q(pk__gt=0) if family is None else Q(family=family))
    rows = Listing.of(workshop_id).filter(which, state=Listing.State.OPEN)
    columns = ("id", "make_id", "family", "number_key", "appliance_id")
    listed = list(rows.order_by("-last_seen_on", "-id").values_list(*columns))
    carried = {
        appliance: {kind for kind, _ in places}
        for appliance, places in carried_by({row[-1] for row in listed} - {None}).items()
    }
    found: dict[int, list[int]] = {}
    for need in needs:
        one = asked[need.pk]
        ids = [
            pk
            for pk, make, family, number, appliance in listed
            if need.kind_id in carried.get(appliance, ())
            and appliance == need.job.appliance_id
            and _finds(one, make, family, number)
        ]
        found[need.pk] = ids[:MOST_LISTINGS]
    return found


def _finds(one: Asked, make: int | None, family: str, number: str) -> bool:
    if make is not None and ((make, family) in one.near | one.far or (make, number) in one.models):
        return True
    return any(
        (wide_make is None or wide_make == make) and (wide_family is None or wide_family == family)
        for wide_make, wide_family in one.wide
    )


def _score_and_store(
    searcher: Searcher,
    pairs: Sequence[tuple[int, Expected]],
    known: QuerySet[ListingMatch],
    *,
    now: datetime,
) -> None:
    """Score pairs, keep the best part of each listing for a need, and tell what is news."""
    workshop_id = searcher.workshop_id
    needs = {n.pk: n for n in matcher.open_needs(workshop_id, pk__in={pk for pk, _ in pairs})}
    wanted = [(needs[pk], one) for pk, one in pairs if pk in needs]
    as_read = searcher.offers([(one.part, gather.want_of(need)) for need, one in wanted])
    as_said = searcher.offers([(one.as_said, gather.want_of(need)) for need, one in wanted])
    best: dict[tuple[int, int], _Found] = {}
    for (need, one), offered, sure in zip(wanted, as_read, as_said, strict=True):
        place = (one.listing.pk, need.pk)
        if not offered.kept:
            continue
        if place not in best or preference(offered) < preference(best[place].offered):
            best[place] = _Found(need, one.listing, offered, sure.score.p_fit)
    lost = [
        pk
        for pk, listing, need in known.order_by("id").values_list("id", "listing_id", "need_id")
        if (listing, need) not in best
    ]
    ListingMatch.of(workshop_id).filter(pk__in=lost).delete()
    ListingMatch.objects.bulk_create(
        [_row(workshop_id, one, now) for one in best.values()],
        update_conflicts=True,
        unique_fields=["listing", "need"],
        update_fields=[
            "kind",
            "position",
            "verdict",
            "p_fit",
            "p_fit_if_said",
            "p_good",
            "worth",
            "reasons",
            "scored_at",
        ],
        batch_size=200,
    )
    _tell(workshop_id, list(best.values()), now)


def _row(workshop_id: int, one: _Found, now: datetime) -> ListingMatch:
    part = one.offered.part
    return ListingMatch(
        workshop_id=workshop_id,
        listing=one.listing,
        need=one.need,
        kind_id=part.kind_id,
        position=part.position,
        verdict=one.offered.score.verdict,
        p_fit=one.p_fit,
        p_fit_if_said=one.if_said,
        p_good=one.offered.condition.p_good,
        worth=one.worth,
        reasons=_reasons(one),
        scored_at=now,
    )


def _reasons(one: _Found) -> list[dict[str, object]]:
    """Return the rows of the score, led by one that says what the machine is known from."""
    bits = min(0.0, _bits(one.p_fit) - one.offered.score.bits)
    row = Row("listing", "", bits, one.listing.ref, "", _known_from(one.listing))
    return [row.as_dict(), *matcher.reasons(one.offered)]


def _bits(p: float) -> float:
    return math.log2(p / (1 - p)) if 0 < p < 1 else math.copysign(MOST_BITS, p - 0.5)


def _known_from(listing: Listing) -> str:
    said = f"{listing.ref} is not here: it is for sale elsewhere and known from its text alone. "
    if not listing.number_key:
        return f"{said}The text names no model number: what such a machine has is a guess."
    if listing.confirmed and listing.certainty >= 1:
        return f"{said}A person said that it is {listing.number_key}."
    odds = f"{listing.certainty:.0%}"
    return f"{said}It is read as {listing.number_key}; the odds that it is are {odds}."


def _tell(workshop_id: int, found: list[_Found], now: datetime) -> None:
    """Write an inbox row for each recipient, listing and need not told of yet."""
    least = Workshop.objects.get(pk=workshop_id).alert_from_p_fit
    news = [one for one in found if one.p_fit >= least and one.offered.condition.p_good > 0]
    if not news:
        return
    recipients = Recipients(workshop_id)
    alerts = [
        Alert(
            workshop_id=workshop_id,
            recipient=who,
            news=Alert.News.LISTING,
            about=f"listing {one.listing.pk} need {one.need.pk}",
            job=one.need.job,
            need=one.need,
            listing=one.listing,
            summary=_summary(one),
            verdict=one.offered.score.verdict,
            p_fit=one.p_fit,
            p_good=one.offered.condition.p_good,
            reasons=_reasons(one),
            told_at=now,
        )
        for one in news
        for who in recipients.of(one.need.job)
    ]
    inbox.write(alerts)


def _summary(one: _Found) -> str:
    need = one.need
    kind = need.kind.name + (f" ({need.position})" if need.position else "")
    return (
        f"{need.job.ref}: {kind} in a machine for sale elsewhere, {one.listing.ref}, not here - "
        f"{one.offered.score.verdict.label}"
    )[:300]
