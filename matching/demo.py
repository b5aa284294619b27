"""The demo workshops: loaded from the exchange files, then one more machine comes in."""

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from django.conf import settings
from django.db import transaction
from django.utils import timezone

from donors.listings.importing import import_file
from donors.models import Donor, Listing, Make, ModelNumber
from matching import alerts, demo_faults, demo_past, pattern_guesses, proposals, reminders
from matching.domain.echo.times import Way
from matching.echo import choices, webhooks
from matching.echo.choices import Choices, KindChoice
from matching.models import Alert, FaultCode, Job, LastAllocation, Outcome, WebhookEndpoint
from parts.exchange.donors import Donors
from parts.exchange.machines import plate_of
from parts.models import Interchange, Part, StepRecord, StripStep
from parts.services import take_in_donor
from workshop import certificates, dispatcher
from workshop.errors import InputRefused
from workshop.exchange import sheets
from workshop.exchange.reading import Row, read_file
from workshop.models import Certificate, Member, Role, User, Workshop
from workshop.startup import DEMO_PASSWORD

WORKSHOPS = {
    "millrace-lane": "Millrace Lane Appliance Workshop",
    "gannet-quay": "Gannet Quay Repairs",
}
# Invented people, one for each role at the first workshop, an owner at the other.
PEOPLE = {
    "millrace-lane": {
        "wren": ("Wren", Role.OWNER),
        "tarn": ("Tarn", Role.TECHNICIAN),
        "moss": ("Moss", Role.CATALOGUER),
        "sedge": ("Sedge", Role.REVIEWER),
    },
    "gannet-quay": {"skerry": ("Skerry", Role.OWNER)},
}
# In the order of dependence. A kind is loaded once: what people did since is left alone.
A_WHILE = timedelta(hours=1)  # longer than loading takes
FILES = {
    "makes": Make,
    "models": ModelNumber,
    "interchange": Interchange,
    "donors": Donor,
    "parts": Part,
    "outcomes": Outcome,
    "fault_codes": FaultCode,
    "jobs": Job,
}
# Codes are the same for both workshops: they trade in the same invented makes.
SHARED = {"fault_codes": "demo_fault_codes.csv"}

LISTING_FILES = ("listings.csv", "saved_feed.atom", "tip.eml")
SAVED_ON = date(2026, 11, 20)  # what the saved files say; loaded as of the day of loading

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Arrival:
    """A machine that came in before the viewer's eyes, and the alerts it set off."""

    donor: Donor
    told: tuple[Alert, ...]


def load(*, now: datetime, say: Say) -> Workshop:
    """Make both workshops, their people and their data. Safe to run again.

    Returns the first workshop. What is loaded stays as it is: a second run adds nothing.
    """
    for slug, name in WORKSHOPS.items():
        workshop = _workshop(slug, name)
        for username, (first_name, role) in PEOPLE[slug].items():
            _member(workshop, username, first_name, role)
        _load_files(workshop, settings.DEMO_DIR / slug, now=now, say=say)
        _load_strip_work(workshop, settings.DEMO_DIR / slug / "strip_work.csv", say=say)
        demo_faults.load_closed_jobs(
            workshop, settings.DEMO_DIR / slug / "closed_jobs.csv", say=say
        )
        _certify(workshop, now=now)
        _pass_alerts_on(workshop, now=now)
        _share_out(workshop)
    return Workshop.objects.get(slug=next(iter(WORKSHOPS)))


def _share_out(workshop: Workshop) -> None:
    """Work out once who gets what, as the next sweep would."""
    if LastAllocation.of(workshop).filter(made_at__isnull=False).exists():
        return
    proposals.work_out_now(workshop=workshop)
    dispatcher.drain()


def _workshop(slug: str, name: str) -> Workshop:
    found = Workshop.objects.filter(slug=slug).first()
    if found is not None and not found.is_demo:
        raise InputRefused(
            f"The workshop {slug} is here already and is not a demo. "
            "Run the demo on an empty database (set DATA_DIR to a new folder)."
        )
    return found or Workshop.objects.create(slug=slug, name=name, is_demo=True)


def _member(workshop: Workshop, username: str, first_name: str, role: Role) -> None:
    user, made = User.objects.get_or_create(username=username, defaults={"first_name": first_name})
    if made:
        user.set_password(DEMO_PASSWORD)
        user.save(update_fields=["password"])
    Member.of(workshop).get_or_create(user=user, defaults={"workshop": workshop, "role": role})


def _load_files(workshop: Workshop, folder: Path, *, now: datetime, say: Say) -> None:
    """Load the kinds that are not there yet, match, and settle the inboxes."""
    before = {kind: model.of(workshop).exists() for kind, model in FILES.items()}
    before["parts"] = Part.of(workshop).filter(laid_at_intake=False).exists()
    for kind in FILES:
        if before[kind]:
            continue
        if kind == "jobs":  # what is done is done before the others wait
            past = demo_past.load(workshop, folder / "past_work.csv")
            say(f"  {workshop.slug}: past work: {past} rows")
        path = folder.parent.parent / SHARED[kind] if kind in SHARED else folder / f"{kind}.csv"
        done = sheets.import_file(kind, path, workshop=workshop, at=now)
        dispatcher.drain()
        pattern_guesses.guess_where_due(now + A_WHILE)  # as the next sweep would
        dispatcher.drain()
        say(f"  {workshop.slug}: {kind}: {done.rows} rows")
    _load_listings(workshop, now=now, say=say)
    if not before["jobs"]:
        _settle_inboxes(workshop, now=now, say=say)


def _load_listings(workshop: Workshop, *, now: datetime, say: Say) -> None:
    """Import the saved CSV file, feed and e-mail, as if they were of today."""
    if workshop.slug != next(iter(WORKSHOPS)) or Listing.of(workshop).exists():
        return
    on = timezone.localdate(now)
    for name in LISTING_FILES:
        raw = (settings.DEMO_DIR.parent / "demo_listings" / name).read_bytes()
        for written in ("%Y-%m-%d", "%a, %d %b %Y"):
            raw = raw.replace(f"{SAVED_ON:{written}}".encode(), f"{on:{written}}".encode())
        done = import_file(workshop=workshop, raw=raw, name=name, member=None, on=on)
        say(f"  {workshop.slug}: {name}: {done}")
    dispatcher.drain()


def _load_strip_work(workshop: Workshop, path: Path, *, say: Say) -> None:
    """Put the steps done on record with their minutes, as said by a person: demo data only."""
    if not path.exists() or StepRecord.of(workshop).exists():
        return
    donors = {donor.ref: donor for donor in Donor.of(workshop)}
    steps = {(step.appliance_id, step.slug): step for step in StripStep.objects.all()}
    worker, helper = _two_people(workshop)
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    records = []
    for row in rows:
        donor, day = donors[row["donor_ref"]], date.fromisoformat(row["done_on"])
        step = steps[donor.appliance_id, row["step"]]
        records.append(
            StepRecord(
                workshop=workshop,
                donor=donor,
                appliance_id=donor.appliance_id,
                step=step.slug,
                done_on=day,
                done_at=datetime.combine(day, time(12), tzinfo=UTC),
                done_by=worker,
                timed_min=float(row["minutes"]),
                needs_two=step.two_persons,
                second_person=helper if step.two_persons else None,
            )
        )
    StepRecord.objects.bulk_create(records, batch_size=500)
    say(f"  {workshop.slug}: strip work: {len(records)} steps")


def _two_people(workshop: Workshop) -> tuple[Member, Member]:
    """Return who stripped and who lent a hand: the technician and the owner."""
    people = {member.role: member for member in Member.of(workshop)}
    return people[Role.TECHNICIAN], people[Role.OWNER]


def _pass_alerts_on(workshop: Workshop, *, now: datetime) -> None:
    """Show how alerts are passed on: the technician's choices, and a webhook that is paused.

    Nothing is mailed unless a mail back end is set up (docs/echo.md).
    """
    if WebhookEndpoint.of(workshop).exists():
        return
    people = {member.role: member for member in Member.of(workshop).select_related("user")}
    if Role.TECHNICIAN not in people:
        return
    technician = people[Role.TECHNICIAN]
    row = choices.save_choices(
        now=now,
        member=technician,
        choices=Choices(
            mail_on=True,
            address=f"{technician.user.username}@{workshop.slug}.example",
            quiet_from=time(20, 0),
            quiet_to=time(6, 30),
            kinds={"gone": KindChoice(Way.DAILY), "over": KindChoice(Way.OFF)},
        ),
    )
    choices.confirm(token=choices.confirm_token(row))  # an invented address nobody reads
    endpoint, _ = webhooks.add_endpoint(
        workshop=workshop,
        member=people[Role.OWNER],
        name="Screen at the counter",
        url=f"https://screen.{workshop.slug}.example/alerts",
        now=now,
    )
    webhooks.pause_endpoint(workshop=workshop, endpoint_id=endpoint.pk, now=now)


def _certify(workshop: Workshop, *, now: datetime) -> None:
    """Give the owner a certificate that is valid and another member one that has run out."""
    owner = Member.of(workshop).filter(role=Role.OWNER).first()
    if owner is None or Certificate.of(workshop).exists():
        return
    held = [(owner, "DEMO-R-1", 400)]
    technician = Member.of(workshop).filter(role=Role.TECHNICIAN).first()
    held += [(technician, "DEMO-R-2", -30)] if technician else []
    for member, number, days_left in held:
        certificates.add_certificate(
            workshop=workshop,
            member_id=member.pk,
            kind="refrigerant",
            number=number,
            valid_until=(now + timedelta(days=days_left)).date(),
        )


def _settle_inboxes(workshop: Workshop, *, now: datetime, say: Say) -> None:
    """Mark what the loading set off as read, so that the next arrival stands out.

    What is due of old jobs is told first, as the sweep would.
    """
    reminders.tell_what_is_due(now=now)
    marked = [
        alerts.mark_all_read(member=member, now=now)
        for member in Member.of(workshop).select_related("workshop")
    ]
    say(f"  {workshop.slug}: {sum(marked)} alerts from the loading, marked read")


def arrivals(workshop: Workshop) -> Iterator[Row]:
    """Yield the machines still to come in."""
    path = settings.DEMO_DIR / workshop.slug / "arrivals.csv"
    here = set(Donor.of(workshop).values_list("ref", flat=True))
    yield from (row for row in read_file(path, Donors.columns) if row["ref"] not in here)


def receive_next(workshop: Workshop, *, now: datetime) -> Arrival | None:
    """Take the next machine in and let the dispatcher tell people. None when all are in."""
    row = next(arrivals(workshop), None)
    if row is None:
        return None
    with transaction.atomic():
        donor = take_in_donor(
            workshop=workshop,
            plate=plate_of(row),
            received_on=row["received_on"],
            cause=row["cause"] or "",
            note=row["note"] or "",
            ref=row["ref"],
        )
    dispatcher.drain()
    told = (
        Alert.of(workshop)
        .filter(arrival=donor.arrival, news=Alert.News.FOUND)
        .order_by("-p_fit", "id")
    )
    told = told.select_related("recipient__user", "job", "need__kind", "part")
    return Arrival(donor, tuple(told))
