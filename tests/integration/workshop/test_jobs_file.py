"""jobs.csv beside other people's work, and on jobs whose machine became a donor."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from matching import exchange, keeping
from matching.faults import closing
from matching.keeping import Answer
from matching.models import Job, Need
from parts.models import Sighting
from tests.factories import NOW, TODAY, Bench
from workshop.exchange import sheets
from workshop.exchange.reading import FileRefused

pytestmark = pytest.mark.django_db

HEADER = (
    "job_ref,appliance,make,model_number,serial_number,built_from,built_to,opened_on,"
    "wait_until,kind,position,part_number,attributes,max_price,symptom"
)
Take = Callable[..., sheets.Imported]


@pytest.fixture
def take(bench: Bench, tmp_path: Path) -> Take:
    def load(*rows: str) -> sheets.Imported:
        path = tmp_path / "jobs.csv"
        path.write_text("\n".join([HEADER, *rows]) + "\n", encoding="utf-8")
        return sheets.import_file("jobs", path, workshop=bench.workshop, at=NOW)

    return load


def row(
    model: str = "W7-60 R1 W", number: str = "BRD-1", kind: str = "control-board", symptom: str = ""
) -> str:
    day = TODAY.isoformat()
    return f"J-1,washing-machine,Velthane,{model},,,,{day},,{kind},,{number},,,{symptom}"


class TestClosedJobs:
    @pytest.mark.parametrize("state", ["refused", "done"])
    def test_a_file_adds_no_need_to_them(self, bench: Bench, take: Take, state: str) -> None:
        take(row(), row(kind="drain-pump", number=""))
        if state == "refused":
            bench.refuse("J-1", now=NOW)
        else:
            closing.say_found(
                workshop=bench.workshop,
                ref="J-1",
                suspect="blockage",
                member=bench.technician,
                now=NOW,
            )
        with pytest.raises(FileRefused) as refused:
            take(row(), row(kind="heater", number=""))
        (problem,) = refused.value.problems
        assert (problem.row, problem.column) == (3, "kind")
        assert "is closed" in problem.message
        job = Job.of(bench.workshop).get()
        assert job.state == state
        assert not job.needs.filter(state="open").exists()
        # What it lists already may be corrected and stays closed.
        assert take(row(number="BRD-9")).changed == 1
        assert not job.needs.filter(state="open").exists()


class TestBesideOthers:
    def test_only_what_the_file_changes_is_written(
        self, bench: Bench, take: Take, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Somebody refuses the repair after the file was compared and before it is written."""
        take(row())
        write = exchange.Jobs._write

        def refused_meanwhile(*args: Any) -> None:
            bench.refuse("J-1", now=NOW)
            write(*args)

        monkeypatch.setattr(exchange.Jobs, "_write", refused_meanwhile)
        take(row(symptom="dead"))
        job = Job.of(bench.workshop).get()
        assert (job.symptom, job.state) == ("dead", Job.State.REFUSED)
        assert Need.of(bench.workshop).get().state == Need.State.WITHDRAWN

    @pytest.mark.skipif("connection.vendor != 'postgresql'", reason="SQLite has one writer")
    def test_the_file_s_jobs_are_locked_before_anything_is_compared(
        self, bench: Bench, take: Take
    ) -> None:
        bench.job()
        take(row())
        with CaptureQueriesContext(connection) as seen:
            take(row(symptom="dead"))
        asked = [one["sql"] for one in seen if 'FROM "matching_job"' in one["sql"]]
        (locks,) = [sql for sql in asked if "FOR UPDATE" in sql]
        read_whole = [sql for sql in asked if '"matching_job"."symptom"' in sql]
        assert read_whole[0] == locks
        assert f"IN ({Job.of(bench.workshop).get(ref='J-1').pk})" in locks


class TestKept:
    """Judged by docs/adr/0016: one machine, seen once, corrected through its donor only."""

    @pytest.fixture
    def donor(self, bench: Bench, take: Take) -> str:
        take(row())
        bench.refuse("J-1", now=NOW)
        who = {"workshop": bench.workshop, "ref": "J-1", "member": bench.technician, "now": NOW}
        keeping.note_permission(answer=Answer("yes", "owner", "signed", TODAY), **who)
        return keeping.keep_as_donor(**who).ref

    def test_the_same_row_again_is_nothing_new(self, bench: Bench, take: Take, donor: str) -> None:
        before = list(Sighting.of(bench.workshop).order_by("id").values())
        assert len(before) == 1
        assert take(row()).same == 1
        assert list(Sighting.of(bench.workshop).order_by("id").values()) == before

    def test_what_its_donor_learned_is_not_worked_out_again(
        self, bench: Bench, take: Take, donor: str
    ) -> None:
        Job.of(bench.workshop).update(recognised=None, family="")
        assert take(row()).same == 1
        assert Job.of(bench.workshop).get().recognised_id is None

    @pytest.mark.parametrize(
        ("changed", "column"),
        [
            ({"model": "K3-60 R1 W"}, "model_number"),
            ({"number": "BRD-2"}, "part_number"),
            ({"kind": "belt"}, "kind"),
            ({"symptom": "dead"}, "symptom"),
        ],
    )
    def test_another_row_is_refused_by_its_column(
        self, bench: Bench, take: Take, donor: str, changed: dict[str, str], column: str
    ) -> None:
        before = (Job.of(bench.workshop).values().get(), Need.of(bench.workshop).values().get())
        with pytest.raises(FileRefused) as refused:
            take(row(**changed))
        (said,) = refused.value.problems
        assert (said.row, said.column) == (2, column)
        assert f"Job J-1 is kept as donor {donor}: correct it there" in said.message
        assert before == (
            Job.of(bench.workshop).values().get(),
            Need.of(bench.workshop).values().get(),
        )
        assert Sighting.of(bench.workshop).count() == 1
