"""The strip page: worked through on a phone, without scripts; certificates and steps beside it."""

import re
from datetime import timedelta
from typing import Any

import networkx as nx
import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from donors.models import Donor
from matching.strip_planning import plan_donor
from matching.web.strip_drawing import draw
from parts import strip_steps
from parts.models import Part, StepRecord, StepSpan
from parts.strip_steps import StepFacts
from tests.factories import TODAY, Bench
from tests.integration.web.reading import text_of
from tests.integration.web.test_page_queries import same_at_two_sizes
from workshop.models import Certificate

pytestmark = pytest.mark.django_db


@pytest.fixture
def donor(bench: Bench) -> Donor:
    return bench.donor(cause="bearing-drum")


def page(client: Client, donor: Donor, **asked: Any) -> Any:
    return client.get(reverse("donor-strip", args=[donor.ref]), asked)


def act(client: Client, donor: Donor, what: str, step: str, **more: Any) -> Any:
    return client.post(reverse(f"donor-strip-{what}", args=[donor.ref]), {"step": step, **more})


def part_of(donor: Donor, kind: str) -> Part:
    return donor.parts.get(kind=kind)


def test_it_shows_order_worth_cautions_and_why_the_rest_stays(
    bench: Bench, technician: Client, donor: Donor
) -> None:
    job = bench.job(kind="inlet-valve")
    bench.drain()
    html = page(technician, donor).content.decode()
    text = text_of(page(technician, donor))
    assert f"waited for by {job.ref}" in text
    # What a job waits for comes first, with only its own access.
    assert re.findall(r"<h3[^>]*>(\d+\. [^<]*)</h3>", html)[:2] == [
        "1. Lid off",
        "2. Inlet valve out",
    ]
    # Cautions stand above the buttons of their step.
    card = html[html.index('id="step-lid-off"') : html.index('id="step-inlet-valve-out"')]
    assert card.index("Panel edges cut") < card.index("Start the timer")
    assert "does not pay: " in text
    assert "guess 3, no own times yet" in text
    assert "Local codes and licensed people come first." in text


def test_the_donor_page_leads_to_it_with_its_figures(technician: Client, donor: Donor) -> None:
    found = plan_donor(donor.workshop, donor.ref, on=timezone.localdate())
    text = text_of(technician.get(reverse("donor", args=[donor.ref])))
    value, minutes = f"{found.plan.value:.2f}", f"{round(found.plan.minutes, 1):g}"
    assert f"Strip plan EUR {value} in {minutes} min" in text


def test_a_step_is_timed_ticked_and_its_part_shelved(technician: Client, donor: Donor) -> None:
    assert act(technician, donor, "start", "lid-off").status_code == 302
    assert "Timer runs since" in text_of(page(technician, donor))  # after a reload
    assert act(technician, donor, "stop", "lid-off").status_code == 302
    assert act(technician, donor, "finish", "lid-off", minutes="4.5").status_code == 302
    valve = part_of(donor, "inlet-valve")
    opened = page(technician, donor, step="inlet-valve-out").content.decode()
    assert f'name="bin_{valve.pk}"' in opened
    typed = {f"came_{valve.pk}": "out", f"bin_{valve.pk}": "A-1", f"number_{valve.pk}": "V 12"}
    assert act(technician, donor, "finish", "inlet-valve-out", **typed).status_code == 302
    valve.refresh_from_db()
    assert (valve.state, valve.bin, valve.part_number) == ("shelved", "A-1", "V 12")
    text = text_of(page(technician, donor))
    assert "Took 4.5 min (said; timer 0); guess 3, 1 own time" in text


def test_the_minutes_there_are_stay_while_working(technician: Client, donor: Donor) -> None:
    assert "No limit" in text_of(page(technician, donor, within_min="25"))
    answer = act(technician, donor, "start", "lid-off", within_min="25")
    assert "within_min=25" in answer.url
    refused = page(technician, donor, within_min="-3")
    assert refused.status_code == 400


def test_a_refused_tick_keeps_what_was_typed(technician: Client, donor: Donor) -> None:
    act(technician, donor, "finish", "drain-at-filter")
    answer = act(technician, donor, "finish", "lay-down", found="leans to the left")
    assert answer.status_code == 400
    assert "takes two persons. Name the second one first." in text_of(answer)
    assert "leans to the left" in answer.content.decode()
    assert not StepRecord.of(donor.workshop_id).filter(step="lay-down").exists()


def test_strange_input_is_refused_with_a_sentence(technician: Client, donor: Donor) -> None:
    valve = part_of(donor, "inlet-valve")
    act(technician, donor, "finish", "lid-off")
    for more in ({f"came_{valve.pk}": "eaten"}, {"minutes": "soon"}, {"minutes": "-1"}, {}):
        answer = act(technician, donor, "finish", "inlet-valve-out", **more)
        assert answer.status_code == 400, more
    for what in ("start", "stop", "finish", "leave-out", "reopen", "minutes"):
        for step in ("", "fly-away", "🧰", "x" * 400):
            answer = act(technician, donor, what, step, came="not-here")
            assert answer.status_code in {400, 404}, (what, step)
    valve.refresh_from_db()
    assert valve.state == Part.State.IN_MACHINE


def test_ticking_twice_is_refused_and_the_page_shown(technician: Client, donor: Donor) -> None:
    act(technician, donor, "finish", "lid-off")
    answer = act(technician, donor, "finish", "lid-off")
    assert answer.status_code == 409
    assert "on record for this donor already" in text_of(answer)


def test_one_timer_at_a_time(technician: Client, donor: Donor) -> None:
    act(technician, donor, "start", "lid-off")
    answer = act(technician, donor, "start", "rear-cover-off")
    assert answer.status_code == 409
    assert "Your timer runs on “Lid off”" in text_of(answer)
    assert StepSpan.of(donor.workshop_id).count() == 1


def test_built_otherwise_corrected_and_reopened(technician: Client, donor: Donor) -> None:
    act(technician, donor, "leave-out", "board-top-out", came="not-here", found="board in the base")
    donor.refresh_from_db()
    assert "board in the base" in donor.note
    act(technician, donor, "finish", "lid-off", minutes="400")
    act(technician, donor, "minutes", "lid-off", minutes="4")
    assert StepRecord.of(donor.workshop_id).get(step="lid-off").minutes == 4
    assert act(technician, donor, "minutes", "lid-off", minutes="x").status_code == 400
    act(technician, donor, "reopen", "lid-off")
    assert not StepRecord.of(donor.workshop_id).filter(step="lid-off").exists()


def test_licensed_work_shows_its_licence_and_names_the_holder(
    bench: Bench, technician: Client, donor: Donor
) -> None:
    strip_steps.add_step(
        workshop=bench.workshop,
        appliance="washing-machine",
        facts=StepFacts(name="Heat pump out", minutes=20, licence="refrigerant"),
    )
    yesterday = timezone.localdate() - timedelta(days=1)
    old = bench.certificate(number="OLD", valid_until=yesterday)
    text = text_of(page(technician, donor, step="heat-pump-out"))
    assert "Licensed work: refrigerant" in text
    assert f"valid until {yesterday}" in text
    assert act(technician, donor, "finish", "heat-pump-out").status_code == 400
    answer = act(technician, donor, "finish", "heat-pump-out", certificate=old.pk)
    assert answer.status_code == 400
    assert f"expired on {yesterday}" in text_of(answer)
    good = bench.certificate(number="NEW")
    assert act(technician, donor, "finish", "heat-pump-out", certificate=good.pk).status_code == 302
    assert "under refrigerant handling NEW of millrace-owner" in text_of(page(technician, donor))


def test_nothing_left_to_do_is_said(technician: Client, donor: Donor) -> None:
    Part.of(donor.workshop_id).filter(donor=donor).update(state="removed", removed_on=TODAY)
    assert "Nothing more pays to be taken out." in text_of(page(technician, donor))


def test_queries_stay_the_same_as_rows_grow(bench: Bench, technician: Client) -> None:
    donor = bench.donor(cause="bearing-drum")
    steps = iter(["lid-off", "rear-cover-off", "kick-strip-off", "belt-off"])

    def grow() -> None:
        act(technician, donor, "start", step := next(steps))
        act(technician, donor, "finish", step)
        bench.job(kind="inlet-valve")
        bench.certificate(number=f"R {step}", kind="gas")
        bench.licensed_record(bench.donor("K3-60 R1 W")) if step == "lid-off" else None
        bench.donor("W7-60 R1 W")
        bench.drain()

    same_at_two_sizes(technician, lambda: reverse("donor-strip", args=[donor.ref]), grow)
    counted = []
    from tests.integration.web.test_page_queries import count_queries

    for address in ("donor-strip", "donor"):
        counted.append(count_queries(technician, reverse(address, args=[donor.ref])))
    assert max(counted) <= 40


def test_the_other_pages_ask_no_more_as_rows_grow(bench: Bench, technician: Client) -> None:
    numbers = iter(range(9))

    def grow() -> None:
        number = next(numbers)
        bench.certificate(number=f"R {number}")
        strip_steps.add_step(
            workshop=bench.workshop,
            appliance="washing-machine",
            facts=StepFacts(name=f"Foot {number} off", minutes=1),
        )

    same_at_two_sizes(technician, lambda: reverse("certificates"), grow)
    steps = reverse("strip-steps", args=["washing-machine"])
    same_at_two_sizes(technician, lambda: steps, grow)


class TestDrawing:
    def test_every_step_and_part_stands_right_of_what_comes_before_it(
        self, bench: Bench, donor: Donor
    ) -> None:
        """Against networkx: a box lies in the generation of its longest way from a start."""
        drawing = draw(plan_donor(bench.workshop, donor.ref, on=TODAY))
        at = {(box.right, box.centre): box for box in drawing.boxes}
        to = {(box.x, box.centre): box for box in drawing.boxes}
        graph: nx.DiGraph[str] = nx.DiGraph()
        for arrow in drawing.arrows:
            before, after = at[arrow.x1, arrow.y1], to[arrow.x2, arrow.y2]
            assert before.right < after.x
            graph.add_edge(before.label, after.label)
        columns = {box.label: box.x for box in drawing.boxes}
        depth = {
            label: max((len(p) for s in nx.ancestors(graph, label)
                        for p in nx.all_simple_paths(graph, s, label)), default=1) - 1
            for label in ("Lid off", "Fascia off", "Front panel off", "Door lock")
        }  # fmt: skip
        width = min(x for x in columns.values() if x > min(columns.values())) - min(
            columns.values()
        )
        for label, deep in depth.items():
            assert columns[label] == min(columns.values()) + deep * width

    def test_boxes_do_not_overlap_and_lie_inside(self, bench: Bench, donor: Donor) -> None:
        drawing = draw(plan_donor(bench.workshop, donor.ref, on=TODAY))
        boxes = drawing.boxes
        for number, one in enumerate(boxes):
            assert one.x >= 0
            assert one.right <= drawing.width
            assert one.y + drawing.box_height <= drawing.height
            for other in boxes[number + 1 :]:
                assert (
                    abs(one.x - other.x) >= drawing.box_width
                    or abs(one.y - other.y) >= drawing.box_height
                )

    def test_state_is_told_in_words_and_in_a_table(self, technician: Client, donor: Donor) -> None:
        act(technician, donor, "finish", "lid-off")
        html = page(technician, donor).content.decode()
        svg = html[html.index("<svg") : html.index("</svg>")]
        assert {"done", "planned", "left"} <= set(re.findall(r">([a-z]+)</text>", svg))
        assert "style=" not in svg
        table = html[html.index("The drawing as a table") :]
        step = r"Lid off</th><td[^>]*>step</td><td[^>]*>nothing</td><td[^>]*>done"
        assert re.search(step, table)
        assert re.search(r"Inlet valve out</th><td[^>]*>step</td><td[^>]*>Lid off</td>", table)


class TestCertificates:
    def test_the_owner_puts_them_on_record_and_takes_them_off(
        self, bench: Bench, sign_in: Any
    ) -> None:
        owner, address = sign_in(bench, "owner"), reverse("certificates")
        typed = {
            "member_id": bench.technician.pk,
            "kind": "gas",
            "number": "G-7",
            "valid_until": "2020-01-31",
        }
        assert owner.post(address, typed).status_code == 302
        text = text_of(owner.get(address))
        assert "G-7 2020-01-31 expired" in text
        again = owner.post(address, typed)
        assert again.status_code == 409
        assert "is on record already" in text_of(again)
        row = Certificate.of(bench.workshop).get()
        assert owner.post(reverse("certificate-remove", args=[row.pk])).status_code == 302
        assert not Certificate.of(bench.workshop).exists()

    @pytest.mark.parametrize(
        "bad",
        [
            {"member_id": "999999"},
            {"kind": "juggling"},
            {"number": " "},
            {"valid_until": "soon"},
            {"valid_until": "1900-01-01"},
        ],
    )
    def test_bad_input_is_refused(self, bench: Bench, sign_in: Any, bad: dict[str, str]) -> None:
        typed = {
            "member_id": bench.technician.pk,
            "kind": "gas",
            "number": "G",
            "valid_until": "2030-01-31",
        }
        answer = sign_in(bench, "owner").post(reverse("certificates"), {**typed, **bad})
        assert answer.status_code == 400
        assert not Certificate.of(bench.workshop).exists()

    def test_others_may_look_but_not_change(self, bench: Bench, technician: Client) -> None:
        bench.certificate()
        assert "R-1" in text_of(technician.get(reverse("certificates")))
        assert technician.post(reverse("certificates"), {}).status_code == 403

    def test_one_that_work_rests_on_stays(self, bench: Bench, sign_in: Any, donor: Donor) -> None:
        record = bench.licensed_record(donor)
        address = reverse("certificate-remove", args=[record.certificate_id])
        answer = sign_in(bench, "owner").post(address)
        assert answer.status_code == 409
        assert "Work on record rests on the certificate" in text_of(answer)


class TestSteps:
    def test_a_reviewer_sets_minutes_and_adds_a_step(self, bench: Bench, reviewer: Client) -> None:
        args = ["washing-machine"]
        typed = {"step": "lid-off", "minutes": "5"}
        assert reviewer.post(reverse("strip-minutes", args=args), typed).status_code == 302
        step = {
            "name": "Foot off",
            "minutes": "2",
            "needs": "lid-off or rear-cover-off | drain-at-filter",
            "takes": "damper",
            "tools": "multigrip pliers",
            "tool_class": "basic",
            "cautions": "Hold it.",
        }
        assert reviewer.post(reverse("strip-step-new", args=args), step).status_code == 302
        found = strip_steps.get_step(bench.workshop.pk, "washing-machine", "foot-off")
        assert set(found.needs) == {
            frozenset({"lid-off", "rear-cover-off"}),
            frozenset({"drain-at-filter"}),
        }
        text = text_of(reviewer.get(reverse("strip-steps", args=args)))
        assert "Foot off your own" in text
        again = reviewer.post(reverse("strip-step-new", args=args), step)
        assert again.status_code == 409
        assert "Foot off" in again.content.decode()

    def test_bad_minutes_are_refused(self, reviewer: Client) -> None:
        for minutes in ("-1", "soon", "nan", "99999"):
            typed = {"step": "lid-off", "minutes": minutes}
            address = reverse("strip-minutes", args=["washing-machine"])
            assert reviewer.post(address, typed).status_code == 400

    def test_the_owner_sets_what_a_minute_costs(self, bench: Bench, sign_in: Any) -> None:
        owner, address = sign_in(bench, "owner"), reverse("strip-rate", args=["dishwasher"])
        assert owner.post(address, {"rate": "0.8"}).status_code == 302
        bench.workshop.refresh_from_db()
        assert bench.workshop.strip_rate_per_min == 0.8
        assert owner.post(address, {"rate": "-1"}).status_code == 400

    def test_an_unknown_kind_of_machine_is_not_found(self, technician: Client) -> None:
        assert technician.get(reverse("strip-steps", args=["toaster"])).status_code == 404
