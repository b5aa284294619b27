"""From fault to need by hand, without scripts: the job's page of its fault and the tables."""

import re
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from matching.faults import closing, editing, tables
from matching.faults.editing import SymptomFacts
from matching.models import CheckAnswer, FaultCode, FaultFound, Job, Need, Sign, WorkshopSymptom
from tests.factories import NOW, Bench
from tests.integration.web.reading import has_field_message, text_of
from tests.integration.web.test_page_queries import count_queries

pytestmark = pytest.mark.django_db

NO_DRAIN = "washing-machine:no-drain"
FILTER = "washing-machine:filter-clear"
OPENED = {
    "appliance": "washing-machine",
    "make": "Velthane",
    "model_number": "W7-60 R1 W",
    "opened_on": "2026-11-20",
    **{f"need{row}-{name}": "" for row in range(3) for name in ("kind", "position")},
}


@pytest.fixture
def job(bench: Bench) -> Job:
    return bench.job(needs=[], symptom="does not drain")


def page(client: Client, job: Job) -> str:
    answer = client.get(reverse("job-fault", args=[job.ref]))
    assert answer.status_code == 200
    return text_of(answer)


def act(client: Client, job: Job, what: str, **values: Any) -> Any:
    return client.post(reverse(f"job-fault-{what}", args=[job.ref]), values, follow=True)


def test_a_job_is_opened_by_its_words_and_leads_on_to_its_fault(
    bench: Bench, technician: Client
) -> None:
    answer = technician.post(
        reverse("job-new"), {**OPENED, "symptom": "it does not drain", "shown_code": "P4"}
    )
    job = Job.of(bench.workshop).get()
    assert answer.url == reverse("job-fault", args=[job.ref])
    assert Sign.of(bench.workshop).get(how="shown").by == bench.technician
    shown = page(technician, job)
    assert "Does not drain read from the customer's words" in shown
    assert "P4 is not in your table for a Velthane washing machine" in shown
    assert "fault not found yet" in text_of(technician.get(reverse("jobs")))


@pytest.mark.parametrize(
    ("typed", "field", "words"),
    [
        ({}, "needs", "Name a part, say what the machine does"),
        ({"symptom": "x" * 5000}, "id_symptom", "At most 4000"),
        ({"symptom": "leaks", "shown_code": "-"}, "id_shown_code", "as it stands on the display"),
    ],
)
def test_a_job_of_which_nothing_is_known_or_too_much_said_is_not_opened(
    bench: Bench, technician: Client, typed: dict[str, str], field: str, words: str
) -> None:
    answer = technician.post(reverse("job-new"), {**OPENED, **typed})
    assert answer.status_code == 400
    assert has_field_message(answer, field, words), text_of(answer)
    assert not Job.of(bench.workshop).exists()
    assert not Sign.of(bench.workshop).exists()


def test_from_the_words_to_the_part(bench: Bench, technician: Client, job: Job) -> None:
    bench.donor()
    bench.drain()
    shown = page(technician, job)
    assert "Check next Drain at the filter" in shown
    assert "5 min" in shown
    assert "Drain pump 40 %" in shown  # 42 of 100 in the table, 5 % left open
    assert "A blockage no part 36 %" in shown
    assert "1 in stock may serve" in shown
    assert "same part" in shown.lower() or "likely fits" in shown.lower()
    answer = act(technician, job, "answer", check=FILTER, answer="good")
    shown = text_of(answer)
    assert "Noted: clear" in shown
    assert "1 check done" in shown
    answer = act(technician, job, "needs", kind=["drain-pump"])
    assert "needs now: drain pump" in text_of(answer)
    assert job.needs.get().kind_id == "drain-pump"
    assert "The job asks for already: drain pump, open" in page(technician, job)


def test_an_answer_is_taken_back_and_kept(bench: Bench, technician: Client, job: Job) -> None:
    act(technician, job, "answer", check=FILTER, answer="bad")
    given = CheckAnswer.of(bench.workshop).get()
    shown = text_of(act(technician, job, "undo", answer=given.pk))
    assert "Taken back, kept on record: 1" in shown
    assert "no check done" in shown


def test_signs_are_added_and_taken_back(bench: Bench, technician: Client, job: Job) -> None:
    shown = text_of(act(technician, job, "sign", symptom="washing-machine:leaks"))
    assert "Leaks water chosen by a person, millrace-technician" in shown
    sign = Sign.of(bench.workshop).get(symptom=NO_DRAIN)
    shown = text_of(act(technician, job, "sign-remove", sign=sign.pk))
    assert "read from the customer's words" not in shown
    assert "name nothing new" in text_of(act(technician, job, "words"))


def test_without_any_sign_a_part_can_still_be_asked_for(bench: Bench, technician: Client) -> None:
    job = bench.job(needs=[], symptom="sings")
    assert "The customer's words name no symptom of the table" in page(technician, job)
    assert "needs now: heater" in text_of(act(technician, job, "needs", other="heater"))


def test_a_blockage_closes_the_job(bench: Bench, technician: Client, job: Job) -> None:
    shown = text_of(act(technician, job, "found", suspect="blockage", note="a coin"))
    assert f"{job.ref} is done: it was a blockage" in shown
    assert "It was a blockage, said millrace-technician" in shown
    assert "The fault It was a blockage" in text_of(technician.get(reverse("job", args=[job.ref])))
    shown = text_of(act(technician, job, "found", suspect="hose", note=""))
    assert "On record: it was a hose, clip or seal" in shown
    assert "Said before: 1" in shown


@pytest.mark.parametrize(
    ("what", "values", "status"),
    [
        ("sign", {}, 400),
        ("sign", {"symptom": "microwave:dead"}, 400),
        ("code", {"code": " "}, 400),
        ("code", {"code": "9" * 5000}, 400),
        ("code", {"code": "\u202e"}, 400),
        ("sign-remove", {"sign": "9" * 30}, 400),
        ("sign-remove", {"sign": "999"}, 404),
        ("answer", {"check": FILTER}, 400),
        ("answer", {"check": "<b>", "answer": "bad"}, 400),
        ("undo", {"answer": "-1"}, 400),
        ("undo", {"answer": "999"}, 404),
        ("needs", {}, 400),
        ("needs", {"kind": ["drain-pump", "<b>"]}, 400),
        ("needs", {"kind": ["thermal-cutout"]}, 400),
        ("found", {}, 400),
        ("found", {"suspect": "goblins"}, 400),
        ("found", {"suspect": "blockage", "note": "x" * 301}, 400),
    ],
)
def test_nonsense_is_refused_and_nothing_written(
    bench: Bench, technician: Client, job: Job, what: str, values: dict[str, Any], status: int
) -> None:
    before = _rows(bench)
    answer = technician.post(reverse(f"job-fault-{what}", args=[job.ref]), values)
    assert answer.status_code == status, text_of(answer)
    assert 'role="alert"' in answer.content.decode()
    assert "<b>" not in answer.content.decode()
    assert _rows(bench) == before


def _rows(bench: Bench) -> list[Any]:
    models = (Job, Sign, CheckAnswer, FaultFound, Need)
    return [list(model.of(bench.workshop).order_by("pk").values()) for model in models]


def test_html_in_the_complaint_and_in_the_code_is_text(bench: Bench, technician: Client) -> None:
    nasty = "does not drain <script>alert(1)</script><img src=x onerror=y>" * 60
    job = bench.job(needs=[], symptom=nasty, shown_code="<b>P4</b>")
    for route in ("job-fault", "job"):
        html = technician.get(reverse(route, args=[job.ref])).content.decode()
        assert "<script" not in html.replace('<script src="/static/', "")
        assert "<img" not in html
        assert "<b>" not in html
    assert "shows <b>P4</b>" in page(technician, job)


def test_who_may_only_read_sees_no_button_to_press(
    bench: Bench, cataloguer: Client, job: Job
) -> None:
    html = cataloguer.get(reverse("job-fault", args=[job.ref])).content.decode()
    main = html[html.index("<main") :]
    assert "Needs the role technician." in main
    for button in re.findall(r"<button[^>]*>", main):
        assert "disabled" in button


def test_an_unknown_code_is_offered_to_the_reviewer_only(
    bench: Bench, technician: Client, reviewer: Client, job: Job
) -> None:
    act(technician, job, "code", code="P 4")
    assert "A reviewer can add it to the table." in page(technician, job)
    html = reviewer.get(reverse("job-fault", args=[job.ref])).content.decode()
    link = re.search(r'href="(/fault-codes/new/[^"]+)"', html)
    assert link is not None
    form = reviewer.get(link.group(1).replace("&amp;", "&"))
    assert 'value="P 4"' in form.content.decode()
    stored = {
        "make": "Velthane",
        "appliance": "washing-machine",
        "code": "P 4",
        "suspects": "drain-pump=3 | blockage=1",
        "standing": "own",
    }
    answer = reviewer.post(reverse("fault-code-new"), stored, follow=True)
    assert "Velthane P 4 is stored" in text_of(answer)
    assert "Shows P4" in page(technician, job)


class TestTables:
    def test_a_symptom_is_changed_shown_with_what_was_learned_and_restored(
        self, bench: Bench, reviewer: Client, technician: Client, job: Job
    ) -> None:
        closing.say_found(
            workshop=bench.workshop,
            ref=job.ref,
            suspect="hose",
            member=bench.technician,
            now=NOW,
        )
        address = reverse("symptom", args=[NO_DRAIN])
        shown = text_of(reviewer.get(address))
        assert "Closed jobs with it: 1" in shown
        assert "A hose, clip or seal hose not listed 0 % 1 9 %" in shown  # (0 + 1) / (10 + 1)
        typed = {"name": "Does not drain", "suspects": "hose=1", "words": "stays wet"}
        change = reverse("symptom-change", args=[NO_DRAIN])
        assert "guide, changed here" in text_of(reviewer.post(change, typed, follow=True))
        assert technician.get(address).status_code == 200
        assert "Changing it: Needs the role reviewer" in text_of(technician.get(address))
        restore = reverse("symptom-restore", args=[NO_DRAIN])
        assert "as delivered again" in text_of(reviewer.post(restore, follow=True))
        assert not WorkshopSymptom.of(bench.workshop).exists()

    def test_a_symptom_is_added_and_noted_of_a_job(
        self, bench: Bench, reviewer: Client, technician: Client, job: Job
    ) -> None:
        typed = {"appliance": "washing-machine", "name": "Sings", "suspects": "belt=1"}
        answer = reviewer.post(reverse("symptom-new"), typed, follow=True)
        assert "is a symptom of yours now" in text_of(answer)
        act(technician, job, "sign", symptom="washing-machine:sings")
        assert "Sings chosen by a person" in page(technician, job)

    @pytest.mark.parametrize(
        ("changed", "field", "words"),
        [
            ({"suspects": "belt=-1"}, "id_suspects", "must be more than 0"),
            ({"suspects": "belt"}, "id_suspects", "is no kind with its weight"),
            ({"suspects": "belt=1|belt=2"}, "id_suspects", "is there twice"),
            ({"suspects": "<b>=1"}, "id_suspects", "neither a part kind"),
            ({"name": "..."}, "id_name", "Say in letters"),
            ({"words": "a"}, "id_words", "too short"),
            ({"appliance": "toaster"}, "id_appliance", "none of the choices"),
        ],
    )
    def test_a_bad_symptom_comes_back_with_what_was_typed(
        self, bench: Bench, reviewer: Client, changed: dict[str, str], field: str, words: str
    ) -> None:
        typed = {"appliance": "washing-machine", "name": "Sings", "suspects": "belt=1"}
        answer = reviewer.post(reverse("symptom-new"), {**typed, **changed})
        assert answer.status_code == 400
        assert has_field_message(answer, field, words), text_of(answer)
        assert "<b>" not in answer.content.decode()
        assert not WorkshopSymptom.of(bench.workshop).exists()

    def test_a_code_there_already_is_refused(self, bench: Bench, reviewer: Client) -> None:
        typed = {
            "make": "Velthane",
            "appliance": "washing-machine",
            "code": "P4",
            "suspects": "drain-pump=1",
            "standing": "own",
        }
        assert reviewer.post(reverse("fault-code-new"), typed).status_code == 302
        answer = reviewer.post(reverse("fault-code-new"), {**typed, "code": "p.4"})
        assert answer.status_code == 409
        assert has_field_message(answer, "id_code", "there already")
        code = FaultCode.of(bench.workshop).get()
        change = reverse("fault-code-change", args=[code.pk])
        reviewer.post(change, {**typed, "hidden": "on"})
        code.refresh_from_db()
        assert code.hidden
        listed = text_of(reviewer.get(reverse("fault-codes")))
        assert "P4 hidden Velthane all Washing machine" in listed

    def test_minutes_of_a_check(self, bench: Bench, reviewer: Client) -> None:
        set_it = reverse("fault-check-set", args=["washing-machine"])
        answer = reviewer.post(set_it, {"check": FILTER, "minutes": "7.5"}, follow=True)
        assert "7.5 minutes" in text_of(answer)
        for bad in ("-1", "0", "9999", "nan", "lots"):
            answer = reviewer.post(set_it, {"check": FILTER, "minutes": bad})
            assert answer.status_code == 400, bad
        (row,) = [row for row in tables.check_rows(bench.workshop) if row.check.slug == FILTER]
        assert row.check.minutes == 7.5

    def test_a_check_of_one_s_own(self, bench: Bench, reviewer: Client, job: Job) -> None:
        typed = {
            "do": "Listen at the pump.",
            "minutes": "1",
            "suspects": "drain-pump=0.95 | blockage=0.1",
            "otherwise": "0.05",
            "finds": "it hums",
            "clear": "it is silent",
            "instrument": "a stethoscope",
            "opens": "on",
            "cautions": ["all-live-test"],
        }
        new = reverse("fault-check-new", args=["washing-machine"])
        assert "Pull the plug" in text_of(reviewer.get(new))
        for bad, field in (
            ({"suspects": "drain-pump=2"}, "suspects"),
            ({"minutes": "0"}, "minutes"),
            ({"cautions": ["mw-hv"]}, "cautions"),
            ({"do": "<>"}, "do"),
        ):
            answer = reviewer.post(new, {**typed, **bad})
            assert answer.status_code == 400, bad
            assert has_field_message(answer, f"id_{field}", ""), bad
        answer = reviewer.post(new, typed, follow=True)
        assert "is a check of yours now" in text_of(answer)
        assert reviewer.post(new, typed).status_code == 409
        shown = page(reviewer, job)
        assert "Listen at the pump. 1 min, with: a stethoscope" in shown
        (row,) = [row for row in tables.check_rows(bench.workshop) if row.given is None]
        slug = row.check.slug
        act(reviewer, job, "answer", check=slug, answer="bad")
        assert "1 check done" in page(reviewer, job)
        change = reverse("fault-check-change", args=[slug])
        assert reviewer.post(change, {**typed, "minutes": "x"}).status_code == 400
        answer = reviewer.post(change, {**typed, "hidden": "on"}, follow=True)
        assert "retired" in text_of(answer)
        shown = page(reviewer, job)  # kept with its words, and counts for nothing
        assert "Listen at the pump." in shown
        assert "no check done" in shown

    def test_whoever_reads_a_check_sees_what_can_hurt(
        self, bench: Bench, reviewer: Client, technician: Client
    ) -> None:
        typed = {
            "do": "Measure across the bus of the inverter.",
            "minutes": "6",
            "suspects": "inverter-module=0.8",
            "otherwise": "0.05",
            "finds": "no voltage",
            "clear": "it is there",
            "opens": "on",
            "cautions": ["all-live-test"],
        }
        new = reverse("fault-check-new", args=["washing-machine"])
        assert "300 to 400 V" in text_of(reviewer.get(new))
        reviewer.post(new, typed)
        (row,) = [row for row in tables.check_rows(bench.workshop) if row.given is None]
        shown = text_of(technician.get(reverse("fault-check", args=[row.check.slug])))
        said = (
            "Pull the plug",
            "stay charged",
            "300 to 400 V",
            "Nobody tests a live machine alone",
        )
        places = [shown.index(words) for words in said]
        assert places == sorted(places)
        assert "Licensed work: electrical safety" in shown
        assert "chosen or not" not in shown  # of the form, which this reader has not
        assert "chosen or not" in text_of(
            reviewer.get(reverse("fault-check", args=[row.check.slug]))
        )


def test_pages_ask_no_more_as_rows_grow(
    bench: Bench, technician: Client, reviewer: Client, job: Job
) -> None:
    """More signs, closed jobs, codes and symptoms: the same number of queries."""
    stated = {"workshop": bench.workshop, "member": bench.members["reviewer"], "now": NOW}
    bench.faults(job)
    numbers = iter(range(100))

    def grow() -> None:
        number = next(numbers)
        closed = bench.job(needs=[], symptom="does not drain", shown_code="P4")
        closing.say_found(ref=closed.ref, suspect="blockage", **{**stated})
        editing.add_symptom(
            appliance="washing-machine",
            facts=SymptomFacts(f"Sings {number}", {"belt": 1.0}),
            **stated,
        )
        editing.save_code(
            facts=editing.CodeFacts("Velthane", "washing-machine", f"E{number}", {"belt": 1.0}),
            **stated,
        )

    addresses = [
        reverse("job-fault", args=[job.ref]),
        reverse("job", args=[job.ref]),
        reverse("symptoms"),
        reverse("symptom", args=[NO_DRAIN]),
        reverse("fault-codes"),
        reverse("fault-checks"),
    ]
    grow()
    for address in addresses:
        count_queries(technician, address)
    small = [count_queries(technician, address) for address in addresses]
    for _ in range(3):
        grow()
    assert [count_queries(technician, address) for address in addresses] == small
    assert small[0] <= 45
    assert small[1] <= 26


@pytest.mark.parametrize(("state", "asks"), [("done", True), ("refused", False), ("broken", False)])
def test_what_it_was_is_asked_only_where_something_was_repaired(
    technician: Client, job: Job, state: str, asks: bool
) -> None:
    Job.of(job.workshop_id).update(state=state)
    seen = page(technician, job)
    assert ("Put it on record" in seen) is asks
    assert ("nothing was repaired" in seen) is not asks
