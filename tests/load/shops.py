"""What the driver needs to know of each workshop, read from the database before it starts."""

import random
from datetime import timedelta
from importlib import import_module

from django.conf import settings
from django.contrib.auth import BACKEND_SESSION_KEY, HASH_SESSION_KEY, SESSION_KEY
from django.utils import timezone

from donors.models import Donor
from matching.models import Job, Match, Need
from parts.models import AVAILABLE, Part, PartKind
from parts.reference import kinds
from tests.load.driving import Machine, Shop
from workshop.access import api_tokens
from workshop.models import Member, OutboxEvent, User, Workshop

MACHINES, DONORS, PAIRS = 40, 60, 40


def any_there() -> bool:
    return Workshop.objects.exists()


def sizes() -> str:
    counts = {
        "workshops": Workshop.objects.count(),
        "parts": Part.objects.unscoped().count(),
        "donors": Donor.objects.unscoped().count(),
        "needs": Need.objects.unscoped().count(),
        "matches": Match.objects.unscoped().count(),
    }
    return ", ".join(f"{count:,} {what}" for what, count in counts.items())


def open_events() -> int:
    rows = OutboxEvent.objects.unscoped()
    return int(rows.filter(done_at__isnull=True, dead_at__isnull=True).count())


def read_all(rng: random.Random) -> list[Shop]:
    """Return every workshop, its member signed in."""
    return [
        _shop(workshop, Member.of(workshop).select_related("user").first(), rng)
        for workshop in Workshop.objects.order_by("id")
    ]


def _shop(workshop: Workshop, member: Member, rng: random.Random) -> Shop:
    needs = list(Need.of(workshop).filter(state="open").select_related("job__make", "kind"))
    rng.shuffle(needs)
    donors = list(Donor.of(workshop).values_list("ref", flat=True)[:2000])
    _, token = api_tokens.make_token(
        member=member, name="load", scope="all", now=timezone.now(), lasts=timedelta(days=2)
    )
    return Shop(
        token=token,
        session=_session(member.user),
        machines=[_machine(need) for need in needs[:MACHINES]],
        donors=rng.sample(donors, min(DONORS, len(donors))),
        jobs=[need.job.ref for need in needs[:MACHINES]],
        pairs=_pairs(workshop, needs, rng),
    )


def _machine(need: Need) -> Machine:
    job: Job = need.job
    told = need.kind.reuse == PartKind.Reuse.GOOD
    return Machine(
        appliance=job.appliance_id,
        make=job.make.name if job.make else "",
        number=job.model_number,
        kind=need.kind_id,
        kind_name=kinds()[need.kind_id].name,
        job=job.ref if told else "",
    )


def _pairs(workshop: Workshop, needs: list[Need], rng: random.Random) -> list[tuple[int, str]]:
    """Return needs with a part of their kind each that may be held and fitted for them."""
    free = [need for need in needs if need.kind.reuse == PartKind.Reuse.GOOD]
    refs: dict[str, list[str]] = {}
    rows = Part.of(workshop).filter(
        kind__in={need.kind_id for need in free},
        state__in=AVAILABLE,
        holds__isnull=True,
        donor__cause__spoils_parts=False,
    )
    for kind, ref in rows.values_list("kind_id", "ref"):
        refs.setdefault(kind, []).append(ref)
    for those in refs.values():
        rng.shuffle(those)
    # Never the needs whose machines come in: those must stay open to be told of.
    last = free[MACHINES:] or free
    return [(need.pk, refs[need.kind_id].pop()) for need in last[:PAIRS] if refs.get(need.kind_id)]


def _session(user: User) -> str:
    store = import_module(settings.SESSION_ENGINE).SessionStore()
    store[SESSION_KEY] = str(user.pk)
    store[BACKEND_SESSION_KEY] = settings.AUTHENTICATION_BACKENDS[0]
    store[HASH_SESSION_KEY] = user.get_session_auth_hash()
    store.create()
    return str(store.session_key)
