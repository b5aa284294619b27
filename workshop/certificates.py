"""Certificates of members: who may do the work that not everybody may."""

from datetime import date

from django.db import IntegrityError, models, transaction
from django.db.models import QuerySet

from workshop import days
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.models import LICENCES, Certificate, Member, Workshop


def list_certificates(workshop: Workshop) -> "QuerySet[Certificate]":
    """Return all certificates of a workshop, by member and kind, the longest valid first."""
    rows = Certificate.of(workshop).select_related("member__user")
    return rows.order_by("member__user__username", "kind", "-valid_until", "id")


@transaction.atomic
def add_certificate(
    *, workshop: Workshop, member_id: int, kind: str, number: str, valid_until: date
) -> Certificate:
    """Put a member's certificate on record.

    Raises InputRefused by field, Conflict when it is on record already.
    """
    refused = {}
    holder = Member.of(workshop).filter(pk=member_id, active=True).first()
    if holder is None:
        refused["member"] = "Not an active member of this workshop."
    if kind not in dict(LICENCES):
        refused["kind"] = f"Choose one of: {', '.join(dict(LICENCES))}."
    if not number.strip():
        refused["number"] = "Give the number printed on the certificate."
    if refused:
        raise InputRefused(" ".join(refused.values()), fields=refused)
    days.refuse_implausible(valid_until=valid_until)
    try:
        with transaction.atomic():
            found: Certificate = Certificate.objects.create(
                workshop=workshop,
                member=holder,
                kind=kind,
                number=number.strip(),
                valid_until=valid_until,
            )
    except IntegrityError:
        raise Conflict(
            f"The certificate {number.strip()} of {holder} is on record already.",
            fields={"number": "On record already."},
        ) from None
    return found


@transaction.atomic
def remove_certificate(*, workshop: Workshop, certificate_id: int) -> None:
    """Take a certificate off the record. Raises NotFound, Conflict when work rests on it."""
    row = Certificate.of(workshop).filter(pk=certificate_id).first()
    if row is None:
        raise NotFound("There is no such certificate in this workshop.")
    try:
        row.delete()
    except models.ProtectedError:
        raise Conflict(
            f"Work on record rests on the certificate {row.number}; it stays. Once it has "
            "expired, it is refused by its date."
        ) from None


def certificate_for(
    workshop: Workshop, *, kind: str, certificate_id: int | None, on: date
) -> Certificate:
    """Return the named certificate when its holder may do this work on that day.

    Raises InputRefused: none named, none of this workshop, another kind, no longer a member, or
    expired (with the date).
    """
    words = dict(LICENCES)[kind]
    if certificate_id is None:
        raise _not_licensed(
            f"This step needs a certificate for {words}. Name the member of this workshop who "
            "holds it; without one leave it to a licensed person."
        )
    row = Certificate.of(workshop).filter(pk=certificate_id).select_related("member__user").first()
    if row is None:
        raise _not_licensed("There is no such certificate in this workshop.")
    if row.kind != kind:
        raise _not_licensed(f"{row} is not a certificate for {words}.")
    if not row.member.active:
        raise _not_licensed(f"{row.member} no longer works here.")
    if row.valid_until < on:
        raise _not_licensed(
            f"The certificate {row.number} of {row.member} expired on {row.valid_until}."
        )
    return row


def refuse_unknown(workshop: Workshop, certificate_id: int | None) -> None:
    """Raise InputRefused for a certificate this workshop has not got, needed or not."""
    if certificate_id is not None and not Certificate.of(workshop).filter(pk=certificate_id):
        raise _not_licensed("There is no such certificate in this workshop.")


def _not_licensed(why: str) -> InputRefused:
    return InputRefused(why, fields={"certificate": why})
