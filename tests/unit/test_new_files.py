"""New files of a few answers: what is written is what a person would have written, and is read without a fault."""

import socketserver
import threading
from pathlib import Path
from typing import ClassVar

import pytest
from click.testing import CliRunner

from instruments.benchfile import load_bench
from instruments.description import Description
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
        (("bench", "--source", "none-of-it"), '--source: there is no instrument description "none-of-it"'),
        (("bench", "--to", "b.yaml", "--source-resource", "127.0.0.1:5025"), '--source-resource: "127.0.0.1:5025" is'),
        (("instrument", "--unit", "degC", "--sent-in", "A"), "--sent-in: "),
        (("instrument", "--unit", "degC"), '--range: what is usual, "0 .. 25 mA", cannot stand here'),
        (("instrument", "--role", "source", "--safe-level", "30 mA"), "--range: "),
        (("instrument", "--query", "READ {x}"), "--query: "),
        (("instrument", "--termination-read", 'CRLF"'), "--termination-read: "),
        (("instrument", "--termination-read", r"\r\r"), "--termination-read: "),
        (("instrument", "--reply", "no value"), "--reply: "),
        (("instrument", "--decimal", "dot"), "--decimal: "),
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
        # sequencer/README.md: 3 is a bench fault.
        failing = ("instrument", "--to", "wrong.yaml", "--query", "MEASURE:NOTHING?", "--timeout", "500 ms")
        wrong = new(*failing, "--try-at", resource, code=3)
        assert "FAULT meter" in wrong.stdout
        assert "the trial failed; wrong.yaml stays as it is written" in wrong.stderr
        assert load(Path("wrong.yaml"), Description).functions["current"].query == "MEASURE:NOTHING?"


class OfAManual(socketserver.StreamRequestHandler):
    """An instrument with two questions, each answer ended by CR and LF, each message ended by CR and sent back."""

    ANSWERS: ClassVar = {"WHO": "ORCHARD,BATH,7,1", "TEMP?": "T=21,53 C", "TSET?": "20,00", "HEAT?": "0"}

    def handle(self):
        said = b""
        while got := self.rfile.read(1):
            said += got
            if got == b"\r":
                message, said = said[:-1].decode(), b""
                self.server.heard.append(message)
                self.wfile.write(f"{message}\r\n".encode())
                if message in self.ANSWERS:
                    self.wfile.write(f"{self.ANSWERS[message]}\r\n".encode())


@pytest.fixture
def of_a_manual():
    with socketserver.ThreadingTCPServer(("127.0.0.1", 0), OfAManual) as server:
        server.daemon_threads, server.heard = True, []
        threading.Thread(target=server.serve_forever, daemon=True).start()
        yield server, f"TCPIP::127.0.0.1::{server.server_address[1]}::SOCKET"
        server.shutdown()


LINE = ("--termination-write", r"\r", "--termination-read", r"\r\n", "--echo", "yes", "--decimal", "comma")
BARE = ("--identify", "WHO", "--clear", "none", "--prepare", "None", "--error-query", "none", "--timeout", "1 s")
BATH = ("--unit", "degC", "--range", "0 .. 120 degC", "--resolution", "0.01 degC", "--accuracy", "0.02 degC")


def test_what_the_manual_does_not_have_is_not_sent_and_its_line_is_as_answered(of_a_manual):
    server, resource = of_a_manual
    found = new("instrument", *LINE, *BARE, *BATH, "--query", "TEMP?", "--reply", "T={value} C", "--to", "b.yaml",
                "--try-at", resource)  # fmt: skip
    assert "ok    meter: ORCHARD,BATH,7,1" in found.stdout
    assert "21.53" in found.stdout
    assert set(server.heard) == {"WHO", "TEMP?"}  # nothing but what the answers hold: no *CLS, *RST, SYST:ERR?
    told = load(Path("b.yaml"), Description)
    assert (told.termination.write, told.termination.read, told.echo) == ("\r", "\r\n", True)
    assert (told.clear, told.prepare, told.error_query) == ((), (), None)


def test_a_source_without_what_is_none_is_sent_its_own_commands_alone(of_a_manual):
    server, resource = of_a_manual
    commands = ("--set", "TSET {level:.2f}", "--read-back", "none", "--on", "HEAT 1", "--off", "HEAT 0")
    new("instrument", "--role", "source", *LINE, *BARE, *BATH, *commands, "--safe-level", "20 degC", "--to", "s.yaml",
        "--try-at", resource)  # fmt: skip
    assert set(server.heard) == {"WHO", "TSET 20,00", "HEAT 0"}


def test_a_command_with_a_comma_stays_one(folder):
    new("instrument", "--role", "source", "--on", "OUTP 1, 2", "--prepare", "CONF A, B", "--to", "s.yaml")
    told = load(folder / "s.yaml", Description)
    assert (told.functions["current"].on, told.prepare) == (("OUTP 1, 2",), ("CONF A, B",))


def test_a_file_in_the_current_folder_is_named_from_the_folder_of_the_new_one(folder):
    (folder / "sub").mkdir()
    new("type", "--name", "level")
    new("instrument", "--to", "own.yaml")
    new("sequence", "--type-sheet", "level.yaml", "--to", "sub/q.yaml")
    new("bench", "--meter", "own.yaml", "--to", "sub/b.yaml")
    assert "type sheet: ../level.yaml" in (folder / "sub" / "q.yaml").read_text(encoding="utf-8")
    assert "description: ../own.yaml" in (folder / "sub" / "b.yaml").read_text(encoding="utf-8")
    new("type", "--to", "sub/beside.yaml")
    new("sequence", "--type-sheet", "beside.yaml", "--to", "sub/q2.yaml")
    assert "type sheet: beside.yaml" in (folder / "sub" / "q2.yaml").read_text(encoding="utf-8")


def test_a_name_that_is_no_resource_is_refused_before_a_file_is_written(folder):
    assert 'write "ASRL3::INSTR"' in new("instrument", "--to", "meter.yaml", "--try-at", "COM3", code=2).stderr
    assert not list(folder.iterdir())


@pytest.mark.parametrize(
    ("name", "file"), [("Level, tank 3", "level-tank-3.yaml"), ("Prüfung", "pr-fung.yaml"), ("...", "new.yaml")]
)
def test_a_file_is_called_as_what_it_holds(name, file):
    assert file_name(name) == file
