"""Small worlds for tests: deterministic, named, and built through the services."""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db import transaction

from donors import services as donor_services
from donors.listings import services as listing_services
from donors.listings.services import Offered
from donors.models import Donor, Listing, Make
from donors.plates import Plate
from matching import ruling
from matching import services as job_services
from matching.models import BuildBreak, Job, Need, Rule
from parts import numbers, sisters, strip_steps, stripping
from parts import services as part_services
from parts.models import Interchange, Part, SisterWarning, StepRecord
from parts.strip_steps import StepFacts
from workshop import certificates, dispatcher
from workshop.models import Certificate, Member, Role, User, Workshop

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
TODAY = date(2026, 11, 20)
PASSWORD = "a-long-test-password"

# Velthane: family (1 letter 1 digit), size (2), revision after R, colour letter at the end.
VELTHANE_PATTERN = r"^(?P<family>[A-Z]\d)(?P<size>\d{2})R(?P<revision>\d)(?P<colour>[A-Z])$"
MODELS = ["W7-60 R1 W", "W7-60 R1 S", "W7-80 R1 W", "W7-60 R2 W", "K3-60 R1 W"]


@dataclass
class Bench:
    """One workshop and shorthands to fill it."""

    workshop: Workshop
    members: dict[str, Member]
    makes: dict[str, Make] = field(default_factory=dict)

    @property
    def technician(self) -> Member:
        return self.members["technician"]

    def donor(self, model: str = "W7-60 R1 W", **values: Any) -> Donor:
        """Take a donor in. Plate fields and intake fields may be given by name."""
        plate, rest = split_plate(model, values)
        rest.setdefault("received_on", TODAY)
        return part_services.take_in_donor(workshop=self.workshop, plate=plate, **rest)

    def job(self, model: str = "W7-60 R1 W", kind: str = "control-board", **values: Any) -> Job:
        """Open a job that needs one part."""
        plate, rest = split_plate(model, values)
        facts = {
            name: rest.pop(name)
            for name in ("position", "part_number", "attributes", "max_price_cents")
            if name in rest
        }
        needs = rest.pop("needs", [job_services.NeedFacts(kind=kind, **facts)])
        rest.setdefault("opened_on", TODAY)
        return job_services.open_job(workshop=self.workshop, plate=plate, needs=needs, **rest)

    def need(self, *args: Any, **values: Any) -> Need:
        return self.job(*args, **values).needs.get()

    def part(self, donor: Donor, kind: str = "control-board") -> Part:
        return donor.parts.get(kind=kind)

    def build_break(self, **values: Any) -> BuildBreak:
        """Store a proposed build break of the control boards of family W7."""
        stated: dict[str, Any] = {
            "kind_id": "control-board",
            "make": "Velthane",
            "family": "W7",
            "changed_from": date(2020, 3, 1),
            "changed_to": date(2020, 5, 31),
            "chance": 0.98,
            "before": {"BRD1": 5},
            "after": {"BRD2": 6},
            "numbers_before": ["BRD1"],
            "numbers_after": ["BRD2"],
            "sightings": 11,
            "proposed_at": NOW,
        }
        found: BuildBreak = BuildBreak.objects.create(
            workshop=self.workshop, **{**stated, **values}
        )
        return found

    def rule(
        self,
        *,
        says: str = "fits",
        state: str = "",
        by: Member | None = None,
        evidence: str = "",
        replaces: int | None = None,
        **job_side: Any,
    ) -> Rule:
        """Propose a rule on the control boards of family W7 unless told otherwise.

        A `state` other than proposed is decided by the reviewer.
        """
        statement = ruling.Statement(
            kind="control-board",
            says=says,
            job_side=job_side or {"family": "W7"},
            evidence=evidence,
            replaces=replaces,
        )
        rule = ruling.propose_rule(
            workshop=self.workshop, statement=statement, member=by or self.technician, now=NOW
        )
        acts = {"approved": ruling.approve_rule, "rejected": ruling.reject_rule}
        if state:
            reviewer = self.members["reviewer"]
            rule = acts[state](workshop=self.workshop, rule_id=rule.pk, member=reviewer, now=NOW)
        return rule

    def interchange(self, from_number: str = "H1", to_number: str = "H2") -> Interchange:
        return numbers.add_interchange(
            workshop=self.workshop, kind="heater", from_number=from_number, to_number=to_number
        )

    def certificate(self, **values: Any) -> Certificate:
        """Put a valid refrigerant certificate of the owner on record unless told otherwise."""
        stated: dict[str, Any] = {
            "member_id": self.members["owner"].pk,
            "kind": "refrigerant",
            "number": "R-1",
            "valid_until": date(2036, 12, 31),
        }
        return certificates.add_certificate(workshop=self.workshop, **{**stated, **values})

    def licensed_record(self, donor: Donor) -> StepRecord:
        """Time and tick a step of one's own that takes two persons and a certificate."""
        facts = StepFacts(
            name=f"Seal off {donor.ref}", minutes=5, two_persons=True, licence="refrigerant"
        )
        step = strip_steps.add_step(
            workshop=self.workshop, appliance=donor.appliance_id, facts=facts
        )
        asked: dict[str, Any] = {
            "workshop": self.workshop,
            "donor_ref": donor.ref,
            "step": step.slug,
            "member": self.technician,
        }
        stripping.start_step(**asked, now=NOW)
        report = stripping.StepReport(
            second_person=self.members["reviewer"].pk, certificate=self.certificate().pk
        )
        return stripping.finish_step(**asked, now=NOW + timedelta(minutes=6), report=report)

    def sister_warning(self, donor: Donor) -> SisterWarning:
        """Say that the control board of a donor failed in use; return the first warning."""
        sisters.flag_sisters(failed=self.part(donor), on=TODAY)
        found: SisterWarning | None = SisterWarning.of(self.workshop).order_by("id").first()
        assert found is not None
        return found

    def listing(self, text: str = "", *, on: date = TODAY, **values: Any) -> Listing:
        """Store a pasted listing of a machine for sale elsewhere."""
        said = text or "Velthane washing machine, model W7-60 R1 W, does not drain. Asking €15."
        stored = listing_services.add_listing(
            workshop=self.workshop, offered=Offered(said, **values), member=None, on=on
        )
        return stored.listing

    def drain(self) -> None:
        """Let the dispatcher act on what was recorded; anything it could not do is an error."""
        done = dispatcher.drain()
        assert done.failed == 0


def split_plate(model: str, values: dict[str, Any]) -> tuple[Plate, dict[str, Any]]:
    names = {"appliance", "make", "serial_number", "built_from", "built_to"}
    plate = {"appliance": "washing-machine", "make": "Velthane", "model_number": model}
    plate |= {name: value for name, value in values.items() if name in names}
    return Plate(**plate), {name: v for name, v in values.items() if name not in names}


def make_bench(slug: str) -> Bench:
    """Make a workshop with one member of each role and a small catalogue."""
    workshop = Workshop.objects.create(slug=slug, name=f"{slug.title()} Repairs")
    members = {role.value: make_member(workshop, role) for role in Role}
    bench = Bench(workshop, members)
    with transaction.atomic():
        for name, pattern in (("Velthane", VELTHANE_PATTERN), ("Borsund", "")):
            bench.makes[name] = donor_services.save_make(
                workshop=workshop, name=name, aliases=[f"{name[:4]} Werke"], pattern=pattern
            )
        for number in MODELS:
            donor_services.add_model_number(
                workshop=workshop,
                make=bench.makes["Velthane"],
                number=number,
                appliance="washing-machine",
                family=number[:2],
            )
    bench.drain()
    return bench


def make_member(workshop: Workshop, role: Role, name: str = "") -> Member:
    username = name or f"{workshop.slug}-{role.value}"
    user = User.objects.create_user(username=username, password=PASSWORD)
    return Member.objects.create(workshop=workshop, user=user, role=role)
