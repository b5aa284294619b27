"""Every part has a short code; typing or scanning it opens the part.

Judge of the check character: python-stdnum's ISO 7064 MOD 37-36.
"""

from importlib import import_module
from pathlib import Path
from types import SimpleNamespace

import pytest
from django.apps import apps
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction
from django.test import Client
from django.urls import reverse
from rest_framework.test import APIClient
from stdnum.iso7064 import mod_37_36

from parts import selectors, services
from parts.models import Part
from parts.services import PartFacts
from tests.factories import TODAY, Bench
from tests.integration.web.reading import text_of
from workshop.models import RefCounter

pytestmark = pytest.mark.django_db


def codes_of(bench: Bench) -> list[str]:
    return list(Part.of(bench.workshop).order_by("id").values_list("short_code", flat=True))


def loose(bench: Bench) -> Part:
    return services.add_loose_part(
        workshop=bench.workshop, kind="heater", facts=PartFacts(), received_on=TODAY
    )


def test_every_way_a_part_comes_in_gives_it_a_code(bench: Bench, tmp_path: Path) -> None:
    bench.donor()
    loose(bench)
    files = {
        "parts": "ref,donor_ref,kind,position,part_number,grade,bin,price,removed_on,"
        "attributes,note\n"
        "Q-9,,drain-pump,,,,,,2026-11-01,,\n",
        "donors": "ref,appliance,make,model_number,serial_number,built_from,built_to,received_on,"
        "cause,note\nE-1,washing-machine,,,,,,2026-11-01,,\n",
    }
    for kind, text in files.items():
        path = tmp_path / f"{kind}.csv"
        path.write_text(text)
        call_command("import_csv", kind, str(path), workshop="millrace")
    parts = Part.of(bench.workshop)
    assert parts.filter(ref="Q-9").exists()
    assert parts.filter(donor__ref="E-1").exists()
    codes = codes_of(bench)
    assert len(codes) == len(set(codes)) == parts.count()
    assert all(mod_37_36.is_valid(code) and code.isalnum() for code in codes)


def test_a_code_stays_with_its_part(bench: Bench) -> None:
    part = loose(bench)
    services.describe_part(
        workshop=bench.workshop, ref=part.ref, facts=PartFacts(part_number="H-1", bin="A1")
    )
    assert selectors.get_part(bench.workshop, part.ref).short_code == part.short_code


def test_workshops_count_apart(bench: Bench, other_bench: Bench) -> None:
    assert loose(bench).short_code == loose(other_bench).short_code


def test_the_database_refuses_a_second_part_of_one_code(bench: Bench) -> None:
    first, second = loose(bench), loose(bench)
    for code in (first.short_code, ""):
        with pytest.raises(IntegrityError), transaction.atomic():
            Part.of(bench.workshop).filter(pk=second.pk).update(short_code=code)


def test_the_migration_gives_codes_in_bulk(bench: Bench, other_bench: Bench) -> None:
    """As on a database of before: codes of no meaning, no counter."""
    for _ in range(3):
        bench.donor()
        other_bench.donor()
    expected = codes_of(bench), codes_of(other_bench)
    for part in Part.objects.unscoped().all():
        Part.objects.unscoped().filter(pk=part.pk).update(short_code=f"old{part.pk}")
    RefCounter.objects.unscoped().filter(prefix="code").delete()
    migration = import_module("parts.migrations.0009_short_codes_and_photos")
    migration.A_STATEMENT = 7
    migration.give_codes(apps, SimpleNamespace(connection=connection))
    assert (codes_of(bench), codes_of(other_bench)) == expected
    assert loose(bench).short_code not in expected[0]


class TestOpening:
    @pytest.fixture
    def part(self, bench: Bench) -> Part:
        return loose(bench)

    def test_however_it_is_written(self, technician: Client, part: Part) -> None:
        code = part.short_code
        target = reverse("part", args=[part.ref])
        written = [
            code,
            code.lower(),
            f" {code[:2]}-{code[2:]} ",
            code.replace("0", "O").replace("1", "l"),
            f"HTTPS://BENCH.EXAMPLE/P/{code}",
        ]
        for text in written:
            assert technician.get(reverse("scan"), {"code": text}).url == target, text
        assert technician.get(f"/P/{code}").url == target

    def test_a_mistyped_code_is_refused_with_the_nearest(
        self, technician: Client, part: Part
    ) -> None:
        typed = part.short_code[:-1] + ("X" if part.short_code[-1] != "X" else "Y")
        answer = technician.get(reverse("scan"), {"code": typed})
        assert answer.status_code == 404
        assert "a character is wrong, lost or added" in text_of(answer)
        assert reverse("part", args=[part.ref]) in answer.content.decode()

    def test_a_right_code_nobody_has(self, technician: Client, part: Part) -> None:
        answer = technician.get("/P/ZZZZ" + mod_37_36.calc_check_digit("ZZZZ"))
        assert answer.status_code == 404
        assert "No part of this workshop has the code" in text_of(answer)

    @pytest.mark.parametrize("text", ["?", "\u0660\u0661", "9" * 200, "'\"<>", "🧰", "%", "//"])
    def test_nonsense_is_an_answer(self, technician: Client, part: Part, text: str) -> None:
        assert technician.get(reverse("scan"), {"code": text}).status_code == 404

    def test_over_the_api(self, bench: Bench, part: Part) -> None:
        client = APIClient()
        client.force_authenticate(bench.technician.user)
        code = part.short_code
        assert client.get(f"/api/v1/parts/by-code/{code.lower()}/").data["ref"] == part.ref
        assert client.get("/api/v1/parts/", {"short_code": code}).data["count"] == 1
        answer = client.get(f"/api/v1/parts/by-code/{code[:-1]}/")
        assert (answer.status_code, answer.data["code"]) == (404, "no-such-code")
        assert answer["Content-Type"] == "application/problem+json"
        assert answer.data["candidates"] == [{"code": code, "ref": part.ref, "kind": "heater"}]

    def test_another_workshop_s_codes_are_never_offered(
        self, bench: Bench, other_bench: Bench, technician: Client, part: Part
    ) -> None:
        RefCounter.objects.create(workshop=other_bench.workshop, prefix="code", last=500_000)
        theirs = loose(other_bench).short_code
        for text in (theirs, theirs[:-1]):
            answer = technician.get(reverse("scan"), {"code": text})
            assert answer.status_code == 404
            assert "Did you mean" not in text_of(answer)
