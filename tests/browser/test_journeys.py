"""What three people come for, done in a real browser as they would: by what the page says."""

import re

import pytest
from django.conf import settings
from playwright.sync_api import Page, expect

from donors.models import Donor
from matching.models import Hold, Outcome
from parts import plate_photos
from parts.models import Part
from tests.browser.conftest import PHONE, Open
from tests.factories import PASSWORD, Bench


def test_a_machine_becomes_a_repair_on_a_phone(bench: Bench, open_as: Open) -> None:
    """Open a job, take in a donor, strip, test, grade, hold and fit: nothing but the screen."""
    page = open_as(bench.members["technician"], PHONE)
    page.goto("/")
    open_a_job(page, "W7-60 R1 W", lacks="Control board")
    job = page.url
    bench.drain()
    take_a_machine_in(page, "Velthane W7-60 R1 S", cause="washing-machine/unrelated")
    bench.drain()
    read_the_inbox(page)
    part = take_the_board_out(page)
    prove_the_board(page, part)
    page.goto("/find/")
    find_it(page)
    page.goto(job)
    page.get_by_role("button", name="Hold D-0001.control-board").click()
    page.get_by_role("link", name="Fitted: report what happened").click()
    page.get_by_label("What happened").select_option(label="worked")
    page.get_by_role("button", name="Report it").click()
    expect(page.get_by_role("main")).to_contain_text("worked")
    part_now = Part.of(bench.workshop).get(ref="D-0001.control-board")
    assert (part_now.state, part_now.grade) == ("fitted", "tested-good")
    assert Outcome.of(bench.workshop).get().result == "worked"


def test_enter_in_a_field_sends_the_form_and_reads_no_plate(
    bench: Bench, open_as: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(plate_photos, "can_read", lambda: True)
    page = open_as(bench.technician)
    page.goto("/donors/new/")
    expect(page.get_by_role("button", name="Read the plate")).to_be_visible()
    page.get_by_label("Appliance").select_option("washing-machine")
    page.get_by_label("Model number").fill("W7-60 R1 W")
    page.get_by_label("Model number").press("Enter")
    expect(page.get_by_role("main")).to_contain_text("Taken in as")
    assert Donor.of(bench.workshop).get().model_number == "W7-60 R1 W"


def test_a_reviewer_sees_what_a_rule_would_change_and_approves_it(
    bench: Bench, open_as: Open
) -> None:
    rule = bench.rule()
    page = open_as(bench.members["reviewer"])
    page.goto("/")
    page.get_by_role("link", name="Catalogue").click()
    page.get_by_role("link", name=re.compile("^Rules")).first.click()
    page.get_by_role("link", name=f"Rule {rule.pk}", exact=True).click()
    expect(page.get_by_role("heading", name="What approving it would change")).to_be_visible()
    page.get_by_role("button", name="Approve").click()
    expect(page.get_by_role("main")).to_contain_text("approved")
    rule.refresh_from_db()
    assert rule.state == "approved"


def test_two_people_want_one_part_and_one_is_told(bench: Bench, open_as: Open) -> None:
    """Both look at it, then both press: the second is told who has it and loses nothing."""
    jobs = [bench.job("W7-60 R1 W", technician=bench.technician) for _ in range(2)]
    part = bench.part(bench.donor("W7-60 R1 W"))
    bench.drain()
    first, second = open_as(bench.members["technician"]), open_as(bench.members["owner"])
    for page, job in ((first, jobs[0]), (second, jobs[1])):
        page.goto(f"/jobs/{job.ref}/")
    for page in (first, second):
        page.get_by_role("button", name=f"Hold {part.ref}").click()
    expect(first.get_by_role("main")).to_contain_text(f"{part.ref} is held until")
    expect(second.get_by_role("main")).to_contain_text("is held for job")
    assert Hold.of(bench.workshop).filter(released_at=None).count() == 1


def test_a_second_tap_on_a_slow_network_sends_nothing_twice(bench: Bench, open_as: Open) -> None:
    page = open_as(bench.members["technician"], PHONE)
    assert tap_twice(page) == 1
    expect(page.get_by_role("heading", level=1)).to_contain_text("Donor")
    assert Donor.of(bench.workshop).count() == 1


def test_without_the_guard_a_second_tap_is_sent(bench: Bench, open_as: Open) -> None:
    """The control: the same taps, with the script that guards forms left out."""
    page = open_as(bench.members["technician"], PHONE)
    page.route("**/js/forms.js", lambda route: route.abort())
    assert tap_twice(page) == 2


def test_a_session_that_ended_loses_nothing_that_was_typed(bench: Bench, open_as: Open) -> None:
    page = open_as(bench.members["technician"], PHONE)
    fill_in_a_machine(page)
    page.context.clear_cookies(name=settings.SESSION_COOKIE_NAME)
    page.get_by_role("button", name="Take it in").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Sign in")
    page.get_by_label("Username").fill(bench.technician.user.get_username())
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()
    expect(page.get_by_label("Model number as read")).to_have_value("W7-60 R1 W")
    expect(page.get_by_label("Note")).to_have_value("dropped on the stairs")
    page.get_by_role("button", name="Take it in").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Donor")
    page.goto("/donors/new/")  # and it is not put in again where nobody asked for it
    expect(page.get_by_label("Model number as read")).to_have_value("")


def test_who_leaves_a_form_half_filled_is_asked(bench: Bench, open_as: Open) -> None:
    page = open_as(bench.members["technician"])
    fill_in_a_machine(page)
    asked: list[str] = []
    page.on("dialog", lambda dialog: (asked.append(dialog.type), dialog.accept()))
    page.get_by_role("link", name="Jobs", exact=True).click()
    page.wait_for_url("**/jobs/")
    assert asked == ["beforeunload"]


def test_the_desk_needs_no_mouse(bench: Bench, open_as: Open) -> None:
    """A slash, a code, Enter; then Tab reaches the first link of the page before any other."""
    part = bench.part(bench.donor("W7-60 R1 W"))
    page = open_as(bench.members["technician"])
    page.goto("/")
    page.keyboard.press("/")
    expect(page.get_by_label("Code or reference")).to_be_focused()
    page.keyboard.type(part.short_code)
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", level=1)).to_contain_text(part.ref)
    page.keyboard.press("Tab")
    expect(page.get_by_role("link", name="Skip to the content")).to_be_focused()
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")


def test_labels_can_be_made_twice(bench: Bench, open_as: Open) -> None:
    """They open beside the page, which stays: its button must not stay asleep."""
    donor = bench.donor("W7-60 R1 W")
    page, posts = open_as(bench.members["technician"]), []
    page.goto(f"/labels/?donor={donor.ref}")
    page.context.on("request", lambda one: one.method == "POST" and posts.append(one.url))
    for _ in range(2):
        with page.context.expect_page():
            page.get_by_role("button", name="Make the labels").click()
    page.wait_for_timeout(300)
    assert len(posts) == 2


def fill_in_a_machine(page: Page) -> None:
    page.goto("/donors/new/")
    page.get_by_label("Model number as read").fill("W7-60 R1 W")
    page.get_by_label("Note").fill("dropped on the stairs")


def tap_twice(page: Page) -> int:
    """Fill in a machine, tap, tap again before an answer is there. Returns how many were sent."""
    posts: list[str] = []
    fill_in_a_machine(page)
    slow_down(page)
    page.on("request", lambda request: request.method == "POST" and posts.append(request.url))
    button = page.get_by_role("button", name="Take it in")
    button.evaluate("it => { it.click(); setTimeout(() => it.click(), 250); }")
    expect(page.get_by_role("heading", level=1)).to_contain_text("Donor")
    return len(posts)


def slow_down(page: Page) -> None:
    """Half a second to the server and back, as at the far end of a workshop."""
    session = page.context.new_cdp_session(page)
    limits = {"offline": False, "latency": 500, "downloadThroughput": 5e4, "uploadThroughput": 5e4}
    session.send("Network.enable")
    session.send("Network.emulateNetworkConditions", limits)


def open_a_job(page: Page, number: str, *, lacks: str) -> None:
    page.get_by_role("link", name="Open a job").click()
    page.get_by_label("Model number as read").fill(number)
    page.get_by_label("Part kind").first.select_option(label=lacks)
    page.get_by_role("button", name="Open the job").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Job")


def take_a_machine_in(page: Page, number: str, *, cause: str) -> None:
    page.get_by_role("link", name=re.compile("repairs", re.I)).first.click()
    page.get_by_role("link", name="Take a machine in").click()
    page.get_by_label("Model number as read").fill(number)
    page.get_by_label("Why it was scrapped").select_option(cause)
    page.get_by_role("button", name="Take it in").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("Donor")


def read_the_inbox(page: Page) -> None:
    page.get_by_role("link", name=re.compile("^Inbox")).click()
    expect(page.get_by_role("main")).to_contain_text("J-0001: Control board in donor D-0001")


def take_the_board_out(page: Page) -> str:
    """Do the plan's steps until the control board is out. Returns the part's address."""
    page.get_by_role("link", name="D-0001.control-board").click()
    part = page.url
    page.get_by_role("link", name="D-0001", exact=True).click()
    page.get_by_role("link", name="Strip plan").click()
    page.get_by_role("button", name="It is done : Lid off").click()
    page.get_by_role("button", name="It is done : Main board out from the top").click()
    expect(page.get_by_role("main")).to_contain_text("“Main board out from the top” is on record")
    return part


def prove_the_board(page: Page, part: str) -> None:
    page.goto(part)
    page.get_by_role("link", name="Bench test").click()
    look = page.get_by_role("group", name="burns, corrosion and swollen parts")
    look.get_by_label("as it should be").check()
    page.get_by_label("Reading, V").fill("5.02")
    page.get_by_label("Printed supply, V").fill("5")
    alive = page.get_by_role("group", name="buttons, relays and standby")
    alive.get_by_label("as it should be").check()
    page.get_by_role("button", name="Record the bench test").click()
    expect(page.get_by_role("main")).to_contain_text("Tested good, P(good)")


def find_it(page: Page) -> None:
    page.get_by_label("Model number").fill("W7-60 R1 W")
    page.get_by_label("Part kind").select_option(label="Control board")
    page.get_by_role("main").get_by_role("button", name="Find").click()
    expect(
        page.get_by_role("main").get_by_role("link", name="D-0001.control-board").first
    ).to_be_visible()
