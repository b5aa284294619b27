"""Build breaks from sightings to evidence: sought, proposed, decided, used, taken back."""

import json
from datetime import date, timedelta

import pytest
from django.core.management import CommandError, call_command

from matching import build_breaks, gather, outcome_keys
from matching.models import BreakSearch, BuildBreak, Match, Need, Outcome
from parts import numbers
from parts import services as part_services
from parts.models import Part, Sighting
from parts.services import PartFacts
from tests.factories import NOW, Bench
from workshop import dispatcher
from workshop.errors import Conflict, NotAllowed, NotFound
from workshop.models import OutboxEvent

pytestmark = pytest.mark.django_db

KIND = "control-board"
FIRST = date(2014, 1, 1)


def sight(
    bench: Bench, letters: str, *, start: int = 0, revision: str = "1", colour: str = "W"
) -> None:
    """Note a number a letter, in machines built a month apart; ask for a search."""
    rows = []
    for place, letter in enumerate(letters):
        built = FIRST + timedelta(days=30 * (start + place))
        rows.append(
            Sighting(
                workshop=bench.workshop,
                kind_id=KIND,
                number_canonical=f"BRD{letter}",
                source=Sighting.Source.DONOR,
                source_ref=f"S-{start + place}-{revision}-{colour}-{letter}",
                make="Velthane",
                model_canonical=f"W760R{revision}{colour}",
                family="W7",
                fields={"family": "W7", "size": "60", "revision": revision, "colour": colour},
                built_from=built,
                built_to=built + timedelta(days=6),
                appliance_id="washing-machine",
            )
        )
    numbers.note_sightings(rows)
    build_breaks.ask_for_search(workshop_id=bench.workshop.pk, kinds=[KIND], now=NOW)


def sweep(bench: Bench) -> list[BuildBreak]:
    dispatcher.sweep(now=NOW)
    return list(build_breaks.list_breaks(bench.workshop))


def decide(bench: Bench, act: str, row: BuildBreak) -> BuildBreak:
    decided: BuildBreak = getattr(build_breaks, f"{act}_break")(
        workshop=bench.workshop, break_id=row.pk, member=bench.members["reviewer"], now=NOW
    )
    return decided


def test_the_sweep_proposes_what_sightings_tell_of(bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    assert (row.state, row.kind_id, row.make, row.family) == ("proposed", KIND, "Velthane", "W7")
    assert row.revision == "1"  # the revision matters for boards
    assert (row.before, row.after) == ({"BRDA": 6}, {"BRDB": 6})
    assert (row.numbers_before, row.numbers_after) == (["BRDA"], ["BRDB"])
    assert FIRST + timedelta(days=5 * 30) <= row.changed_from
    assert row.changed_to <= FIRST + timedelta(days=6 * 30 + 6)
    assert row.chance > 0.95
    assert not BreakSearch.of(bench.workshop).exists()
    assert sweep(bench) == [row]  # a second look adds nothing


def test_what_changes_sightings_asks_for_a_search(bench: Bench) -> None:
    donor = bench.donor()
    facts = PartFacts(part_number="BRD-A")
    part = bench.part(donor)
    part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
    bench.drain()
    assert [row.kind_id for row in BreakSearch.of(bench.workshop)] == [KIND]


def test_a_note_renewed_meanwhile_stays(bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    stale = BreakSearch.of(bench.workshop).get()
    later = NOW + timedelta(seconds=5)
    build_breaks.ask_for_search(workshop_id=bench.workshop.pk, kinds=[KIND], now=later)
    assert build_breaks._search_one(stale, now=NOW) == 0
    assert BreakSearch.of(bench.workshop).get().asked_at == later


def test_a_kind_that_cannot_be_searched_keeps_no_other_waiting(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    build_breaks.ask_for_search(workshop_id=bench.workshop.pk, kinds=["heater"], now=NOW)
    sight(bench, "AAAAAABBBBBB")
    find = build_breaks.find

    def find_or_fail(workshop_id: int, kind: str):
        if kind == "heater":
            raise RuntimeError("spoiled")
        return find(workshop_id, kind)

    monkeypatch.setattr(build_breaks, "find", find_or_fail)
    assert len(sweep(bench)) == 1
    assert [row.kind_id for row in BreakSearch.of(bench.workshop)] == ["heater"]


def test_a_few_kinds_a_sweep(bench: Bench) -> None:
    kinds = ["heater", "drain-pump", "belt", "door-lock", "inlet-valve", "ntc-sensor", "damper"]
    build_breaks.ask_for_search(workshop_id=bench.workshop.pk, kinds=kinds, now=NOW)
    sweep(bench)
    assert BreakSearch.of(bench.workshop).count() == len(kinds) - build_breaks.MOST_A_SWEEP


def test_a_standing_proposal_is_brought_up_to_date_and_taken_back(bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    sight(bench, "BBB", start=12)
    [same] = sweep(bench)
    assert (same.pk, same.after) == (row.pk, {"BRDB": 9})
    Sighting.of(bench.workshop).update(number_canonical="BRDA")
    sight(bench, "A", start=20)
    assert sweep(bench) == []


@pytest.mark.parametrize("acts", [("reject",), ("accept", "retire")])
def test_turned_down_it_comes_up_again_only_on_much_more_evidence(
    bench: Bench, acts: tuple[str, ...]
) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    for act in acts:
        decide(bench, act, row)
    sight(bench, "BBBB", start=12)  # 16 sightings: a third more
    assert [one.pk for one in sweep(bench)] == [row.pk]
    sight(bench, "BBB", start=16)  # 19: more than half again as many
    again, first = sweep(bench)
    assert (again.state, first.pk) == ("proposed", row.pk)
    assert again.sightings == 19


def test_an_accepted_break_stays_as_accepted(bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    decide(bench, "accept", row)
    sight(bench, "B" * 12, start=12)
    [kept] = sweep(bench)
    assert (kept.state, kept.sightings) == ("accepted", 12)


def test_numbers_that_interchange_are_no_change(bench: Bench) -> None:
    numbers.add_interchange(
        workshop=bench.workshop, kind=KIND, from_number="BRD-A", to_number="BRD-B", both_ways=True
    )
    sight(bench, "AAAAAABBBBBB")
    assert sweep(bench) == []


def test_accepting_moves_the_match_through_the_outbox_and_retiring_back(bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    need = bench.need("W7-60 R1 W", built_from=date(2014, 12, 1), built_to=date(2014, 12, 7))
    donor = bench.donor("W7-60 R1 S", built_from=date(2014, 1, 1), built_to=date(2014, 1, 7))
    bench.drain()

    def build_row() -> dict[str, object]:
        match = Match.of(bench.workshop).get(need=need, part=bench.part(donor))
        [found] = [one for one in match.reasons if one["evidence"] == "build date"]
        assert match.score_bits == pytest.approx(sum(one["bits"] for one in match.reasons))
        return {**found, "p_fit": match.p_fit}

    before = build_row()
    assert before["level"] != "across-break"
    decide(bench, "accept", row)
    assert build_row() == before  # nothing is matched inside the request
    bench.drain()
    accepted = build_row()
    assert accepted["level"] == "across-break"
    assert accepted["p_fit"] < before["p_fit"]
    assert "newer builds carry BRDB, older ones BRDA" in accepted["sentence"]
    decide(bench, "retire", row)
    bench.drain()
    assert build_row() == before


def test_past_fittings_from_the_other_side_cease_to_speak(bench: Bench) -> None:
    """Five boards went into older machines of the revision; accepted, they are no evidence for
    a newer one, and retired they are again."""
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    learned = {
        "appliance": "washing-machine",
        "make": "Velthane",
        "number": "W760R1W",
        "fields": {"revision": "1"},
        "family": "W7",
        "sure": 1.0,
    }
    for nth in range(5):
        outcome = Outcome(
            workshop=bench.workshop,
            kind_id=KIND,
            part_number="BRD-A",
            job_built_from=date(2014, 3, 1),
            job_built_to=date(2014, 3, 31),
            fitted_on=date(2026, 1, 1 + nth),
            result="worked",
            fingerprint=str(nth),
            learned={"job": learned},
        )
        outcome_keys.keyed(outcome).save()
    need = bench.need("W7-60 R1 W", built_from=date(2014, 12, 1), built_to=date(2014, 12, 7))
    part = bench.part(bench.donor("W7-60 R1 S"))
    facts = PartFacts(part_number="BRD-A")
    part_services.describe_part(workshop=bench.workshop, ref=part.ref, facts=facts)
    bench.drain()

    def level() -> str:
        reasons = Match.of(bench.workshop).get(need=need, part=part).reasons
        [found] = [one for one in reasons if one["evidence"] == "past fittings"]
        return str(found["level"])

    levels = [level()]
    for act in ("accept", "retire"):
        decide(bench, act, row)
        bench.drain()
        levels.append(level())
    assert levels == ["number-in-family", "unknown", "number-in-family"]


def test_a_change_of_one_model_is_found_proposed_and_used_for_that_model(bench: Bench) -> None:
    """White ones changed in 2014, silver ones of the same revision did not."""
    sight(bench, "AAAAAABBBBBB", colour="W")
    sight(bench, "A" * 12, colour="S")
    [row] = sweep(bench)
    assert (row.family, row.revision, row.model) == ("W7", "1", "W760R1W")
    assert (row.before, row.after) == ({"BRDA": 6}, {"BRDB": 6})
    assert sweep(bench) == [row]
    late = {"built_from": date(2014, 12, 1), "built_to": date(2014, 12, 7)}
    needs = [bench.need(f"W7-60 R1 {colour}", **late) for colour in "WS"]
    early = {"built_from": date(2014, 1, 1), "built_to": date(2014, 1, 7)}
    parts = [bench.part(bench.donor(f"W7-60 R1 {colour}", **early)) for colour in "WS"]
    decide(bench, "accept", row)
    bench.drain()

    def level(need: Need, part: Part) -> str:
        reasons = Match.of(bench.workshop).get(need=need, part=part).reasons
        return str(next(one["level"] for one in reasons if one["evidence"] == "build date"))

    levels = [[level(need, part) for part in parts] for need in needs]
    assert levels[0][0] == "across-break"
    assert "across-break" not in (levels[0][1], *levels[1])


def test_rejecting_matches_nothing_anew(bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    bench.drain()
    decide(bench, "reject", row)
    assert not OutboxEvent.of(bench.workshop).filter(done_at__isnull=True).exists()


ALLOWED = {("accept", "proposed"), ("reject", "proposed"), ("retire", "accepted")}


@pytest.mark.parametrize("act", ["accept", "reject", "retire"])
@pytest.mark.parametrize("state", BuildBreak.State.values)
def test_from_which_state_what_may_be_decided(bench: Bench, act: str, state: str) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    for step in {
        "accepted": ["accept"],
        "rejected": ["reject"],
        "retired": ["accept", "retire"],
    }.get(state, []):
        decide(bench, step, row)
    if (act, state) in ALLOWED:
        decided = decide(bench, act, row)
        assert (decided.decided_by, decided.decided_at) == (bench.members["reviewer"], NOW)
        return
    with pytest.raises(Conflict, match="only"):
        decide(bench, act, row)


def test_only_reviewers_of_the_workshop_decide(bench: Bench, other_bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    with pytest.raises(NotAllowed):
        build_breaks.accept_break(
            workshop=bench.workshop, break_id=row.pk, member=bench.technician, now=NOW
        )
    with pytest.raises(NotFound):
        decide(other_bench, "accept", row)


def test_one_workshop_learns_nothing_of_another(bench: Bench, other_bench: Bench) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    decide(bench, "accept", row)
    assert sweep(other_bench) == []
    known = gather.accepted_breaks(other_bench.workshop.pk, [KIND])[KIND]
    assert not known._by_family


def test_the_command_prints_what_it_finds(bench: Bench, capsys) -> None:
    sight(bench, "AAAAAABBBBBB")
    call_command("find_breaks", workshop="millrace")
    printed = capsys.readouterr().out
    assert "control-board of Velthane W7 revision 1: BRDA until, BRDB from 2014-" in printed
    call_command("find_breaks", "--json", "--kind", KIND, workshop="millrace")
    [found] = json.loads(capsys.readouterr().out)["breaks"]
    assert (found["before"], found["after"]) == ({"BRDA": 6}, {"BRDB": 6})
    assert not BuildBreak.of(bench.workshop).exists()  # it stores nothing
    with pytest.raises(CommandError, match="Name one workshop"):
        call_command("find_breaks", workshop="nowhere")


def test_the_api_lists_reads_and_decides(bench: Bench, sign_in) -> None:
    sight(bench, "AAAAAABBBBBB")
    [row] = sweep(bench)
    reviewer, technician = sign_in("reviewer"), sign_in("technician")
    [found] = technician.get("/api/v1/breaks/", {"state": "proposed"}).data["results"]
    assert found["before"] == {"BRDA": 6}
    path = f"/api/v1/breaks/{row.pk}/"
    assert technician.post(f"{path}accept/").status_code == 403
    answer = reviewer.post(f"{path}accept/", {"note": "seen on the board"}, format="json")
    assert (answer.status_code, answer.data["state"]) == (200, "accepted")
    assert answer.data["decided_by"] == "millrace-reviewer"
    assert technician.get(path).data["note"] == "seen on the board"
    assert reviewer.post(f"{path}reject/").status_code == 409
    assert reviewer.post(f"{path}retire/").data["state"] == "retired"
    assert reviewer.post("/api/v1/breaks/999999/accept/").status_code == 404
