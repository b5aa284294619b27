"""Who gets in: strangers, roles, other workshops, wrong methods, forged forms, headers."""

import re
import uuid
from collections.abc import Callable, Iterable
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse

from config import web
from matching import holds
from matching.models import Alert
from parts.domain.short_codes import codes_after
from parts.models import Photo
from tests.factories import NOW, Bench
from tests.integration.web.reading import text_of
from workshop.models import KnownDevice, RefCounter

pytestmark = pytest.mark.django_db

# Answered without signing in: by a secret in the address, or with nothing at all (echo tests).
OPEN = {
    "sign-in",
    "sign-in-code",
    "sign-out",
    "join",
    "feed",
    "mail-stop",
    "mail-confirm",
    "alerts-count",
}
SCRIPTS = [
    '<script src="/static/django_htmx/htmx-2.min.js" defer></script>',
    '<script src="/static/js/live.js" defer></script>',
    '<script src="/static/js/forms.js" defer></script>',
]
# The page that reads codes with the camera has a script of its own, and may run WebAssembly.
SCAN_SCRIPTS = ['<script src="/static/js/scan.js" defer></script>', *SCRIPTS]
LEADS_ON = {"scanned", "account-codes"}  # answers with the address of another page
ACTIONS = {
    "job-customer-erase",
    "account-password",
    "account-device-forget",
    "account-token-new",
    "account-token-end",
    "people-role",
    "people-active",
    "invitation-withdraw",
    "allocation-run",
    "keep-back",
    "keep-undo",
    "proposal-accept",
    "proposal-decline",
    "proposal-reopen",
    "job-urgency",
    "listing-correct",
    "listing-own-terms",
    "listing-read",
    "listing-close",
    "listing-reopen",
    "listing-buy",
    "donor-confirm",
    "donor-strip-start",
    "donor-strip-stop",
    "donor-strip-finish",
    "donor-strip-leave-out",
    "donor-strip-reopen",
    "donor-strip-minutes",
    "strip-step-new",
    "strip-minutes",
    "strip-rate",
    "certificate-remove",
    "my-feed-end",
    "my-mail-ask",
    "webhook-pause",
    "webhook-resume",
    "webhook-rotate",
    "webhook-remove",
    "delivery-again",
    "my-feed",
    "job-confirm",
    "job-take",
    "job-reopen",
    "need-withdraw",
    "job-refuse",
    "job-permission",
    "job-keep",
    "job-wait",
    "triage-rule",
    "hold-new",
    "hold-release",
    "alert-read",
    "alerts-read-all",
    "break-accept",
    "break-reject",
    "break-retire",
    "interchange-remove",
    "labels-address",
    "labels-outlines",
    "labels-pdf",
    "photo-delete",
    "donor-build-choose",
    "job-build-choose",
    "rule-comment",
    "rule-approve",
    "rule-reject",
    "rule-retire",
    "job-safety-begin",
    "job-safety-step",
    "job-fault-sign",
    "job-fault-code",
    "job-fault-words",
    "job-fault-sign-remove",
    "job-fault-answer",
    "job-fault-undo",
    "job-fault-needs",
    "job-fault-found",
    "symptom-change",
    "symptom-restore",
    "fault-code-change",
    "fault-check-set",
    "fault-check-change",
    "sister-warning-end",
    "dead-letter-replay",
    "dead-letters-replay",
    "import-store",
    "import-undo",
    "import-drop",
    "scan-photo",
}
FILES = {"photo", "photo-small"}  # answer with a picture, not a page
OF_APPLIANCES = {"symptoms-of", "fault-checks-of", "fault-check-set", "fault-check-new"}
OWNERS = {
    "people",
    "people-role",
    "people-active",
    "invitation-withdraw",
    "own-figures",
    "warranty",
    "listing-terms",
    "dead-letters-replay",
    "dead-letter-replay",
    "triage-settings",
    "triage-rule",
    "labels-address",
    "webhooks",
    "webhook-pause",
    "webhook-resume",
    "webhook-rotate",
    "webhook-remove",
    "delivery-again",
}
TECHNICIANS = {
    "job-customer",
    "job-customer-erase",
    "job-fault-sign",
    "job-fault-code",
    "job-fault-words",
    "job-fault-sign-remove",
    "job-fault-answer",
    "job-fault-undo",
    "job-fault-needs",
    "job-fault-found",
    "allocation-run",
    "keep-back",
    "keep-undo",
    "proposal-accept",
    "proposal-decline",
    "proposal-reopen",
    "job-urgency",
    "outcome-failed",
    "outcome-back",
    "job-correct",
    "job-take",
    "job-reopen",
    "job-need-new",
    "need-correct",
    "need-withdraw",
    "listing-buy",
    "job-safety-begin",
    "job-safety-step",
    "job-build",
    "job-build-choose",
    "rule-comment",
    "job-new",
    "job-confirm",
    "job-refuse",
    "job-permission",
    "job-keep",
    "job-wait",
    "job-triage",
    "hold-new",
    "hold-release",
    "hold-fitted",
    "model-last-sold",
    "part-sell",
    "sister-warning-end",
}
REVIEWERS = {
    "imports",
    "import",
    "import-store",
    "import-undo",
    "import-drop",
    "symptom-new",
    "symptom-change",
    "symptom-restore",
    "fault-code-new",
    "fault-code-change",
    "fault-check-set",
    "fault-check-new",
    "fault-check-change",
    "strip-step-new",
    "strip-minutes",
    "strip-rate",  # the owner, who covers the reviewer
    "certificate-remove",
    "make-date-code",
    "make-new",
    "make-pattern",
    "model-new",
    "break-accept",
    "break-reject",
    "break-retire",
    "interchange-new",
    "interchange-remove",
    "rule-approve",
    "rule-reject",
    "rule-retire",
}


def page_routes() -> list[str]:
    """Return the names of all routes that are pages, from the resolver itself."""
    patterns = [
        inner for pattern in web.urls for inner in getattr(pattern, "url_patterns", [pattern])
    ]
    return sorted(pattern.name for pattern in patterns)


def things(bench: Bench) -> dict[str, list[Any]]:
    """Return the arguments each route needs, of things of one workshop."""
    job = bench.job("W7-60 R1 W", technician=bench.technician)
    donor = bench.donor("W7-60 R1 W")
    bench.drain()
    part, need = bench.part(donor), job.needs.get()
    hold = holds.hold_part(
        workshop=bench.workshop,
        part_ref=part.ref,
        need_id=need.pk,
        member=bench.technician,
        now=NOW,
    )
    alert = Alert.of(bench.workshop).get(need__job=job)
    size = {"width": 4, "height": 3, "size_bytes": 9}
    photo = Photo.objects.create(workshop=bench.workshop, part=part, kept_at=NOW, **size)
    faults = bench.faults(job)
    bench.customer(job)
    args: dict[str, list[Any]] = {
        "donor": [donor.ref],
        "part": [part.ref],
        "job": [job.ref],
        "hold": [hold.pk],
        "hold-new": [need.pk],
        "need": [need.pk],
        "make-pattern": [bench.makes["Velthane"].pk],
        "make-date-code": [bench.makes["Velthane"].pk],
        "alert-read": [alert.pk],
        "break": [bench.build_break().pk],
        "interchange": [bench.interchange().pk],
        "rule": [bench.rule().pk],
        "import": [bench.file_import().pk],
        "imports": [],
        "strip": ["washing-machine"],
        "triage-settings": [],
        "own-figures": [],
        "triage-rule": ["share-young"],
        "listing": [bench.listing().ref],
        "listing-new": [],
        "listing-import": [],
        "listing-terms": [],
        "certificate": [bench.certificate().pk],
        "certificates": [],
        "dead-letters": [],
        "dead-letters-replay": [],
        "dead-letter-replay": [bench.dead_letter().pk],
        "scanned": [part.short_code],
        "photo": [photo.pk],
        "sister-warning-end": [bench.sister_warning(donor).pk],
        "sister-warnings": [],
        "symptom": [faults.symptom],
        "symptom-new": [],
        "symptoms-of": ["washing-machine"],
        "fault-code": [faults.code.pk],
        "fault-code-change": [faults.code.pk],
        "fault-checks-of": ["washing-machine"],
        "fault-check-set": ["washing-machine"],
        "fault-check-new": ["washing-machine"],
        "fault-check": [faults.own_check],
        "fault-check-change": [faults.own_check],
        "keep-undo": [bench.kept_back(part).pk],
        "proposal": [bench.proposal(part, need).pk],
        "outcome": [bench.outcome(part).pk],
        "webhook": [bench.webhook().pk],
        "webhooks": [],
        "people": [],
        "people-role": [bench.technician.pk],
        "people-active": [bench.technician.pk],
        "invitation-withdraw": [bench.invitation()[0].pk],
        "join": ["a-token"],
        "account-token-end": [bench.api_token()[0].pk],
        "account-device-forget": [device_of(bench).pk],
        "delivery-again": [bench.delivery(bench.webhook(), alert).pk],
        "feed": ["a-token"],
        "mail-stop": ["a-token"],
        "mail-confirm": ["a-token"],
        "model": [bench.makes["Velthane"].numbers.order_by("id").first().pk],
    }
    for route in page_routes():
        start = route.split("-")[0]
        if route in {"donor-new", "part-new", "job-new", "interchange-new", "model-new"}:
            args[route] = []
        else:
            args.setdefault(route, args.get(start, []) if start != route else [])
    return args


def device_of(bench: Bench) -> KnownDevice:
    found: KnownDevice = KnownDevice.objects.create(
        user=bench.members["owner"].user,
        token_hash=uuid.uuid4().hex,
        kind="computer",
        made_at=NOW,
        used_at=NOW,
    )
    return found


def holds_for_each(routes: Iterable[str], check: Callable[[str], None]) -> None:
    """Check every route in one world: to furnish one for each took minutes of a run."""
    wrong = {}
    for route in routes:
        try:
            check(route)
        except AssertionError as failed:
            wrong[route] = str(failed).splitlines()[:3]
    assert wrong == {}


def test_a_stranger_is_sent_to_sign_in(bench: Bench, client: Client) -> None:
    args = things(bench)

    def check(route: str) -> None:
        address = reverse(route, args=args[route])
        for answer in (client.get(address), client.post(address)):
            assert answer.status_code == 302
            assert answer.url.startswith(reverse("sign-in"))

    holds_for_each(set(page_routes()) - OPEN, check)


def test_every_page_answers_its_own_members_and_says_what_it_must(
    bench: Bench, sign_in: Any
) -> None:
    client, args = sign_in(bench, "owner"), things(bench)

    def check(route: str) -> None:
        answer = client.get(reverse(route, args=args[route]), follow=route in LEADS_ON)
        assert answer.status_code == (405 if route in ACTIONS else 200)
        html = answer.content.decode()
        assert html.count("<h1") == 1
        assert '<html lang="en">' in html
        # No script but our own files: htmx, and what keeps the unread count up to date.
        scripts = SCAN_SCRIPTS if route == "scan" else SCRIPTS
        assert re.findall(r"<script.*?</script>", html, flags=re.DOTALL) == scripts
        assert "javascript:" not in html
        assert not re.search(r"\son[a-z]+=", html)
        assert "style=" not in html
        assert "default-src 'self'" in answer["Content-Security-Policy"]
        may_compile = "wasm-unsafe-eval" in answer["Content-Security-Policy"]
        assert may_compile == (route in {"scan", "scan-photo"})
        assert "no-store" in answer["Cache-Control"]

    holds_for_each(set(page_routes()) - OPEN - FILES, check)


def test_things_of_another_workshop_are_not_found(
    bench: Bench, other_bench: Bench, sign_in: Any
) -> None:
    other_bench.job("W7-80 R1 W")  # so that their next reference is none of ours
    RefCounter.objects.create(workshop=other_bench.workshop, prefix="code", last=500_000)
    every, client = things(other_bench), sign_in(bench, "owner")
    nobodys_code, _ = codes_after(700_000, 1)
    bench.job("W7-80 R1 W")

    def check(route: str) -> None:
        args = every[route]
        named = {"scanned": nobodys_code[0]}
        if isinstance(args[0], uuid.UUID):
            named[route] = uuid.uuid4()
        unknown = named.get(route, 10**6 if isinstance(args[0], int) else "X-9")
        for method in ("get", "post"):
            theirs = getattr(client, method)(reverse(route, args=args))
            nobodys = getattr(client, method)(reverse(route, args=[unknown]))
            if theirs.status_code == 405:
                continue
            assert (theirs.status_code, nobodys.status_code) == (404, 404)
            assert text_of(theirs).replace(str(args[0]), "?") == text_of(nobodys).replace(
                str(unknown), "?"
            )

    # Kinds of machine, their table of faults and the guide's rules are everybody's.
    routes = {route for route in page_routes() if every[route]} - OF_APPLIANCES
    ours = {route for route in routes if not route.startswith(("strip-", "triage-"))}
    holds_for_each(ours, check)


@pytest.mark.parametrize("role", ["cataloguer", "technician"])
def test_a_role_that_is_too_low_is_refused_with_a_sentence(
    bench: Bench, sign_in: Any, role: str
) -> None:
    client, args = sign_in(bench, role), things(bench)

    def check(route: str) -> None:
        answer = client.post(reverse(route, args=args[route]))
        assert answer.status_code == 403
        assert "This needs the role" in text_of(answer)
        assert "not-allowed" in text_of(answer)

    holds_for_each(TECHNICIANS if role == "cataloguer" else REVIEWERS | OWNERS, check)


def test_someone_without_a_workshop_is_told_so(bench: Bench, sign_in: Any) -> None:
    client = sign_in(bench, "technician")
    bench.technician.__class__.objects.unscoped().filter(pk=bench.technician.pk).update(
        active=False
    )
    answer = client.get(reverse("home"))
    assert answer.status_code == 403
    assert "You belong to no workshop here" in text_of(answer)
    assert client.get(reverse("choose-workshop")).status_code == 200


def test_a_form_without_its_token_changes_nothing(bench: Bench) -> None:
    client = Client(enforce_csrf_checks=True)
    client.force_login(bench.technician.user)
    job = bench.job("W7-60 R1 W")
    answer = client.post(reverse("job-refuse", args=[job.ref]))
    assert answer.status_code == 403
    assert "The form has grown old" in text_of(answer)
    job.refresh_from_db()
    assert job.state == "open"


def test_an_unknown_address_and_a_huge_number_are_not_found(
    bench: Bench, technician: Client
) -> None:
    assert "Not found" in text_of(technician.get("/nowhere/"))
    for number in (10**18 - 1, 2**63 - 1, 2**63, 10**30):
        answer = technician.post(f"/holds/{number}/release/")
        assert answer.status_code == 404


def test_no_nonsense_makes_a_page_fall_over(bench: Bench, technician: Client) -> None:
    need, rule = bench.need("W7-60 R1 W"), bench.rule()
    nonsense = ["\x00", "\ud800", "9" * 400, "-1", "%", "'\"<>", "\u202e", "a\tb\nc", "🧰" * 300]
    for text in nonsense:
        asked = {
            name: text.encode("utf-8", "replace").decode()
            for name in ("text", "make", "kind", "state", "grade", "appliance", "page", "show")
        }
        for route in ("find", "donors", "parts", "jobs", "models", "makes", "alerts", "rules"):
            assert technician.get(reverse(route), asked).status_code in {200, 302, 400}
        for route in ("job-new", "donor-new", "part-new"):
            form = dict.fromkeys(
                ("model_number", "make", "note", "symptom", "technician", "kind", "price", "cause"),
                asked["text"],
            )
            assert technician.get(reverse(route), form).status_code in {200, 302, 400}
            assert technician.post(reverse(route), form).status_code == 400
        hold = technician.post(reverse("hold-new", args=[need.pk]), {"part_ref": asked["text"]})
        assert hold.status_code in {400, 404}
        noted = technician.post(reverse("rule-comment", args=[rule.pk]), {"note": asked["text"]})
        assert noted.status_code in {302, 400}


def test_what_was_typed_is_shown_as_text_never_as_markup(bench: Bench, technician: Client) -> None:
    nasty = '"><script>alert(1)</script>'
    donor = bench.donor("W7-60 R1 W", note=nasty)
    pages = [
        technician.get(reverse("donor", args=[donor.ref])),
        technician.get(reverse("find"), {"text": nasty, "make": nasty}),
        technician.get(reverse("donors"), {"text": nasty}),
        technician.post(reverse("job-new"), {"model_number": nasty, "make": nasty}),
    ]
    for page in pages:
        assert page.content.count(b"<script") == len(SCRIPTS)
