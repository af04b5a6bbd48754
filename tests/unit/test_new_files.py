"""New files of a few answers: what is written is what a person would have written, and is read without a fault."""

import pytest
from click.testing import CliRunner

from instruments.benchfile import load_bench
from instruments.yamlfile import load
from sequencer import core
from sequencer.cli.new import new_group
from sequencer.inputs.files import load_sequence
from sequencer.inputs.new_files import KINDS, file_name
from sequencer.inputs.type_sheet import TypeSheet


@pytest.fixture(autouse=True)
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def new(*options, code=0):
    found = CliRunner().invoke(new_group, list(options))
    assert found.exit_code == code, found.output
    return found


@pytest.mark.parametrize("kind", list(KINDS))
def test_what_is_usual_gives_a_file_that_is_read_without_a_fault(kind, folder):
    found = new(kind)
    (path,) = folder.iterdir()
    assert found.stdout == path.read_text(encoding="utf-8")
    assert f"next: {core.next_command(kind, path.relative_to(folder), {'role': 'meter'})}" in found.stderr


def test_answers_become_the_unit_that_they_say(folder):
    ranges = ("--input", "0 .. 120 degC", "--sensor", "K", "--cold-junction", "25 degC", "--output", "20 .. 4 mA")
    errors = ("--tolerance", "1 degC + 0.1 % of span", "--time-constant", "2 s")
    new("type", "--name", "Wort: cooler (invented)", *ranges, *errors)
    sheet = load(folder / "wort-cooler-invented.yaml", TypeSheet)
    found = sheet.datasheet()
    assert sheet.type == "Wort: cooler (invented)"
    assert (found.taps[1].low, found.taps[1].high) == (20, 4)
    assert found.stages[0].time_constant_s == 2
    # IEC 60584-1: type K gives 1.000 mV at 25 degC and 4.096 mV at 100 degC.
    assert float(found.taps[0].to_signal(100.0)) == pytest.approx(4.096 - 1.000, abs=1e-3)


def test_a_sequence_and_a_bench_of_answers_are_planned_together(folder):
    new("type", "--name", "level")
    new("sequence", "--name", "short", "--type-sheet", "level.yaml", "--points", "5", "--cycles", "1",
        "--readings", "2", "--exercise", "0")  # fmt: skip
    new("bench", "--name", "hand", "--source", "keyed-source", "--meter", "keyed-meter")
    planned = core.plan(load_sequence("short.yaml"), load_bench(folder / "hand.yaml"))
    # Five points up, five down with one at the top between, and an end pair at each end.
    assert [point.role for point in planned.points].count("reading") == 9


def test_a_reference_reads_the_input(folder):
    new("bench", "--reference", "generic-scpi-meter", "--to", "b.yaml")
    assert load_bench(folder / "b.yaml").file.taps["input"].read_by == "reference"


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (("type", "--tolerance", "2 % of nothing"), "--tolerance: "),
        (("type", "--input", "from 4 to 20"), "--input: "),
        (("type", "--sensor", "Pt100"), "--sensor: says what the other answers leave no room for"),
        (("type", "--input", "0 .. 50 degC", "--sensor", "pt10"), 'write "Pt100"'),
        (("sequence", "--points", "1"), "a whole number from 2 to 1001"),
        (("sequence", "--type-sheet", "none-of-it"), "there is no type sheet"),
        (("bench", "--source", "none-of-it"), 'no instrument description "none-of-it"'),
    ],
)
def test_an_answer_that_cannot_stand_is_said_with_its_option_and_nothing_is_written(options, says, folder):
    assert says in new(*options, code=2).stderr
    assert not list(folder.iterdir())


def test_a_file_that_is_there_stays_as_it_is(folder):
    (folder / "x.yaml").write_text("mine", encoding="utf-8")
    assert "is there already" in new("type", "--to", "x.yaml", code=2).stderr
    assert (folder / "x.yaml").read_text(encoding="utf-8") == "mine"


def test_a_person_is_asked_again_until_the_answer_can_stand(folder, monkeypatch):
    monkeypatch.setattr("sequencer.cli.new._is_there", lambda: True)
    answers = ["pump", "0 .. 50 degC", "Pt10", "Pt100", "", "", "0.5 percent of span", "0.5 % of span", ""]
    found = CliRunner().invoke(new_group, ["type"], input="\n".join(answers) + "\n")
    assert found.exit_code == 0, found.output
    assert 'write "Pt100"' in found.stderr
    sheet = load(folder / "pump.yaml", TypeSheet)
    assert sheet.input.sensor.rtd == "Pt100"
    assert str(sheet.tolerance) == "0.5 % of span"


def test_back_goes_to_the_question_before_and_keeps_what_was_answered(folder, monkeypatch):
    monkeypatch.setattr("sequencer.cli.new._is_there", lambda: True)
    answers = [
        "back",
        "pump",
        "?",
        "0 .. 50 Hz",
        "",
        "back",
        "back",
        "back",
        "",
        "0 .. 60 Hz",
        "",
        "",
        "0.5 % of span",
        "",
    ]
    found = CliRunner().invoke(new_group, ["type"], input="\n".join(answers) + "\n")
    assert found.exit_code == 0, found.output
    assert 'type an answer, Enter for "4 .. 20 mA", back, ?, or stop' in found.stderr
    assert "What type of unit is it [pump]: " in found.stderr
    assert "Range of its input [0 .. 50 Hz]: " in found.stderr
    sheet = load(folder / "pump.yaml", TypeSheet)
    assert (sheet.type, str(sheet.input.range), str(sheet.tolerance)) == ("pump", "0 .. 60 Hz", "0.5 % of span")


@pytest.mark.parametrize("typed", ["pump\nstop\n", "pump\nSTOP\n"])
def test_stop_leaves_no_file(folder, monkeypatch, typed):
    monkeypatch.setattr("sequencer.cli.new._is_there", lambda: True)
    found = CliRunner().invoke(new_group, ["type"], input=typed)
    assert found.exit_code == 130
    assert not list(folder.iterdir())


def test_who_leaves_half_way_leaves_no_file(folder, monkeypatch):
    monkeypatch.setattr("sequencer.cli.new._is_there", lambda: True)
    found = CliRunner().invoke(new_group, ["type"], input="pump\n")
    assert found.exit_code == 130
    assert "nothing was written" in found.stderr
    assert not list(folder.iterdir())


def test_the_commands_of_a_manual_are_tried_on_the_instrument_with_its_output_off():
    with core.simulate("pulse-to-current", "simulated") as served:
        resource = served.resources["meter"]
        right = new("instrument", "--to", "meter.yaml", "--try-at", resource)
        assert right.stdout.splitlines()[-1].strip().startswith("current")
        assert "ok    meter: LIVEZERO,SIMULATED METER" in right.stdout
        wrong = new("instrument", "--to", "wrong.yaml", "--query", "MEASURE:NOTHING?", "--try-at", resource)
        assert "FAULT meter" in wrong.stdout


def test_a_name_that_is_no_resource_is_refused_before_a_file_is_written(folder):
    assert 'write "ASRL3::INSTR"' in new("instrument", "--to", "meter.yaml", "--try-at", "COM3", code=2).stderr
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("name", "file"), [("Level, tank 3", "level-tank-3.yaml"), ("Prüfung", "pr-fung.yaml"), ("...", "new.yaml")]
)
def test_a_file_is_called_as_what_it_holds(name, file):
    assert file_name(name) == file
