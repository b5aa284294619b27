"""Look up the weak keys of parts and needs whose strong keys filled what is matched at once.

Seen or fitted elsewhere, named by a rule, agreeing in an attribute: such keys may find a good
part of all there is of a kind, and hardly ever what a strong key did not find before. An arrival
or a search does not wait for them. Runs in the dispatcher's transaction only (matcher.py).
"""

from collections.abc import Collection
from datetime import datetime

from django.utils import timezone

from matching import gather
from matching.asking import keys_for
from matching.candidates import needs_far, needs_near, parts_far, parts_near
from matching.matcher import Ids, Tell, look_up, match_later, needs_found, open_needs, pages
from matching.memory import WANT, Fixed
from matching.models import Match
from matching.searching import Searcher
from parts.stock import read_stock


def match_far(
    workshop_id: int, *, part_ids: list[int], need_ids: list[int], tell: str, now: datetime
) -> None:
    """Have what only weak keys find matched in events that follow, whole needs together.

    Stored matches of these parts or needs that no key finds any more are dropped.
    """
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    for look, ids, column in ((_needs, part_ids, "part"), (_parts, need_ids, "need")):
        near, far = look(searcher, ids) if ids else ([], [])
        match_later(workshop_id, pages(far), Tell[tell])
        _drop_lost(workshop_id, column, ids, {pair for pairs in near + far for pair in pairs})


Found = tuple[list[list[Ids]], list[list[Ids]]]  # by strong keys, by weak ones alone


def _needs(searcher: Searcher, part_ids: list[int]) -> Found:
    """Return the needs of parts. One that a strong key found is matched with all its parts."""
    stored = read_stock(searcher.workshop_id, part_ids)
    parts = [part for part in stored.values() if part.can_be_had]
    near = needs_found(look_up(searcher, parts, needs_near))
    known = {pairs[0][0] for pairs in near}
    found = needs_found(look_up(searcher, parts, needs_far))
    far = [pairs for pairs in found if pairs[0][0] not in known]
    return near + [pairs for pairs in found if pairs[0][0] in known], far


def _parts(searcher: Searcher, need_ids: list[int]) -> Found:
    """Return the parts for needs, a list for each pair."""
    needs = open_needs(searcher.workshop_id, pk__in=need_ids)
    fixed = [Fixed(need.kind_id, gather.want_of(need), WANT) for need in needs]
    ids = [need.pk for need in needs]
    asked = dict(zip(ids, keys_for(searcher.memory, fixed), strict=True))
    places = dict(zip(ids, (one.side.machine.appliance for one in fixed), strict=True))
    near, far = (
        [
            (need, part)
            for need, parts in look(searcher.workshop_id, asked, places).items()
            for part in parts
        ]
        for look in (parts_near, parts_far)
    )
    known = set(near)
    return [[pair] for pair in near], [[pair] for pair in far if pair not in known]


def _drop_lost(workshop_id: int, column: str, ids: Collection[int], found: Collection[Ids]) -> None:
    rows = Match.of(workshop_id).filter(**{f"{column}__in": ids}).order_by()
    stored = rows.values_list("id", "need_id", "part_id")
    lost = [pk for pk, *pair in stored if tuple(pair) not in found]
    Match.of(workshop_id).filter(pk__in=lost).delete()
