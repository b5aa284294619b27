"""A workshop's own codes and symptoms: changed, hidden, restored, and as a file."""

from pathlib import Path

import pytest
from django.conf import settings

from matching.domain.diagnosis.fault_codes import COLUMNS
from matching.faults import editing, own_checks, tables
from matching.faults.editing import CodeFacts, SymptomFacts
from matching.faults.own_checks import CheckFacts
from matching.faults.tables import CheckRow
from matching.models import FaultCode, WorkshopCheck, WorkshopSymptom
from parts.models import Caution
from tests.factories import NOW, Bench
from workshop.errors import Conflict, InputRefused, NotFound
from workshop.exchange import sheets
from workshop.exchange.reading import FileRefused

pytestmark = pytest.mark.django_db

NO_HEAT = "washing-machine:no-heat"
HEADER = ",".join(COLUMNS)
GOOD = "Velthane,W7,washing-machine,H1,water not warm,heater=50|wiring=12"


def by(bench: Bench) -> dict[str, object]:
    return {"workshop": bench.workshop, "member": bench.members["reviewer"], "now": NOW}


def facts(**values: object) -> CodeFacts:
    stated = {
        "make": "Velthane",
        "appliance": "washing-machine",
        "code": "P4",
        "suspects": {"drain-pump": 1.0},
    }
    return CodeFacts(**{**stated, **values})  # type: ignore[arg-type]


def symptom(**values: object) -> SymptomFacts:
    stated = {"name": "Sings a song", "suspects": {"belt": 1.0}}
    return SymptomFacts(**{**stated, **values})  # type: ignore[arg-type]


class TestCodes:
    def test_added_by_an_alias_of_the_make_changed_and_hidden(self, bench: Bench) -> None:
        row = editing.save_code(facts=facts(make="Velt Werke", code="p-4"), **by(bench))
        assert (row.make.name, row.code, row.code_key) == ("Velthane", "p-4", "P4")
        changed = editing.save_code(
            facts=facts(code="P5", hidden=True, checks=["washing-machine:filter-clear"]),
            code_id=row.pk,
            **by(bench),
        )
        assert (changed.pk, changed.code, changed.hidden) == (row.pk, "P5", True)
        assert (changed.changed_by, changed.changed_at) == (bench.members["reviewer"], NOW)

    def test_the_same_code_twice_is_a_conflict(self, bench: Bench) -> None:
        editing.save_code(facts=facts(range="W7"), **by(bench))
        editing.save_code(facts=facts(range="K3"), **by(bench))
        with pytest.raises(Conflict, match=r"Velthane has P\.4 already for w7"):
            editing.save_code(facts=facts(range="w7", code="P.4"), **by(bench))
        assert FaultCode.of(bench.workshop).count() == 2

    @pytest.mark.parametrize(
        ("changed", "field"),
        [
            ({"code": " - "}, "code"),
            ({"code": "9" * 21}, "code"),
            ({"appliance": "toaster"}, "appliance"),
            ({"make": "Nobody"}, "make"),
            ({"suspects": {}}, "suspects"),
            ({"suspects": {"drain-pump": -1}}, "suspects"),
            ({"suspects": {"drain-pump": 0}}, "suspects"),
            ({"suspects": {"drain-pump": float("nan")}}, "suspects"),
            ({"suspects": {"drain-pump": float("inf")}}, "suspects"),
            ({"suspects": {"brew-unit": 1}}, "suspects"),
            ({"suspects": {"<b>": 1}}, "suspects"),
            ({"checks": ["microwave:door"]}, "checks"),
            ({"standing": "law"}, "standing"),
        ],
    )
    def test_what_cannot_be_is_refused_by_field(
        self, bench: Bench, changed: dict[str, object], field: str
    ) -> None:
        with pytest.raises(InputRefused) as refused:
            editing.save_code(facts=facts(**changed), **by(bench))
        assert field in refused.value.fields
        assert not FaultCode.of(bench.workshop).exists()


class TestSymptoms:
    def test_a_change_stands_over_the_delivered_row_which_can_be_restored(
        self, bench: Bench
    ) -> None:
        given = tables.delivered().symptoms[NO_HEAT]
        row = editing.change_symptom(
            slug=NO_HEAT,
            facts=symptom(name="Stays cold", words=["STAYS COLD"], suspects={"heater": 1.0}),
            **by(bench),
        )
        assert (row.symptom.name, row.symptom.words, row.standing) == (
            "Stays cold",
            ("stays cold",),
            "guide, changed here",
        )
        assert tables.table_of(bench.workshop).symptoms[NO_HEAT].suspects == {"heater": 1.0}
        assert tables.table_of(bench.workshop).said("it stays cold", appliance="washing-machine")
        back = editing.restore_symptom(workshop=bench.workshop, slug=NO_HEAT)
        assert back.symptom == given
        assert tables.delivered().symptoms[NO_HEAT] == given
        assert not WorkshopSymptom.of(bench.workshop).exists()

    def test_an_own_one_is_listed_read_from_words_and_hidden(self, bench: Bench) -> None:
        row = editing.add_symptom(
            appliance="washing-machine", facts=symptom(words=["sings"]), **by(bench)
        )
        assert row.symptom.slug == "washing-machine:sings-a-song"
        table = tables.table_of(bench.workshop, "washing-machine")
        assert table.said("It sings at night", appliance="washing-machine") == (row.symptom,)
        with pytest.raises(Conflict, match="nothing to go back to"):
            editing.restore_symptom(workshop=bench.workshop, slug=row.symptom.slug)
        editing.change_symptom(slug=row.symptom.slug, facts=symptom(hidden=True), **by(bench))
        assert row.symptom.slug not in tables.table_of(bench.workshop).symptoms
        assert tables.get_symptom_row(bench.workshop, row.symptom.slug).hidden

    def test_another_workshop_has_the_delivered_table(
        self, bench: Bench, other_bench: Bench
    ) -> None:
        editing.change_symptom(slug=NO_HEAT, facts=symptom(name="Stays cold"), **by(bench))
        editing.add_symptom(appliance="washing-machine", facts=symptom(), **by(bench))
        editing.set_check(slug="washing-machine:filter-clear", minutes=9, hidden=False, **by(bench))
        theirs = tables.table_of(other_bench.workshop)
        assert theirs == tables.delivered()

    @pytest.mark.parametrize("name", ["Does not heat", "does NOT heat", "Sings a song"])
    def test_a_name_that_is_taken(self, bench: Bench, name: str) -> None:
        editing.add_symptom(appliance="washing-machine", facts=symptom(), **by(bench))
        with pytest.raises(Conflict):
            editing.add_symptom(appliance="washing-machine", facts=symptom(name=name), **by(bench))

    @pytest.mark.parametrize(
        ("changed", "field"),
        [
            ({"name": "!!"}, "name"),
            ({"name": "x" * 81}, "name"),
            ({"words": ["a"]}, "words"),
            ({"words": ["x" * 81]}, "words"),
            ({"suspects": {"belt": -3}}, "suspects"),
            ({"suspects": {"brew-unit": 3}}, "suspects"),
            ({"suspects": {f"x{n}": 1 for n in range(40)}}, "suspects"),
        ],
    )
    def test_what_cannot_be_is_refused_by_field(
        self, bench: Bench, changed: dict[str, object], field: str
    ) -> None:
        for act in (
            lambda: editing.add_symptom(
                appliance="washing-machine", facts=symptom(**changed), **by(bench)
            ),
            lambda: editing.change_symptom(slug=NO_HEAT, facts=symptom(**changed), **by(bench)),
        ):
            with pytest.raises(InputRefused) as refused:
                act()
            assert field in refused.value.fields
        assert not WorkshopSymptom.of(bench.workshop).exists()

    @pytest.mark.parametrize("minutes", [0, -1, 601, float("nan"), float("inf")])
    def test_minutes_that_cannot_be(self, bench: Bench, minutes: float) -> None:
        with pytest.raises(InputRefused) as refused:
            editing.set_check(
                slug="washing-machine:filter-clear", minutes=minutes, hidden=False, **by(bench)
            )
        assert "minutes" in refused.value.fields
        assert not WorkshopCheck.of(bench.workshop).exists()

    def test_rows_nobody_has(self, bench: Bench) -> None:
        for act in (
            lambda: editing.set_check(slug="x", minutes=1, hidden=False, **by(bench)),
            lambda: editing.change_symptom(slug="x", facts=symptom(), **by(bench)),
            lambda: editing.restore_symptom(workshop=bench.workshop, slug="x"),
            lambda: editing.save_code(facts=facts(), code_id=9, **by(bench)),
        ):
            with pytest.raises(NotFound):
                act()


class TestTheFile:
    def read(self, bench: Bench, tmp_path: Path, *lines: str) -> sheets.Imported:
        path = tmp_path / "fault_codes.csv"
        path.write_text("\n".join([HEADER, *lines, ""]), encoding="utf-8")
        return sheets.import_file("fault_codes", path, workshop=bench.workshop, at=NOW)

    def test_in_and_out_and_in_again(self, bench: Bench, tmp_path: Path) -> None:
        lines = [GOOD, "Borsund,,washing-machine,3-10,,pressure-sensor=65.5|blockage=20"]
        assert str(self.read(bench, tmp_path, *lines)) == "2 rows: 2 added, 0 changed, 0 as before"
        again = self.read(bench, tmp_path, *lines)
        assert (again.added, again.changed, again.same) == (0, 0, 2)
        text = "".join(sheets.export_text("fault_codes", workshop=bench.workshop))
        assert text.splitlines() == [HEADER, lines[1], lines[0]]  # by make

    def test_another_weight_changes_the_row_and_a_blank_meaning_erases_nothing(
        self, bench: Bench, tmp_path: Path
    ) -> None:
        self.read(bench, tmp_path, GOOD)
        row = FaultCode.of(bench.workshop).get()
        FaultCode.of(bench.workshop).update(source="a leaflet", hidden=True)
        done = self.read(bench, tmp_path, "velthane,w7,washing-machine,h 1,,heater=9")
        assert (done.added, done.changed) == (0, 1)
        row.refresh_from_db()
        assert (row.meaning, row.suspects) == ("water not warm", {"heater": 9.0})
        assert (row.source, row.hidden) == ("a leaflet", True)

    @pytest.mark.parametrize(
        ("lines", "named"),
        [
            (  # cells that cannot be read
                [
                    "Velthane,,washing-machine,,,heater=1",
                    "Velthane,,washing-machine,H2,,heater=-1",
                    "Velthane,,washing-machine,H3,,heater",
                    "Velthane,,washing-machine,H5,,heater=1|heater=2",
                    "Velthane,,washing-machine,H5,,",
                    f"Velthane,,washing-machine,{'9' * 21},,heater=1",
                ],
                ["code", "suspects", "suspects", "suspects", "suspects", "code"],
            ),
            (  # what they name is not there
                [
                    "Nobody,,washing-machine,H2,,heater=1",
                    "Velthane,,toaster,H2,,heater=1",
                    "Velthane,,washing-machine,H4,,brew-unit=1",
                    "Velthane,w7,washing-machine,h-1,,heater=1",
                    "Velthane,,washing-machine,--,,heater=1",
                ],
                ["make", "appliance", "suspects", "code", "code"],
            ),
        ],
    )
    def test_every_bad_cell_is_named_and_nothing_is_written(
        self, bench: Bench, tmp_path: Path, lines: list[str], named: list[str]
    ) -> None:
        with pytest.raises(FileRefused) as refused:
            self.read(bench, tmp_path, GOOD, *lines)
        cells = [(one.row, one.column) for one in refused.value.problems]
        assert cells == [(row, column) for row, column in enumerate(named, start=3)]
        assert not FaultCode.of(bench.workshop).exists()

    def test_a_file_takes_as_many_queries_for_any_rows(
        self, bench: Bench, tmp_path: Path, django_assert_max_num_queries
    ) -> None:
        lines = [f"Velthane,,washing-machine,E{n},,heater=1" for n in range(200)]
        with django_assert_max_num_queries(12):
            self.read(bench, tmp_path, *lines)

    def test_the_demo_s_own_file_has_these_columns(self) -> None:
        path = settings.DEMO_DIR.parent / "demo_fault_codes.csv"
        assert path.read_text(encoding="utf-8").splitlines()[0] == HEADER


def check_facts(**values: object) -> CheckFacts:
    stated = {
        "do": "Listen at the pump while it should run.",
        "minutes": 1.0,
        "suspects": {"drain-pump": 0.95, "blockage": 0.1},
    }
    return CheckFacts(**{**stated, **values})  # type: ignore[arg-type]


def add_check(bench: Bench, appliance: str = "washing-machine", **values: object) -> CheckRow:
    return own_checks.add_check(appliance=appliance, facts=check_facts(**values), **by(bench))


def of_kinds(appliance: str, *kinds: str) -> set[str]:
    """The cautions of part kinds as the database has them, not as the code reads the file."""
    rows = Caution.objects.filter(kind__in=kinds)
    return {one.slug for one in rows if one.appliance_id in (None, appliance)}


class TestOwnChecks:
    def test_it_stands_beside_the_guide_s_which_stay(self, bench: Bench) -> None:
        row = add_check(bench, instrument="a stethoscope", cautions=["all-live-test"])
        table = tables.table_of(bench.workshop, "washing-machine")
        given = tables.delivered().checks_of("washing-machine")
        assert table.checks_of("washing-machine") == (*given, row.check)
        assert row.check.instrument == "a stethoscope"
        assert row.check.cautions == ("all-unplug", "all-capacitor", "all-live-test")
        for suspect in ("drain-pump", "blockage", "belt"):
            chances = [one.given(suspect) for one in row.check.answers]
            assert sum(chances) == pytest.approx(1)
        assert tables.delivered().checks_of("washing-machine") == given

    def test_an_opened_oven_always_shows_its_high_voltage(self, bench: Bench) -> None:
        shut = add_check(bench, "microwave", suspects={"magnetron": 0.5}, opens=False)
        opened = add_check(bench, "microwave", do="Look.", suspects={"magnetron": 0.5})
        assert shut.check.cautions == ()
        assert opened.check.cautions[:4] == (
            "all-unplug", "all-capacitor", "mw-hv", "mw-never-open-run",
        )  # fmt: skip
        assert set(opened.check.cautions[4:]) == of_kinds("microwave", "magnetron")

    @pytest.mark.parametrize(
        ("kind", "caution"),
        [
            # 300 to 400 V on the bus: the danger of the very thing that is measured.
            ("inverter-module", "all-inverter-bus"),
            ("mains-filter", "all-filter"),
            ("control-board", "all-board-esd"),
            ("heater", "all-heater-dry"),
        ],
    )
    @pytest.mark.parametrize("opens", [True, False])
    def test_what_its_suspects_can_do_to_somebody_always_shows(
        self, bench: Bench, kind: str, caution: str, opens: bool
    ) -> None:
        row = add_check(bench, do="Measure it.", suspects={kind: 0.8}, opens=opens)
        assert caution in row.check.cautions
        assert ("all-capacitor" in row.check.cautions) == opens

    def test_every_caution_of_every_kind_a_machine_carries(self, bench: Bench) -> None:
        for appliance in ("washing-machine", "tumble-dryer", "microwave", "coffee-machine"):
            for kind in tables.parts_of(appliance):
                row = WorkshopCheck(
                    workshop=bench.workshop, appliance_id=appliance, do="Measure it.", minutes=1,
                    suspects={kind: 0.8}, otherwise=0.05, finds="bad", clear="good", opens=True,
                )  # fmt: skip
                shown = tables.own_check(row).cautions
                assert of_kinds(appliance, kind) <= set(shown)
                assert len(set(shown)) == len(shown)
                assert of_kinds(appliance, kind) == {
                    slug for slug in shown if Caution.objects.get(pk=slug).kind_id
                }

    def test_of_a_shut_machine_only_what_is_live(self, bench: Bench) -> None:
        row = add_check(bench, suspects={"motor-inverter": 0.8, "door-lock": 0.3}, opens=False)
        assert row.check.cautions == ()

    def test_what_is_chosen_too_stands_once(self, bench: Bench) -> None:
        row = add_check(bench, suspects={"heater": 0.5}, cautions=["all-heater-dry", "all-unplug"])
        assert row.check.cautions == ("all-unplug", "all-capacitor", "all-heater-dry")

    def test_changed_in_words_and_retired(self, bench: Bench) -> None:
        slug = add_check(bench).check.slug
        other = add_check(bench, do="Look at the pump.")
        changed = own_checks.change_check(slug=slug, facts=check_facts(do="Hark!"), **by(bench))
        assert (changed.check.slug, changed.check.do) == (slug, "Hark!")
        with pytest.raises(Conflict, match="already"):
            own_checks.change_check(slug=slug, facts=check_facts(do=other.check.do), **by(bench))
        own_checks.change_check(slug=slug, facts=check_facts(hidden=True), **by(bench))
        assert slug not in tables.table_of(bench.workshop).checks
        assert slug in tables.table_and_words(bench.workshop, "washing-machine")[1]

    def test_the_guide_s_words_are_taken(self, bench: Bench) -> None:
        given = tables.delivered().checks["washing-machine:filter-clear"]
        with pytest.raises(Conflict):
            add_check(bench, do=given.do)
        with pytest.raises(Conflict, match="guide"):
            own_checks.change_check(slug=given.slug, facts=check_facts(), **by(bench))
        with pytest.raises(NotFound):
            own_checks.change_check(slug="x", facts=check_facts(), **by(bench))

    def test_two_that_begin_alike_are_two(self, bench: Bench) -> None:
        begin = "Measure the resistance of the heater "
        rows = [add_check(bench, do=begin + end) for end in ("element.", "element, hot.", "relay.")]
        assert len({row.check.slug for row in rows}) == 3
        assert rows[1].check.do == begin + "element, hot."
        with pytest.raises(Conflict, match=r"heater element, hot\.” already"):
            add_check(bench, do=begin.upper() + "ELEMENT HOT")
        # Named as the guide names one of its own: other words, another check.
        assert add_check(bench, do="Filter clear.").check.slug == "washing-machine:filter-clear-2"

    def test_another_workshop_has_none_of_it(self, bench: Bench, other_bench: Bench) -> None:
        slug = add_check(bench).check.slug
        assert tables.table_of(other_bench.workshop) == tables.delivered()
        with pytest.raises(NotFound):
            own_checks.change_check(slug=slug, facts=check_facts(), **by(other_bench))

    def test_a_code_may_ask_for_it(self, bench: Bench) -> None:
        slug = add_check(bench).check.slug
        row = editing.save_code(facts=facts(checks=[slug]), **by(bench))
        assert row.checks == [slug]

    def test_set_minutes_keeps_its_words(self, bench: Bench) -> None:
        slug = add_check(bench).check.slug
        row = editing.set_check(slug=slug, minutes=None, hidden=True, **by(bench))
        assert (row.check.minutes, row.hidden) == (1, True)
        row = editing.set_check(slug=slug, minutes=3, hidden=False, **by(bench))
        assert (row.check.minutes, row.hidden, row.check.do) == (3, False, check_facts().do)


GUIDE = tables.delivered().checks["washing-machine:filter-clear"].do


class TestTheFileOfChecks:
    HEADER = "appliance,do,minutes,suspects,otherwise,finds,clear,cautions,opens,instrument,source"
    GOOD = (
        'washing-machine,Listen at the pump.,1,drain-pump=0.95|blockage=0.1,0.04,"it hums, stuck",'
        "it runs,all-live-test,0,a stethoscope,own"
    )

    def read(self, bench: Bench, tmp_path: Path, *lines: str) -> sheets.Imported:
        path = tmp_path / "fault_checks.csv"
        path.write_text("\n".join([self.HEADER, *lines, ""]), encoding="utf-8")
        return sheets.import_file("fault_checks", path, workshop=bench.workshop, at=NOW)

    def test_in_and_out_and_in_again(self, bench: Bench, tmp_path: Path) -> None:
        assert self.read(bench, tmp_path, self.GOOD).added == 1
        (line,) = list(sheets.export_text("fault_checks", workshop=bench.workshop))[1:]
        assert line.strip() == self.GOOD
        assert self.read(bench, tmp_path, self.GOOD).same == 1
        # Words changed on the page do not make a second check of the next file.
        slug = WorkshopCheck.of(bench.workshop).get().slug
        own_checks.change_check(slug=slug, facts=check_facts(do="Hark!"), **by(bench))
        assert self.read(bench, tmp_path, "washing-machine,Hark!,9,belt=0.5,,,,,,,").changed == 1
        row = WorkshopCheck.of(bench.workshop).get()
        assert (row.slug, row.minutes, row.finds) == (slug, 9, check_facts().finds)

    def test_two_that_begin_alike_are_two(self, bench: Bench, tmp_path: Path) -> None:
        begin = "washing-machine,Measure the resistance of the heater element "
        lines = [f"{begin}{end},6,heater=0.8,,,,,,," for end in ("hot.", "cold.")]
        assert self.read(bench, tmp_path, *lines).added == 2
        assert self.read(bench, tmp_path, *lines).same == 2
        assert len({row.slug for row in WorkshopCheck.of(bench.workshop)}) == 2

    @pytest.mark.parametrize(
        ("line", "column"),
        [
            ("washing-machine,Listen at the pump!,1,belt=0.5,,,,,,,", "do"),
            (f'washing-machine,"{GUIDE}",1,belt=0.5,,,,,,,', "do"),
            ("toaster,Listen.,1,belt=0.5,,,,,,,", "appliance"),
            ("washing-machine,!!,1,belt=0.5,,,,,,,", "do"),
            ("washing-machine,Listen.,none,belt=0.5,,,,,,,", "minutes"),
            ("washing-machine,Listen.,nan,belt=0.5,,,,,,,", "minutes"),
            ("washing-machine,Listen.,0,belt=0.5,,,,,,,", "minutes"),
            ("washing-machine,Listen.,1,belt=2,,,,,,,", "suspects"),
            ("washing-machine,Listen.,1,brew-unit=0.5,,,,,,,", "suspects"),
            ("washing-machine,Listen.,1,belt=0.5,1,,,,,,", "otherwise"),
            ("washing-machine,Listen.,1,belt=0.5,,,,mw-hv,,,", "cautions"),
            ("washing-machine,Listen.,1,belt=0.5,,,,,perhaps,,", "opens"),
            ("washing-machine,listen AT the pump.,1,belt=0.5,,,,,,,", "do"),
        ],
    )
    def test_a_bad_cell_is_named_and_nothing_is_written(
        self, bench: Bench, tmp_path: Path, line: str, column: str
    ) -> None:
        with pytest.raises(FileRefused) as refused:
            self.read(bench, tmp_path, self.GOOD, line)
        assert [(one.row, one.column) for one in refused.value.problems] == [(3, column)]
        assert not WorkshopCheck.of(bench.workshop).exists()
