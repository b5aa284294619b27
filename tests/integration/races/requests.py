"""Racing requests to the API: the same one many times over, and decisions on one rule."""

import hashlib
import json
import os
from functools import partial
from pathlib import Path
from typing import Any

from rest_framework.test import APIClient

from matching import keeping, ruling, selectors
from matching.models import Rule
from parts import services as part_services
from parts import stripping
from parts.models import Part
from tests.integration.races.barrier import meet
from workshop import idempotency
from workshop.models import KeptReply, Member, Role, Workshop


def client_of(role: Role) -> APIClient:
    client = APIClient()
    client.force_authenticate(Member.of(Workshop.objects.get()).get(role=role).user)
    return client


def post_rule(client: APIClient, number: int, *, note: str = "") -> Any:
    body = {
        "kind": "control-board",
        "says": "fits",
        "job_side": {"family": f"W{number}"},
        "evidence": note,
    }
    key = {"Idempotency-Key": f'"round-{number}"'}
    return client.post("/api/v1/rules/", body, format="json", headers=key)


def repeat(
    folder: Path, people: int, rounds: int, altered: bool = False, naive: bool = False
) -> dict[str, Any]:
    """Send the same request as the others at the same instant, once a round."""
    if naive:
        look_first = partial(look_then_act, folder, people)
        idempotency.once = look_first  # type: ignore[assignment]
    client = client_of(Role.TECHNICIAN)
    replies = []
    for number in range(rounds):
        meet(folder, f"round{number}", people)
        answer = post_rule(client, number, note="altered" if altered else "")
        replies.append([answer.status_code, hashlib.sha256(answer.content).hexdigest()])
    return {"replies": replies}


def look_then_act(folder: Path, people: int, handler: Any, request: Any, member: Member) -> Any:
    """The known-bad way: look whether a reply is kept, act, keep it; nothing makes them one.

    Nobody acts before all have looked: the worst case, every time. Each process writes a key
    of its own, so that the unique index has no say.
    """
    key = request.headers["Idempotency-Key"]

    def acts(request: Any, *args: Any, **kwargs: Any) -> Any:
        kept = KeptReply.of(member.workshop_id).filter(key__startswith=f"{key} ").first()
        meet(folder, "looked-" + key.strip('"'), people)
        if kept is not None:
            return idempotency._as_response(kept)
        answer = handler(request, *args, **kwargs)
        body = request.accepted_renderer.render(answer.data).decode()
        row = KeptReply.objects.create(
            workshop=member.workshop,
            key=f"{key} {os.getpid()}",
            status=answer.status_code,
            body=body,
        )
        return idempotency._as_response(row)

    return acts


def reply_lost(folder: Path, people: int) -> dict[str, Any]:
    """Die between the commit and the reply, as a server does that is killed just then."""
    from workshop.api import MemberView

    def die(*_: Any, **__: Any) -> None:
        print(json.dumps({"died": 1}), flush=True)
        os._exit(0)  # no clean-up, nothing is sent

    MemberView.finalize_response = die  # type: ignore[method-assign,assignment]
    post_rule(client_of(Role.TECHNICIAN), 1)
    return {"died": 0}


def decide(
    folder: Path, people: int, act: str, role: str, rules: list[int], naive: bool = False
) -> dict[str, Any]:
    """Decide on each rule at the same instant as another reviewer does."""
    if naive:
        ruling.lock_deciding = lambda *_: None  # type: ignore[assignment]
        ruling.get_rule = look_only  # type: ignore[assignment]
        look = ruling.contradicted_by

        def look_and_wait(rule: Rule) -> list[Rule]:
            found = look(rule)
            meet(folder, f"looked{len(statuses)}", people)  # nobody writes before both looked
            return found

        ruling.contradicted_by = look_and_wait
    client = client_of(Role(role))
    statuses: list[int] = []
    for number, rule_id in enumerate(rules):
        client.get(f"/api/v1/rules/{rule_id}/")
        meet(folder, f"round{number}", people)
        path = f"/api/v1/rules/{rule_id}/{act}/"
        statuses.append(client.post(path, {}, format="json").status_code)
    return {"statuses": statuses}


def look_only(workshop: Workshop, rule_id: int, *, lock: bool = False) -> Rule:
    """The known-bad way: read the rule without its lock."""
    return Rule.of(workshop).get(pk=rule_id)


def strip(
    folder: Path,
    people: int,
    role: str,
    act: str,
    step: str,
    donors: list[str],
    collide: bool = False,
) -> dict[str, Any]:
    """Start or finish a step of each donor at the same instant as somebody else does.

    collide: nobody writes before all have looked, and no lock is taken: the constraint decides.
    """
    if collide:
        recorded = stripping._refuse_recorded

        def look_and_wait(*asked: Any) -> None:
            recorded(*asked)
            meet(folder, f"looked{len(statuses)}", people)

        stripping._refuse_recorded = look_and_wait
        stripping._lock_parts = parts_unlocked
    client = client_of(Role(role))
    statuses: list[int] = []
    for number, ref in enumerate(donors):
        plan = client.get(f"/api/v1/donors/{ref}/strip-plan/").data
        lines = [line for line in plan["lines"] + plan["others"] if line["step"]["slug"] == step]
        parts = [{"ref": one["value"]["part_ref"]} for line in lines for one in line["parts"]]
        meet(folder, f"round{number}", people)
        path = f"/api/v1/donors/{ref}/strip-steps/{step}/{act}/"
        body = {"parts": parts} if act == "finish" else {}
        statuses.append(client.post(path, body, format="json").status_code)
    return {"statuses": statuses}


def parts_unlocked(donor: Any, _: Any, reports: Any) -> dict[str, Part]:
    """Read the parts without their locks."""
    rows = Part.of(donor.workshop_id).filter(ref__in=[one.ref for one in reports])
    return {part.ref: part for part in rows}


def keep(folder: Path, people: int, jobs: list[str], naive: bool = False) -> dict[str, Any]:
    """Press "keep as a donor" at the same instant as another person does, job by job."""
    client = client_of(Role.TECHNICIAN)
    workshop = Workshop.objects.get()
    statuses = []
    for number, ref in enumerate(jobs):
        meet(folder, f"round{number}", people)
        if naive:
            statuses.append(
                naive_keep(workshop, ref, partial(meet, folder, f"looked{number}", people))
            )
        else:
            answer = client.post(
                f"/api/v1/jobs/{ref}/keep/", {"cause": "board-fault"}, format="json"
            )
            statuses.append(answer.status_code)
    return {"statuses": statuses}


def naive_keep(workshop: Workshop, ref: str, both_have_looked: Any) -> int:
    """The known-bad way: look whether it is kept, then take it in; no row says so but a note."""
    job = selectors.get_job(workshop, ref)
    kept = keeping.find_kept(job)
    both_have_looked()
    if kept is not None:
        return 409
    part_services.take_in_same_machine(
        workshop=workshop, machine=job, received_on=job.opened_on, note=f"Was job {ref}."
    )
    return 201
