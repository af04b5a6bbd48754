"""What stands at a computer, a served bench, and what people write in a bench file for a line."""

import socket
import threading

import pytest
from click.testing import CliRunner

from instruments.benchfile import load_bench
from instruments.errors import InputError
from sequencer.cli.command import cli
from sequencer.jobs.bench import ServedBench

BENCH = """\
bench: own
instruments:
  source: {{description: source.yaml, resource: "{resource}"{more}}}
taps: {{input: {{set by: source}}}}
"""
SOURCE = """\
instrument: invented
{keys}
functions: {{volts: {{sets: V, set: "V {{level}}", safe level: 0 V, ranges: [{{range: 0 .. 10 V}}]}}}}
"""


def bench_of(folder, *, resource="ASRL1::INSTR", more="", keys=""):
    (folder / "source.yaml").write_text(SOURCE.format(keys=keys))
    path = folder / "own.bench.yaml"
    path.write_text(BENCH.format(resource=resource, more=more))
    return path


@pytest.mark.parametrize(
    ("written", "visa"),
    [
        ("127.0.0.1:36129", "TCPIP::127.0.0.1::36129::SOCKET"),
        ("bench-meter:5025", "TCPIP::bench-meter::5025::SOCKET"),
        ("COM3", "ASRL3::INSTR"),
        ("com12:", "ASRL12::INSTR"),
        ("/dev/ttyUSB0", "ASRL/dev/ttyUSB0::INSTR"),
    ],
)
def test_a_line_as_people_write_it_is_explained_as_visa_writes_it(tmp_path, written, visa):
    with pytest.raises(InputError, match=r"own\.bench\.yaml:3:\d+: .* is no VISA resource") as caught:
        load_bench(bench_of(tmp_path, resource=written))
    assert caught.value.todo == f'write "{visa}"'


@pytest.mark.parametrize("written", ["ASRL3::INSTR", "TCPIP::127.0.0.1::5025::SOCKET", "GPIB0::12", "an alias"])
def test_what_visa_takes_is_left_to_it(tmp_path, written):
    assert load_bench(bench_of(tmp_path, resource=written)).file.instruments["source"].resource == written


@pytest.mark.parametrize(
    ("keys", "more", "what"),
    [
        ('unlock: "PASS {password}"', "", '"source" wants a password'),
        ('unlock: "PASS"', ", password: {environment: X}", '"source" takes no password'),
        ("", ", password: {environment: X}", '"source" takes no password'),
        ('unlock: "PASS {password}"', ", password: {environment: X, file: /y}", "one of"),
        ('unlock: "PASS {password}"', ", password: {file: y}", "by its whole path"),
        ('unlock: "PASS {pasword}"', "", "cannot stand here"),
    ],
)
def test_a_password_and_what_it_unlocks_belong_together(tmp_path, keys, more, what):
    with pytest.raises(InputError) as caught:
        load_bench(bench_of(tmp_path, keys=keys, more=more))
    assert what in f"{caught.value.what} {caught.value.allowed}"


def test_a_password_stands_in_the_environment_or_in_a_file_of_its_own(tmp_path, monkeypatch):
    (tmp_path / "secret").write_text("hop4\n")
    path = bench_of(tmp_path, keys='unlock: "PASS {password}"', more=f", password: {{file: {tmp_path / 'secret'}}}")
    assert load_bench(path).password("source").read(where="") == "hop4"
    path = bench_of(tmp_path, keys='unlock: "PASS {password}"', more=", password: {environment: BENCH_PASS}")
    monkeypatch.setenv("BENCH_PASS", "malt5")
    assert load_bench(path).password("source").read(where="") == "malt5"
    monkeypatch.delenv("BENCH_PASS")
    with pytest.raises(InputError, match="the environment variable BENCH_PASS holds no password"):
        load_bench(path).password("source").read(where="")


@pytest.fixture
def two():
    """Two listeners: one answers *IDN?, of the other is seen whether anybody came."""
    answering, silent = (socket.create_server(("127.0.0.1", 0)) for _ in range(2))
    heard = []

    def serve():
        line, _ = answering.accept()
        with line:
            heard.append(line.recv(100))
            line.sendall(b"INVENTED,METER,42,1.0\n")
            line.recv(100)

    threading.Thread(target=serve, daemon=True).start()
    silent.settimeout(0.1)
    yield answering.getsockname()[1], silent, heard
    answering.close()
    silent.close()


def test_nobody_is_asked_who_was_not_named(two, monkeypatch):
    port, silent, heard = two
    other = f"TCPIP::127.0.0.1::{silent.getsockname()[1]}::SOCKET"
    monkeypatch.setattr("instruments.finding._names", lambda _: [other])
    one = f"TCPIP::127.0.0.1::{port}::SOCKET"
    shown = CliRunner().invoke(cli, ["bench", "find", "--ask", one])
    assert (shown.exit_code, shown.stdout.splitlines()) == (0, [other, f"{one}: INVENTED,METER,42,1.0"])
    assert heard == [b"*IDN?\n"]
    with pytest.raises(TimeoutError):
        silent.accept()


def test_the_network_is_not_searched(monkeypatch):
    def searched():
        raise AssertionError

    monkeypatch.setattr("pyvisa_py.tcpip.TCPIPInstrSession.list_resources", staticmethod(searched))
    assert CliRunner().invoke(cli, ["bench", "find"]).exit_code == 0


def test_one_that_does_not_answer_is_told_with_what_to_do():
    with socket.create_server(("127.0.0.1", 0)) as gone:
        port = gone.getsockname()[1]
    shown = CliRunner().invoke(cli, ["bench", "find", "--ask", f"TCPIP::127.0.0.1::{port}::SOCKET"])
    assert shown.exit_code == 3
    assert "do: check power and cable" in shown.stdout


def test_a_name_that_is_no_resource_is_answered_with_the_one_that_is():
    shown = CliRunner().invoke(cli, ["bench", "find", "--ask", "127.0.0.1:5025"])
    assert shown.exit_code == 2
    assert 'do: write "TCPIP::127.0.0.1::5025::SOCKET"' in shown.stdout


def test_a_served_bench_says_the_command_for_the_other_terminal(tmp_path, monkeypatch):
    monkeypatch.setattr(ServedBench, "wait", lambda _: None)
    path = tmp_path / "served.yaml"
    shown = CliRunner().invoke(cli, ["bench", "simulate", "pulse-to-current", "--write", str(path)])
    assert shown.exit_code == 0, shown.output
    command = f"livezero run pulse-to-current --bench {path} --serial SERIAL --confirm"
    assert f"in another terminal:\n  {command}\n" in shown.stderr
    assert load_bench(path).file.backend == "@py"


def test_a_reply_that_cannot_be_read_is_shown_as_it_came(tmp_path):
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def serve():
            line, _ = listener.accept()
            with line:
                while line.recv(100):
                    line.sendall(b"12.5 furlongs\n")

        threading.Thread(target=serve, daemon=True).start()
        (tmp_path / "meter.yaml").write_text(
            "instrument: x\nidentify:\nclear: []\n"
            "functions: {it: {reads: mV, query: R, ranges: [{range: 0 .. 100 mV}]}}\n"
        )
        path = tmp_path / "own.bench.yaml"
        port = listener.getsockname()[1]
        path.write_text(
            "bench: own\ninstruments:\n"
            f'  meter: {{description: meter.yaml, resource: "TCPIP::127.0.0.1::{port}::SOCKET"}}\n'
            "taps: {input: {read by: meter}}\n"
        )
        shown = CliRunner().invoke(cli, ["bench", "check", str(path)])
    assert shown.exit_code == 3
    assert "reading is garbled" in shown.stdout
    assert 'R was answered "12.5 furlongs"' in shown.stdout


def test_a_file_of_simulated_instruments_that_is_missing_is_one_line(tmp_path):
    path = bench_of(tmp_path)
    path.write_text(path.read_text().replace("bench: own\n", "bench: own\nbackend: missing.yaml@sim\n"))
    shown = CliRunner().invoke(cli, ["bench", "check", str(path)])
    said = [line for line in shown.stderr.splitlines() if "missing.yaml" in line]
    assert (shown.exit_code, len(said)) == (3, 1)
    assert "there is no file" in said[0]
