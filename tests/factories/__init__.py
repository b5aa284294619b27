"""Small worlds for tests: deterministic, named, and built through the services."""

from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any

from django.db import transaction
from django.utils import timezone

from donors import services as donor_services
from donors.events import CATALOGUE_CHANGED
from donors.listings import services as listing_services
from donors.listings.services import Offered
from donors.models import Donor, Listing, Make
from donors.plates import Plate
from matching import customers, keeping, ruling
from matching import services as job_services
from matching.echo import webhooks
from matching.faults import answers, editing, own_checks, signs
from matching.faults.editing import CodeFacts, SymptomFacts
from matching.faults.own_checks import CheckFacts
from matching.models import (
    Alert,
    BuildBreak,
    CheckAnswer,
    Customer,
    DeliveredAlert,
    Delivery,
    FaultCode,
    Job,
    KeptBack,
    Need,
    Outcome,
    Proposal,
    Rule,
    Sign,
    WebhookEndpoint,
)
from parts import numbers, sisters, strip_steps, stripping
from parts import services as part_services
from parts.models import Interchange, Part, SisterWarning, StepRecord
from parts.strip_steps import StepFacts
from workshop import certificates, dispatcher, imports
from workshop.access import api_tokens, people
from workshop.models import (
    ApiToken,
    Certificate,
    FileImport,
    Invitation,
    Member,
    OutboxEvent,
    Role,
    User,
    Workshop,
)

NOW = datetime(2026, 11, 20, 9, 0, tzinfo=UTC)
TODAY = date(2026, 11, 20)
PASSWORD = "a-long-test-password"

# Velthane: family (1 letter 1 digit), size (2), revision after R, colour letter at the end.
VELTHANE_PATTERN = r"^(?P<family>[A-Z]\d)(?P<size>\d{2})R(?P<revision>\d)(?P<colour>[A-Z])$"
MODELS = ["W7-60 R1 W", "W7-60 R1 S", "W7-80 R1 W", "W7-60 R2 W", "K3-60 R1 W"]


@dataclass(frozen=True)
class Faults:
    """A code, a symptom and a check of one's own, a sign and an answer of a job."""

    code: FaultCode
    symptom: str
    sign: Sign
    answer: CheckAnswer
    own_check: str


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
        rest.setdefault("confirm_mismatch", True)
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
        rest.setdefault("confirm_mismatch", True)  # a bench may want what no machine carries
        return job_services.open_job(workshop=self.workshop, plate=plate, needs=needs, **rest)

    def refuse(self, ref: str, *, now: datetime = NOW) -> Job:
        """The customer refuses the repair; nobody asked yet whether the machine may be kept."""
        return keeping.refuse_repair(
            workshop=self.workshop,
            ref=ref,
            answer=keeping.Answer(),
            member=self.technician,
            now=now,
        )

    def need(self, *args: Any, **values: Any) -> Need:
        return self.job(*args, **values).needs.get()

    def part(self, donor: Donor, kind: str = "control-board") -> Part:
        return donor.parts.get(kind=kind)

    def file_import(self) -> FileImport:
        """Upload a table of one make: checked by the dispatcher, not stored."""
        raw = b"make,aliases,pattern\nKaspervik,,\n"
        return imports.upload(
            member=self.members["reviewer"], raw=raw, name="makes.csv", kind="makes", now=NOW
        )

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

    def dead_letter(self, error: str = "OperationalError: gone", **values: Any) -> OutboxEvent:
        """Store an event that was given up on."""
        stated: dict[str, Any] = {
            "kind": "parts.parts-arrived",
            "payload": {"part_ids": []},
            "recorded_at": NOW,
            "dead_at": NOW + timedelta(minutes=9),
            "attempts": dispatcher.MOST_ATTEMPTS,
            "last_error": error,
        }
        found: OutboxEvent = OutboxEvent.objects.create(
            workshop=self.workshop, **{**stated, **values}
        )
        return found

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

    def api_token(self, scope: str = "all", role: str = "technician") -> tuple[ApiToken, str]:
        """Give a member an API token; return its row and the token."""
        return api_tokens.make_token(
            member=self.members[role], name="scale", scope=scope, now=timezone.now()
        )

    def invitation(self, role: str = "technician") -> tuple[Invitation, str]:
        """Invite somebody; return the row and the secret of the link."""
        return people.invite(
            member=self.members["owner"], role=role, note="new hand", now=timezone.now()
        )

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

    def customer(self, job: Job, name: str = "A customer", reach: str = "at the gate") -> Customer:
        """Note who the customer of a job is."""
        return customers.note_customer(
            workshop=self.workshop,
            ref=job.ref,
            name=name,
            reach=reach,
            member=self.technician,
            now=timezone.now(),
        )

    def faults(self, job: Job) -> Faults:
        """Note a code and a check's answer of a job; add a code, a symptom and a check."""
        reviewer = self.members["reviewer"]
        stated: dict[str, Any] = {"workshop": self.workshop, "now": NOW}
        code = editing.save_code(
            facts=CodeFacts("Velthane", "washing-machine", "P4", {"drain-pump": 1.0}),
            member=reviewer,
            **stated,
        )
        symptom = editing.add_symptom(
            appliance="washing-machine",
            facts=SymptomFacts("Sings a song", {"belt": 1.0}),
            member=reviewer,
            **stated,
        )
        asked: dict[str, Any] = {**stated, "ref": job.ref, "member": self.technician}
        answer = answers.answer_check(check="washing-machine:filter-clear", answer="bad", **asked)
        own = own_checks.add_check(
            appliance="washing-machine",
            facts=CheckFacts("Feel for the belt's pull.", 4, {"belt": 0.9}),
            member=reviewer,
            **stated,
        )
        sign = signs.note_code(code="P4", **asked)
        return Faults(code, symptom.symptom.slug, sign, answer, own.check.slug)

    def sister_warning(self, donor: Donor) -> SisterWarning:
        """Say that the control board of a donor failed in use; return the first warning."""
        sisters.flag_sisters(failed=self.part(donor), on=TODAY)
        found: SisterWarning | None = SisterWarning.of(self.workshop).order_by("id").first()
        assert found is not None
        return found

    def proposal(self, part: Part, need: Need, **values: Any) -> Proposal:
        """Store a standing proposal of a part to a need, as an allocation would."""
        stated: dict[str, Any] = {
            "p_fit": 0.9,
            "p_good": 0.8,
            "proposed_at": NOW,
            "expires_at": NOW + timedelta(days=365),
        }
        found: Proposal = Proposal.objects.create(
            workshop=self.workshop, part=part, need=need, **{**stated, **values}
        )
        return found

    def kept_back(self, part: Part | None = None, need: Need | None = None) -> KeptBack:
        """Keep a part, a need or one from the other out of the allocation."""
        found: KeptBack = KeptBack.objects.create(
            workshop=self.workshop, part=part, need=need, note="x", by=self.technician, at=NOW
        )
        return found

    def outcome(self, part: Part, result: str = "worked", **values: Any) -> Outcome:
        """Store a past fitting of a part."""
        found: Outcome = Outcome.objects.create(
            workshop=self.workshop,
            kind_id=part.kind_id,
            part=part,
            part_number=part.part_number,
            result=result,
            **{"fitted_on": TODAY, "fingerprint": f"bench {part.pk} {result}", **values},
        )
        return found

    def webhook(
        self, url: str = "https://hooks.example.com/alerts", **values: Any
    ) -> WebhookEndpoint:
        """Have alerts sent to an address, of which there is one in a workshop."""
        found = WebhookEndpoint.of(self.workshop).filter(url=url).first()
        if found is not None:
            return found
        stated = {"name": "counter", "member": self.members["owner"], "now": NOW, **values}
        return webhooks.add_endpoint(workshop=self.workshop, url=url, **stated)[0]

    def delivery(self, endpoint: WebhookEndpoint, alert: Alert) -> Delivery:
        """Store a delivery that came through."""
        row: Delivery = Delivery.objects.create(
            workshop=self.workshop,
            channel="webhook",
            endpoint=endpoint,
            made_at=NOW,
            available_at=NOW,
            attempts=1,
            done_at=NOW,
        )
        DeliveredAlert.objects.create(
            workshop=self.workshop, delivery=row, alert=alert, endpoint=endpoint
        )
        return row

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
        _tell_once(workshop)
    bench.drain()
    return bench


def _tell_once(workshop: Workshop) -> None:
    """Leave one of the news that the catalogue changed: each more costs every test 6 to 13 ms."""
    told = OutboxEvent.of(workshop).filter(kind=CATALOGUE_CHANGED)
    told.exclude(pk=told.values("pk")[:1]).delete()


def make_member(workshop: Workshop, role: Role, name: str = "") -> Member:
    username = name or f"{workshop.slug}-{role.value}"
    user = User.objects.create_user(username=username, password=PASSWORD)
    return Member.objects.create(workshop=workshop, user=user, role=role)
