"""How often a secret may be guessed: counted in rows of the database, by atomic UPDATEs.

A try is taken before the secret is looked at and given back when it was right, so that however
many guesses arrive at once, no more than the limit are looked at. The count begins anew only after
QUIET without a try that counted: within any QUIET no more than the limit get through.
"""

import hashlib
import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import F

from workshop.dispatcher import sweeps
from workshop.models import Tries

QUIET = timedelta(minutes=15)  # with MOST, as the reliability plan asks
MOST = 10  # wrong tries on one name, by everybody together
MOST_OF_ADDRESS = 100  # on all names from one address: a whole workshop may sit behind one


def key_of(*what: object) -> str:
    """Return the key of a count. A typed name may be a password in the wrong field: keyed hash."""
    text = "\x1f".join(str(one) for one in what)
    key = settings.SECRET_KEY.encode()
    return hmac.new(key, b"tries " + text.encode("utf-8", "replace"), hashlib.sha256).hexdigest()


def take(key: str, *, now: datetime, most: int = MOST) -> bool:
    """Take one try. Returns False when all are used up."""
    rows = Tries.objects.filter(key=key)
    while True:
        if rows.filter(last_at__lte=now - QUIET).update(tries=1, last_at=now):
            return True
        if rows.filter(tries__lt=most).update(tries=F("tries") + 1, last_at=now):
            return True
        if rows.exists():
            return False
        try:
            with transaction.atomic():
                Tries.objects.create(key=key, tries=1, last_at=now)
            return True
        except IntegrityError:
            continue  # somebody else was first: theirs is there now


@dataclass(frozen=True)
class Purse:
    """One count a try is taken from. kind: in a word, of what (for the log)."""

    kind: str
    key: str
    most: int = MOST


def purse_of(kind: str, what: object, most: int = MOST) -> Purse:
    return Purse(kind, key_of(kind, what), most)


def take_all(purses: Sequence[Purse], *, now: datetime) -> str:
    """Take one try from each, or from none. Returns the kind of the one that is empty, else "".

    Looked at first, so that a count is not even kept from beginning anew by tries that another
    count refuses.
    """
    empty = _first_empty(purses, now)
    if empty:
        return empty
    for at, purse in enumerate(purses):
        if not take(purse.key, now=now, most=purse.most):
            for taken in purses[:at]:
                give_back(taken.key)
            return purse.kind
    return ""


def _first_empty(purses: Sequence[Purse], now: datetime) -> str:
    for purse in purses:
        rows = Tries.objects.filter(key=purse.key, tries__gte=purse.most)
        if rows.filter(last_at__gt=now - QUIET).exists():
            return purse.kind
    return ""


def give_back(key: str) -> None:
    """Give back a try that turned out right."""
    Tries.objects.filter(key=key, tries__gt=0).update(tries=F("tries") - 1)


@sweeps
def forget_old(now: datetime) -> int:
    """Remove counts that would begin anew anyway. Returns how many."""
    gone, _ = Tries.objects.filter(last_at__lt=now - 2 * QUIET).delete()
    return int(gone)
