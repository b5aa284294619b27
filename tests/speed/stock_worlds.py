"""A workshop of any size made of real rows: donors, parts, sightings, jobs, needs, fittings.

Invented makes of our own; six, with some hundreds of families each built in revisions over
fifteen years, every kind of part the reference data knows. About half the parts have a number,
a third have attributes. Rows are written in bulk, their keys by the code that keeps them true.
"""

import random
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from typing import Any

from django.db import connection, transaction

from donors.models import Appliance, Donor, FailureCause, Make
from matching.models import Job, Need, NeedKey, Outcome
from matching.outcome_keys import keyed
from parts import codes, keys, numbers
from parts.domain.part_numbers import canonical
from parts.models import Interchange, KindCarried, Part, PartKey, PartNumber, Sighting
from parts.reference import kinds
from workshop import integrity
from workshop.models import Member, Role, User, Workshop

MAKES = ("Velthane", "Borsund", "Quillmar", "Ostrelle", "Kaspervik", "Thornmere")
FAMILIES = 50  # of each make
NUMBERED, DESCRIBED = 0.5, 0.33
MOUNTS = ("clip-3", "clip-4", "bayonet", "screw-2", "screw-4", "flange")
RECEIVED = date(2026, 11, 1)
BATCH = 5_000


COPIED = (Donor, Part, PartKey, Sighting, Job, Need, NeedKey)


def _largest_id(model: Any) -> int:
    return int(model.objects.unscoped().order_by("-id").values_list("id", flat=True)[0])


def _check_rows(on: bool) -> None:
    """Turn the triggers that check each row's workshop off or on."""
    if connection.vendor == "sqlite":
        (integrity.install if on else integrity.drop)()
        return
    with connection.cursor() as cursor:
        role = "origin" if on else "replica"
        cursor.execute(f"SET LOCAL session_replication_role = {role}")


def _days_later(column: str, days: int) -> str:
    if connection.vendor == "sqlite":
        return f"date({column}, '+{days} days')"
    return f"{column} + {days}"


@dataclass
class StockWorld:
    """One workshop that can be let grow."""

    seed: int = 1
    rng: random.Random = field(init=False)
    workshop: Workshop = field(init=False)

    def __post_init__(self) -> None:
        self.rng = random.Random(self.seed)
        self.workshop = Workshop.objects.create(slug=f"speed-{self.seed}", name="Speed")
        user = User.objects.create_user(username=f"speed-{self.seed}", password="x")
        Member.objects.create(workshop=self.workshop, user=user, role=Role.TECHNICIAN)
        of = self.workshop
        self.makes = [Make.objects.create(workshop=of, name=n, key=n.upper()) for n in MAKES]
        self.carried: dict[str, list[tuple[str, str]]] = {}
        for row in KindCarried.objects.filter(part_of_intake=True).order_by("id"):
            if not kinds()[row.kind_id].never_reused:
                places = [(row.kind_id, position) for position in row.positions]
                self.carried.setdefault(row.appliance_id, []).extend(places)
        self.appliances = sorted(self.carried)
        causes = FailureCause.objects.filter(spoils_parts=False).order_by("id")
        self.causes: dict[str, list[int]] = {a.slug: [] for a in Appliance.objects.all()}
        for cause in causes:
            self.causes[cause.appliance_id].append(cause.pk)
        self.counts = {"donors": 0, "parts": 0, "jobs": 0}
        self._interchanges()
        self._outcomes(2_000)

    def machine(self) -> dict[str, Any]:
        """Return the columns of one machine: make, family and number follow one another."""
        rng = self.rng
        make = rng.choice(self.makes)
        family_index = int(FAMILIES * rng.random() ** 1.5)
        family = f"{make.name[0]}{family_index:02d}"
        size, revision, colour = rng.choice("5678"), rng.choice("123"), rng.choice("WSB")
        number = f"{family}{size}0R{revision}{colour}"
        built = date(2011, 1, 1) + timedelta(days=rng.randrange(15 * 365))
        known = rng.random() < 0.8
        return {
            "appliance_id": self.appliances[family_index % len(self.appliances)],
            "make": make,
            "model_number": number,
            "model_canonical": number,
            "likely_number": number,
            "family": family,
            "fields": {"family": family, "size": size, "revision": revision, "colour": colour},
            "certainty": 1.0 if rng.random() < 0.9 else 0.85,
            "built_from": built if known else None,
            "built_to": built + timedelta(days=30) if known else None,
        }

    def number_for(self, machine: dict[str, Any], kind: str) -> str:
        """Return the number such a machine carries: some kinds change with the revision."""
        exact = kinds()[kind].fit_class == "exact-only"
        place = sum(map(ord, kind)) % 97
        lead = machine["family"] if exact else f"{machine['make'].name[0]}{place % 12:02d}"
        tail = machine["fields"]["revision"] if exact else "1"
        return f"{lead}-{place:02d}{sum(map(ord, lead)) % 100:02d}-0{tail}"

    def attributes_for(self, machine: dict[str, Any], kind: str) -> dict[str, str]:
        rng = random.Random(f"{machine['family']} {kind}")
        found = {}
        for name, one in kinds()[kind].attributes.items():
            if one.hard:
                found[name] = {"voltage_v": "230", "frequency_hz": "50"}.get(name, "")
            elif one.number:
                found[name] = str(rng.choice((10, 14, 20, 28, 40, 55, 80)))
            else:
                found[name] = rng.choice(MOUNTS)
        return {name: value for name, value in found.items() if value}

    def fill(self, *, parts: int, needs: int) -> None:
        """Add donors with their parts, and jobs with a need each, up to these counts."""
        while self.counts["parts"] < parts:
            self._add_donors(min(400, 1 + (parts - self.counts["parts"]) // 15))
        while self.counts["jobs"] < needs:
            self._add_jobs(min(BATCH, needs - self.counts["jobs"]))

    def multiply(self, times: int) -> None:
        """Copy every donor, part, job and need `times` - 1 times, each copy built on other days.

        Within the database: through the models a million parts would take half an hour.
        """
        _check_rows(False)  # one check a row would take most of the time
        shifts = {model: _largest_id(model) for model in COPIED}
        for copy in range(1, times):
            for model in COPIED:
                self._copy(model, copy, shifts)
        self.counts = {name: count * times for name, count in self.counts.items()}
        _check_rows(True)

    def _copy(self, model: Any, copy: int, shifts: dict[Any, int]) -> None:
        columns, values = [], []
        for one in model._meta.concrete_fields:
            if one.generated:
                continue
            value = f'"{one.column}"'
            if one.primary_key:
                value += f" + {copy * shifts[model]}"
            elif one.related_model in shifts:
                value += f" + {copy * shifts[one.related_model]}"
            elif one.name in ("ref", "source_ref"):
                value += f" || '~{copy}x{shifts[model]}'"
            elif one.name == "short_code":
                # Unique is enough, no label is printed of these; a second round of copies is told
                # from the first by how many digits its ids have.
                value += f" || '-{copy}{len(str(shifts[model]))}'"
            elif one.name in ("built_from", "built_to"):
                value = _days_later(value, 3 * copy)
            columns.append(f'"{one.column}"')
            values.append(value)
        names, taken = ", ".join(columns), ", ".join(values)
        table = model._meta.db_table
        with connection.cursor() as cursor:
            cursor.execute(
                f"INSERT INTO {table} ({names}) SELECT {taken} FROM {table} "
                f"WHERE workshop_id = {self.workshop.pk} AND id <= {shifts[model]}"
            )

    def settle(self) -> None:
        """Do what PostgreSQL's autovacuum would in a while. Not within a transaction."""
        if connection.vendor == "postgresql":
            with connection.cursor() as cursor:
                cursor.execute("VACUUM ANALYZE")

    def _add_donors(self, count: int) -> None:
        of = self.workshop
        machines = [self.machine() for _ in range(count)]
        donors = [
            Donor(
                workshop=of,
                ref=f"D-{self.counts['donors'] + i}",
                received_on=RECEIVED,
                cause_id=self.rng.choice(self.causes[machine["appliance_id"]]),
                **machine,
            )
            for i, machine in enumerate(machines)
        ]
        Donor.objects.bulk_create(donors, batch_size=BATCH)
        laid = [
            self._part(donor, machine, *place)
            for donor, machine in zip(donors, machines, strict=True)
            for place in self.carried[donor.appliance_id]
        ]
        with transaction.atomic():
            codes.give_codes(laid)
        Part.objects.bulk_create(laid, batch_size=BATCH)
        keys.note_keys(PartKey, laid, new=True)
        sighting = partial(numbers.sighting_of, source=Sighting.Source.DONOR)
        numbered = [part for part in laid if part.number_canonical]
        Sighting.objects.bulk_create(
            [sighting(part.donor, part) for part in numbered], batch_size=BATCH
        )
        numbers.note_printed(numbered)
        self.counts["donors"] += count
        self.counts["parts"] += len(laid)

    def _part(self, donor: Donor, machine: dict[str, Any], kind: str, position: str) -> Part:
        rng = self.rng
        number = self.number_for(machine, kind) if rng.random() < NUMBERED else ""
        described = rng.random() < DESCRIBED
        return Part(
            workshop=self.workshop,
            ref=".".join(filter(None, (donor.ref, kind, position))),
            donor=donor,
            kind_id=kind,
            position=position,
            arrival=donor.arrival,
            part_number=number,
            number_canonical=canonical(number),
            attributes=self.attributes_for(machine, kind) if described else {},
        )

    def _add_jobs(self, count: int) -> None:
        machines = [self.machine() for _ in range(count)]
        jobs = [
            Job(
                workshop=self.workshop,
                ref=f"J-{self.counts['jobs'] + i}",
                opened_on=RECEIVED,
                **machine,
            )
            for i, machine in enumerate(machines)
        ]
        Job.objects.bulk_create(jobs, batch_size=BATCH)
        needs = []
        for job, machine in zip(jobs, machines, strict=True):
            kind, position = self.rng.choice(self.carried[job.appliance_id])
            number = self.number_for(machine, kind) if self.rng.random() < NUMBERED else ""
            described = self.rng.random() < DESCRIBED
            needs.append(
                Need(
                    workshop=self.workshop,
                    job=job,
                    kind_id=kind,
                    position=position,
                    part_number=number,
                    number_canonical=canonical(number),
                    attributes=self.attributes_for(machine, kind) if described else {},
                )
            )
        Need.objects.bulk_create(needs, batch_size=BATCH)
        keys.note_keys(NeedKey, needs, new=True)
        self.counts["jobs"] += count

    def _interchanges(self) -> None:
        """Relate numbers of the kinds that go by mount across makes, a hundred both ways."""
        machines = [self.machine() for _ in range(400)]
        for n in range(100):
            kind = self.rng.choice(sorted(kinds()))
            ends = [self.number_for(machine, kind) for machine in machines[4 * n : 4 * n + 2]]
            if ends[0] != ends[1]:
                first, last = (
                    PartNumber.of(self.workshop).get_or_create(
                        kind_id=kind,
                        canonical=canonical(end),
                        defaults={"workshop": self.workshop, "number": end},
                    )[0]
                    for end in ends
                )
                Interchange.of(self.workshop).get_or_create(
                    from_number=first,
                    to_number=last,
                    defaults={"workshop": self.workshop, "kind_id": kind, "both_ways": True},
                )

    def _outcomes(self, count: int) -> None:
        rows = []
        for n in range(count):
            donor, job = self.machine(), self.machine()
            if self.rng.random() < 0.6:
                job |= {key: donor[key] for key in ("make", "family", "fields", "appliance_id")}
            kind, _ = self.rng.choice(self.carried[donor["appliance_id"]])
            learned = {
                side: {
                    "appliance": machine["appliance_id"],
                    "make": machine["make"].name,
                    "number": machine["model_canonical"],
                    "fields": machine["fields"],
                    "family": machine["family"],
                    "sure": 1.0,
                }
                for side, machine in (("donor", donor), ("job", job))
            }
            worked = donor["family"] == job["family"]
            one = Outcome(
                workshop=self.workshop,
                kind_id=kind,
                part_number=self.number_for(donor, kind),
                job_part_number=self.number_for(job, kind) if self.rng.random() < 0.5 else "",
                fitted_on=RECEIVED,
                result="worked" if worked else "did-not-fit",
                fingerprint=str(n),
                learned=learned,
            )
            rows.append(keyed(one))
        Outcome.objects.bulk_create(rows, batch_size=BATCH)
