"""Store matches and tell people of new ones. Runs in the dispatcher's transaction only.

The row of a workshop is locked while one of its events is handled (dispatcher.py), so two
handlers never write scores of the same pair, and what is read here is committed.
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from functools import cached_property
from typing import Any

from django.db.models import Max, QuerySet
from django.utils import timezone

from matching import events, follow_ups, gather, holds, inbox, sharing
from matching.asking import Asked
from matching.candidates import Tiers, needs_far, needs_near
from matching.domain.sides import Row
from matching.memory import OFFER, Fixed
from matching.models import Alert, Job, Match, Need
from matching.recipients import Recipients
from matching.searching import KEPT_PER_NEED, Offered, Searcher, preference
from parts.models import AVAILABLE, Part
from parts.stock import StockPart, read_stock
from workshop import outbox
from workshop.models import Member, Workshop

PAIRS_AT_ONCE = 100  # of one arrival; the rest follow as events of their own


@dataclass(frozen=True)
class Pair:
    """A need and a part offered to it."""

    need: Need
    offered: Offered

    @cached_property
    def reasons(self) -> list[dict[str, object]]:
        return reasons(self.offered)


def open_needs(workshop_id: int, **which: object) -> list[Need]:
    """Return open needs of open jobs with what the engine reads, oldest first."""
    rows = Need.of(workshop_id).filter(state=Need.State.OPEN, job__state=Job.State.OPEN, **which)
    return list(rows.select_related("job__make", "job__technician", "kind").order_by("id"))


class Tell(Enum):
    """Whom a round of matching tells. Nobody is ever told twice of one arrival and need."""

    EACH_ARRIVAL = "every need an arrival may serve"
    EACH_ARRIVAL_IF_NEWS = "every need it may serve and was not offered to before"
    BEST_IF_NEWS = "a need's best part, when it was not offered before"


Ids = tuple[int, int]  # need, part


def match_parts(workshop_id: int, part_ids: Iterable[int], *, now: datetime, arrived: bool) -> None:
    """Match parts that arrived or changed against the open needs their keys find.

    arrived: they have just come in. Then every waiting need is told, even where a search for
    that need came first and stored the match without telling of it.
    The needs with the strongest keys are matched at once, the others in events that follow, so
    that an arrival which serves thousands holds nobody up; none is left out. Where the strong
    keys fill what is matched at once, the weak ones are looked up in an event too (far.py).
    """
    parts = read_stock(workshop_id, list(part_ids))
    gone = [pk for pk, part in parts.items() if not part.can_be_had]
    there = {pk: part for pk, part in parts.items() if part.can_be_had}
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    tell = Tell.EACH_ARRIVAL if arrived else Tell.EACH_ARRIVAL_IF_NEWS
    known = Match.of(workshop_id).filter(part__in=list(there))
    near = look_up(searcher, list(there.values()), needs_near)
    found = needs_found(near)
    far_left = sum(map(len, found)) >= PAIRS_AT_ONCE
    if far_left:
        found = _with_their_like(found, there)
        _look_far_later(workshop_id, tell, parts=list(there))
    else:
        found = needs_found(near, look_up(searcher, list(there.values()), needs_far))
    first, *later = pages(found)
    match_later(workshop_id, later, tell)
    deferred = {pair for page in later for pair in page}
    if far_left:
        deferred = set(known.order_by().values_list("need_id", "part_id")) - set(first)
    pairs = _scored(searcher, there, first)
    _store(workshop_id, pairs, known, now=now, tell=tell, spared=deferred)
    follow_ups.tell_of_failures(workshop_id, [parts[pk] for pk in gone], now=now)
    if not arrived:
        follow_ups.tell_of_back(workshop_id, there.values(), now=now)
        follow_ups.tell_of_proved(workshop_id, there.values(), now=now)
    Match.of(workshop_id).filter(part__in=gone).delete()
    holds.end_for_gone_parts(workshop_id=workshop_id, part_ids=gone, now=now)


Look = Callable[[int, Mapping[int, Asked], Mapping[int, str]], Tiers]


def look_up(searcher: Searcher, parts: Sequence[StockPart], look: Look) -> Tiers:
    """Return the needs that the keys of parts find: by which part, in which tier."""
    if not parts:
        return {}
    asked = dict(zip((p.pk for p in parts), searcher.keys_of(parts), strict=True))
    places = {part.pk: part.donor.appliance_id if part.donor else "" for part in parts}
    return look(searcher.workshop_id, asked, places)


def needs_found(*looked_up: Tiers) -> list[list[Ids]]:
    """Return the pairs worth scoring, a list for each need, strongest keys first."""
    found: dict[int, dict[int, int]] = defaultdict(dict)
    for one in looked_up:
        for need, tiers in one.items():
            found[need] = tiers | found[need]
    order = sorted(found, key=lambda need: (min(found[need].values()), need))
    return [[(need, part) for part in sorted(found[need])] for need in order]


def _with_their_like(found: list[list[Ids]], parts: Mapping[int, StockPart]) -> list[list[Ids]]:
    """Add to each need all parts of its kind that came with those found for it.

    The best of an arrival's parts is told of: those that only weak keys would find belong to
    the same page.
    """
    alike: dict[tuple[str, int | None], list[int]] = defaultdict(list)
    for pk in sorted(parts):
        alike[parts[pk].kind_id, parts[pk].donor_id].append(pk)
    whole = []
    for pairs in found:
        kin = {(parts[part].kind_id, parts[part].donor_id) for _, part in pairs}
        whole.append([(pairs[0][0], pk) for pk in sorted({pk for one in kin for pk in alike[one]})])
    return whole


def pages(by_need: list[list[Ids]]) -> list[list[Ids]]:
    """Return pages of about PAIRS_AT_ONCE pairs, at least one page.

    The pairs of one need stay together: the best of an arrival's parts is told of, once.
    """
    pages: list[list[Ids]] = [[]]
    for pairs in by_need:
        if len(pages[-1]) >= PAIRS_AT_ONCE:
            pages.append([])
        pages[-1] += pairs
    return pages


def match_later(workshop_id: int, later: Iterable[list[Ids]], tell: Tell) -> None:
    """Have each page of pairs matched in an event of its own."""
    payloads = [{"pairs": page, "tell": tell.name} for page in later if page]
    outbox.record_all(events.PAIRS_FOUND, workshop_id=workshop_id, payloads=payloads)


def _look_far_later(
    workshop_id: int, tell: Tell, *, parts: Collection[int] = (), needs: Collection[int] = ()
) -> None:
    payload = {"part_ids": sorted(parts), "need_ids": sorted(needs), "tell": tell.name}
    outbox.record(events.FAR_LEFT, workshop_id=workshop_id, payload=payload)


def match_pairs(
    workshop_id: int, ids: Iterable[Sequence[int]], *, now: datetime, tell: str
) -> None:
    """Match what the keys of an arrival or a need found and was left for later.

    Parts that are gone and needs that are closed since are passed over. Of a need that was
    searched for, a part is told of only when it is better than all that was found before.
    """
    # Each once: PostgreSQL refuses a statement that writes a row twice.
    pairs_asked = list(dict.fromkeys((need, part) for need, part in ids))
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    stored = read_stock(workshop_id, {part for _, part in pairs_asked})
    parts = {pk: part for pk, part in stored.items() if part.can_be_had}
    how = Tell[tell]
    fixed = [Fixed(part.kind_id, gather.offer_of(part), OFFER) for part in parts.values()]
    searcher.memory.read_for(fixed)
    pairs = _scored(searcher, parts, pairs_asked)
    needs = sorted({need for need, _ in pairs_asked})
    known = Match.of(workshop_id).filter(need__in=needs, part__in=list(parts))
    least: dict[int, float] = {}
    if how is Tell.BEST_IF_NEWS:
        best = Match.of(workshop_id).filter(need__in=needs).order_by()
        least = dict(best.values_list("need_id").annotate(Max("worth")))
    others = {(m.need_id, m.part_id) for m in known} - set(pairs_asked)
    _store(workshop_id, pairs, known, now=now, tell=how, spared=others, least=least)


def _scored(searcher: Searcher, parts: Mapping[int, StockPart], ids: Iterable[Ids]) -> list[Pair]:
    """Return the pairs worth keeping among these, as they are now."""
    wanted = [(need, part) for need, part in ids if part in parts]
    needs = {
        need.pk: need
        for need in open_needs(searcher.workshop_id, pk__in={need for need, _ in wanted})
    }
    pairs = [(needs[need], parts[part]) for need, part in wanted if need in needs]
    offers = searcher.offers([(part, gather.want_of(need)) for need, part in pairs])
    return [Pair(need, one) for (need, _), one in zip(pairs, offers, strict=True) if one.kept]


def match_needs(workshop_id: int, need_ids: Iterable[int], *, now: datetime) -> None:
    """Match needs against the stock their keys find. Only the best part is told of, if news."""
    needs = open_needs(workshop_id, pk__in=list(need_ids))
    searcher = Searcher(workshop_id, on=timezone.localdate(now))
    searched = searcher.search([(need.kind_id, gather.want_of(need)) for need in needs])
    pairs: list[Pair] = []
    left: list[list[Ids]] = []
    far_left: set[int] = set()
    for need, found in zip(needs, searched, strict=True):
        pairs += [Pair(need, one) for one in found.offered[:KEPT_PER_NEED]]
        left += [[(need.pk, part)] for part in found.left]
        if found.far_left:
            far_left.add(need.pk)
    match_later(workshop_id, pages(left), Tell.BEST_IF_NEWS)
    if far_left:
        _look_far_later(workshop_id, Tell.BEST_IF_NEWS, needs=far_left)
    ids = [need.pk for need in needs]
    known = Match.of(workshop_id).filter(need__in=ids)
    deferred = {pair for [pair] in left}
    if far_left:
        scored = {
            (need.pk, pk)
            for need, found in zip(needs, searched, strict=True)
            for pk in found.scored
        }
        rows = known.filter(need__in=far_left).order_by().values_list("need_id", "part_id")
        deferred |= set(rows) - scored
    _store(workshop_id, pairs, known, now=now, tell=Tell.BEST_IF_NEWS, spared=deferred, locked=ids)
    Need.of(workshop_id).filter(pk__in=ids).update(searched_at=now)


def _store(
    workshop_id: int,
    pairs: list[Pair],
    known: QuerySet[Match],
    *,
    now: datetime,
    tell: Tell,
    spared: Collection[Ids] = (),
    locked: Iterable[int] = (),
    least: Mapping[int, float] | None = None,
) -> None:
    """Write the matches, drop those no longer found, and tell of those that are new.

    known: the matches these replace, but for those spared. locked: needs to lock beside the
    pairs' own. least: by need, what a match must be worth to be told of.
    """
    pairs = _still_wanted(workshop_id, pairs, locked)
    rows = list(known.only("need_id", "part_id", "p_fit"))
    told_before = {(match.need_id, match.part_id): match.p_fit for match in rows}
    found = {(pair.need.pk, pair.offered.part.pk) for pair in pairs}
    lost = [m.pk for m in rows if (m.need_id, m.part_id) not in found | set(spared)]
    Match.of(workshop_id).filter(pk__in=lost).delete()
    if lost or found:
        sharing.note_touched(workshop_id)
    Match.objects.bulk_create(
        [_match(workshop_id, pair, now) for pair in pairs],
        update_conflicts=True,
        unique_fields=["need", "part"],
        update_fields=[
            "verdict",
            "score_bits",
            "p_fit",
            "p_good",
            "worth",
            "reasons",
            "scored_at",
        ],
        batch_size=200,
    )
    better = [p for p in pairs if p.offered.worth > (least or {}).get(p.need.pk, -1.0)]
    _tell(workshop_id, better, told_before, now=now, tell=tell)


def _still_wanted(workshop_id: int, pairs: list[Pair], need_ids: Iterable[int]) -> list[Pair]:
    """Lock the parts, then the needs (these and the pairs'), and drop pairs that are void.

    A part may have been sold, or a need closed, since the pairs were read (see holds.py).
    """
    part_ids = {pair.offered.part.pk for pair in pairs}
    parts = _locked(Part.of(workshop_id).filter(pk__in=part_ids, state__in=AVAILABLE))
    rows = Need.of(workshop_id).filter(pk__in={*need_ids, *(pair.need.pk for pair in pairs)})
    needs = _locked(rows.filter(state=Need.State.OPEN))
    return [pair for pair in pairs if pair.offered.part.pk in parts and pair.need.pk in needs]


def _locked(rows: QuerySet[Any]) -> set[int]:
    """Lock rows in the order of their ids and return the ids."""
    locked = rows.select_for_update(no_key=True).order_by("id")
    return set(locked.values_list("id", flat=True))


def _match(workshop_id: int, pair: Pair, now: datetime) -> Match:
    one = pair.offered
    return Match(
        workshop_id=workshop_id,
        need=pair.need,
        part_id=one.part.pk,
        verdict=one.score.verdict,
        score_bits=one.score.bits,
        p_fit=one.score.p_fit,
        p_good=one.condition.p_good,
        worth=one.worth,
        reasons=pair.reasons,
        scored_at=now,
    )


def reasons(one: Offered) -> list[dict[str, object]]:
    """Return the rows of an explanation as stored and sent: the score's, then the condition."""
    rows = [row.as_dict() for row in one.score.rows]
    condition = Row("condition", "", 0.0, "", "", one.condition.because)
    return [*rows, {**condition.as_dict(), "p_good": one.condition.p_good}]


def _tell(
    workshop_id: int,
    pairs: list[Pair],
    told_before: dict[tuple[int, int], float],
    *,
    now: datetime,
    tell: Tell,
) -> None:
    """Write an inbox row for each (recipient, arrival, need) that is new.

    An arrival brings several parts that may serve one need: the best of them is told.
    The unique constraint makes a repeat impossible, however often an event is handled.
    """
    least = Workshop.objects.get(pk=workshop_id).alert_from_p_fit
    best: dict[tuple[int, object], Pair] = {}
    for pair in sorted(pairs, key=lambda pair: preference(pair.offered)):
        one = pair.offered
        if one.score.p_fit >= least and one.condition.p_good > 0:
            arrival = None if tell is Tell.BEST_IF_NEWS else one.part.arrival
            best.setdefault((pair.need.pk, arrival), pair)
    news = [
        pair
        for pair in best.values()
        if tell is Tell.EACH_ARRIVAL or _known_p(pair, told_before) < least
    ]
    if not news:
        return
    recipients = Recipients(workshop_id)
    alerts = [_alert(who, pair, now) for pair in news for who in recipients.of(pair.need.job)]
    inbox.write(alerts)


def _known_p(pair: Pair, told_before: dict[tuple[int, int], float]) -> float:
    """Return P(fit) of a pair as it was stored before; 0 when it was not."""
    return told_before.get((pair.need.pk, pair.offered.part.pk), 0.0)


def _alert(member: Member, pair: Pair, now: datetime) -> Alert:
    one = pair.offered
    return Alert(
        workshop_id=pair.need.workshop_id,
        recipient=member,
        job=pair.need.job,
        arrival=one.part.arrival,
        need=pair.need,
        part_id=one.part.pk,
        summary=_summary(pair),
        verdict=one.score.verdict,
        p_fit=one.score.p_fit,
        p_good=one.condition.p_good,
        reasons=pair.reasons,
        told_at=now,
    )


def _summary(pair: Pair) -> str:
    """Return the line a technician reads: which part, where it is, for which job."""
    one, need = pair.offered, pair.need
    place = f"donor {one.part.donor.ref}" if one.part.donor else "stock"
    if one.part.state == Part.State.IN_MACHINE:
        where = f"in {place}, not stripped yet"
    else:
        where = f"from {place}, {'bin ' + one.part.bin if one.part.bin else 'no bin yet'}"
    kind = need.kind.name + (f" ({need.position})" if need.position else "")
    return f"{need.job.ref}: {kind} {where} - {one.score.verdict.label}"[:300]
