"""What past jobs teach: closed before, or fitted before they were here. Job, need, fitting."""

from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from matching import events, fittings, holds, keeping
from matching.faults import closing, past, tables
from matching.faults.views import fault_of
from matching.fittings import Report
from matching.keeping import Answer
from matching.models import FaultFound, FaultLesson, Job, Need, Outcome, Sign
from matching.selectors import get_job
from matching.services import NeedFacts
from tests.factories import NOW, TODAY, Bench
from workshop.exchange import sheets
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

NO_DRAIN = "washing-machine:no-drain"
OUTCOMES = (
    "kind,part_number,donor_make,donor_model_number,donor_built_from,donor_built_to,job_make,"
    "job_model_number,job_built_from,job_built_to,job_part_number,part_attributes,job_attributes,"
    "fitted_on,result,days_to_failure"
)
JOBS = (
    "job_ref,appliance,make,model_number,serial_number,built_from,built_to,opened_on,wait_until,"
    "kind,position,part_number,attributes,max_price,symptom"
)
Take = Callable[..., sheets.Imported]


@pytest.fixture
def take(bench: Bench, tmp_path: Path) -> Take:
    def load(kind: str, *rows: str) -> sheets.Imported:
        path = tmp_path / f"{kind}.csv"
        header = {"jobs": JOBS, "outcomes": OUTCOMES}[kind]
        path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        done = sheets.import_file(kind, path, workshop=bench.workshop, at=NOW)
        bench.drain()
        return done

    return load


def job_row(ref: str = "J-1", kind: str = "drain-pump", number: str = "", **said: str) -> str:
    model = said.get("model", "W7-60 R1 W")
    opened = said.get("opened", (TODAY - timedelta(days=60)).isoformat())
    symptom = said.get("symptom", "does not drain")
    return f"{ref},washing-machine,Velthane,{model},,,,{opened},,{kind},,{number},,,{symptom}"


def fitting_row(
    days_ago: int = 50,
    kind: str = "drain-pump",
    model: str = "W7-60 R1 W",
    number: str = "",
    result: str = "worked",
) -> str:
    day = TODAY - timedelta(days=days_ago)
    return f"{kind},PMP-1,Velthane,W7-60 R1 S,,,Velt Werke,{model},,,{number},,,{day},{result},"


def counted(bench: Bench) -> dict[str, dict[str, int]]:
    return {under: dict(by) for under, by in tables.closed_counts(bench.workshop).items()}


class TestImported:
    def test_job_need_fitting_worked(self, bench: Bench, take: Take) -> None:
        take("jobs", job_row(number="PMP 1"))
        take("outcomes", fitting_row(number="pmp-1"))
        assert counted(bench) == {NO_DRAIN: {"drain-pump": 1}}
        found = FaultFound.of(bench.workshop).get()
        assert (found.by, found.outcome) == (None, Outcome.of(bench.workshop).get())
        # It says what the fault was; whether the job is over is for a person.
        job = get_job(bench.workshop, "J-1")
        assert (job.state, job.needs.get().state) == (Job.State.OPEN, Need.State.OPEN)
        assert fault_of(bench.workshop, job).found == found

    def test_whichever_file_comes_first_and_however_often(self, bench: Bench, take: Take) -> None:
        for _ in range(2):
            take("outcomes", fitting_row())
            take("jobs", job_row())
        assert counted(bench) == {NO_DRAIN: {"drain-pump": 1}}
        assert FaultLesson.of(bench.workshop).count() == 1

    @pytest.mark.parametrize(
        ("jobs", "fittings"),
        [
            pytest.param([job_row(), job_row("J-2")], [fitting_row()], id="two jobs, one fitting"),
            pytest.param([job_row()], [fitting_row(), fitting_row(40)], id="two fittings"),
            pytest.param([job_row()], [fitting_row(70)], id="fitted before it was opened"),
            pytest.param([job_row(opened="2025-01-01")], [fitting_row()], id="a year later"),
            pytest.param([job_row()], [fitting_row(model="W7-60 R2 W")], id="another model"),
            pytest.param([job_row(model="")], [fitting_row(model="")], id="no model at all"),
            pytest.param([job_row(number="A1")], [fitting_row(number="B2")], id="another old part"),
            pytest.param([job_row()], [fitting_row(result="did-not-fit")], id="it did not fit"),
            pytest.param([job_row(symptom="")], [fitting_row()], id="nothing was said"),
            pytest.param(
                [job_row(), job_row(kind="heater")], [fitting_row()], id="a part still lacks"
            ),
            pytest.param(
                [job_row(), job_row(kind="heater")],
                [fitting_row(), fitting_row(kind="heater")],
                id="parts of two kinds",
            ),
        ],
    )
    def test_what_is_not_known_teaches_nothing(
        self, bench: Bench, take: Take, jobs: list[str], fittings: list[str]
    ) -> None:
        take("jobs", *jobs)
        take("outcomes", *fittings)
        assert counted(bench) == {}

    def test_two_jobs_told_apart_by_the_old_part(self, bench: Bench, take: Take) -> None:
        take("jobs", job_row(number="A1"), job_row("J-2", number="B2", symptom="is loud"))
        take("outcomes", fitting_row(number="a-1"))
        assert FaultFound.of(bench.workshop).get().job.ref == "J-1"

    def test_what_a_person_says_later_takes_its_place(self, bench: Bench, take: Take) -> None:
        take("jobs", job_row())
        take("outcomes", fitting_row())
        closing.say_found(
            workshop=bench.workshop, ref="J-1", suspect="blockage", member=bench.technician, now=NOW
        )
        assert counted(bench) == {NO_DRAIN: {"blockage": 1}}
        take("outcomes", fitting_row(result="worked", kind="heater"))
        assert counted(bench) == {NO_DRAIN: {"blockage": 1}}

    def test_another_workshop_s_fittings_say_nothing(
        self, bench: Bench, other_bench: Bench, take: Take
    ) -> None:
        other_bench.job(
            needs=[NeedFacts(kind="drain-pump")],
            symptom="does not drain",
            opened_on=TODAY - timedelta(days=60),
        )
        take("outcomes", fitting_row())
        past.teach(other_bench.workshop.pk, now=NOW)
        assert counted(other_bench) == counted(bench) == {}


class TestClosedBefore:
    def closed(self, bench: Bench, *kinds: str, ref: str = "", **values: object) -> Job:
        """A job done before faults were noted: its words unread, its needs filled."""
        facts = [NeedFacts(kind=kind) for kind in kinds]
        job = bench.job(needs=facts, symptom="does not drain", ref=ref, **values)
        Sign.of(bench.workshop).filter(job=job).delete()
        Need.of(bench.workshop).filter(job=job).update(state=Need.State.FILLED)
        Job.of(bench.workshop).filter(pk=job.pk).update(state=Job.State.DONE)
        return job

    def test_its_words_are_read_and_the_part_was_the_fault(self, bench: Bench) -> None:
        self.closed(bench, "drain-pump")
        assert past.teach(bench.workshop.pk, now=NOW).jobs == 1
        assert past.teach(bench.workshop.pk, now=NOW).jobs == 0
        assert counted(bench) == {NO_DRAIN: {"drain-pump": 1}}

    def test_of_several_kinds_nobody_knows_which(self, bench: Bench) -> None:
        self.closed(bench, "drain-pump", "heater")
        assert past.teach(bench.workshop.pk, now=NOW).jobs == 0
        assert counted(bench) == {}

    def test_what_a_person_chose_is_not_read_over(self, bench: Bench) -> None:
        job = self.closed(bench, "drain-pump")
        Sign.objects.create(
            workshop=bench.workshop,
            job=job,
            how=Sign.How.CHOSEN,
            symptom="washing-machine:no-heat",
            at=NOW,
        )
        past.teach(bench.workshop.pk, now=NOW)
        assert counted(bench) == {"washing-machine:no-heat": {"drain-pump": 1}}

    def test_page_by_page_until_none_is_left(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for number in range(5):
            self.closed(bench, "drain-pump", ref=f"X-{number}")
        monkeypatch.setattr(past.teach, "__kwdefaults__", {"most": 2})
        past.ask(bench.workshop.pk)
        bench.drain()
        assert counted(bench) == {NO_DRAIN: {"drain-pump": 5}}

    def test_a_job_changed_meanwhile_does_not_stop_the_rest(
        self, bench: Bench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        for number in range(5):
            self.closed(bench, "drain-pump", ref=f"X-{number}")
        look = past._to_teach

        def refused_before_it_is_locked(workshop_id: int, fitted: dict[int, int]) -> list[int]:
            found = look(workshop_id, fitted)
            Job.of(bench.workshop).filter(ref="X-0").update(state=Job.State.REFUSED)
            return found

        monkeypatch.setattr(past, "_to_teach", refused_before_it_is_locked)
        monkeypatch.setattr(past.teach, "__kwdefaults__", {"most": 2})
        past.ask(bench.workshop.pk)
        bench.drain()
        assert counted(bench) == {NO_DRAIN: {"drain-pump": 4}}

    @pytest.mark.parametrize("state", [Job.State.REFUSED, Job.State.BROKEN])
    def test_what_was_not_repaired_teaches_nothing(self, bench: Bench, state: str) -> None:
        job = self.closed(bench, "drain-pump")
        Job.of(bench.workshop).filter(pk=job.pk).update(state=state)
        assert past.teach(bench.workshop.pk, now=NOW) == (0, False)
        assert counted(bench) == {}

    def test_refused_after_one_of_two_parts_was_fitted(self, bench: Bench) -> None:
        facts = [NeedFacts(kind="drain-pump"), NeedFacts(kind="control-board")]
        job = bench.job(needs=facts, symptom="does not drain")
        part = bench.part(bench.donor(), "drain-pump")
        bench.drain()
        who = {"workshop": bench.workshop, "member": bench.technician, "now": NOW}
        need = job.needs.get(kind="drain-pump")
        hold = holds.hold_part(part_ref=part.ref, need_id=need.pk, **who)
        report = Report(Outcome.Result.WORKED, TODAY)
        fittings.report_fitting(workshop=bench.workshop, hold_id=hold.pk, report=report, now=NOW)
        keeping.refuse_repair(ref=job.ref, answer=Answer(), **who)
        bench.drain()
        assert past.teach(bench.workshop.pk, now=NOW).jobs == 0
        assert counted(bench) == {}

    def test_news_goes_before_it(self, bench: Bench) -> None:
        past.ask(bench.workshop.pk)
        assert OutboxEvent.of(bench.workshop).get(kind=events.PAST_UNTAUGHT).background
