"""One bench, one run: a second is refused with the name of the first, and no lock outlives its process."""

import errno
import json
import os
import signal
import subprocess
import sys
import tempfile
from pathlib import Path

import filelock
import pytest
import pyvisa
from pyvisa.constants import InterfaceType, StatusCode

from instruments.bench import connect
from instruments.benchfile import load_bench
from instruments.clock import VirtualClock
from instruments.described import DescribedInstrument, DescribedSource
from instruments.errors import InstrumentError
from instruments.locks import bench_held, identity_held, is_locked_now
from instruments.session import Session

BENCH = """\
bench: a source on a line
backend: "@py"
instruments:
  source: {{description: generic-scpi-source, resource: "{resource}"}}
  meter: {{description: generic-scpi-meter, resource: "TCPIP0::127.0.0.2::5026::SOCKET"}}
taps:
  input: {{set by: source}}
  output: {{read by: meter}}
"""
HOLDS = """\
import sys, time
from pathlib import Path
from instruments.benchfile import load_bench
from instruments.locks import bench_held
with bench_held(load_bench(Path(sys.argv[1])), job="acceptance of GF-104"):
    print("held", flush=True)
    time.sleep(60)
"""


@pytest.fixture(autouse=True)
def locks(tmp_path, monkeypatch):
    monkeypatch.setenv("LIVEZERO_STATE", str(tmp_path / "state"))
    return tmp_path / "state" / "locks"


@pytest.fixture
def bench(tmp_path):
    def loaded(resource="TCPIP0::127.0.0.2::5025::SOCKET"):
        path = tmp_path / "bench.yaml"
        path.write_text(BENCH.format(resource=resource))
        return load_bench(path)

    return loaded


def test_a_second_run_is_refused_with_the_name_of_the_first(bench, tmp_path):
    bench()
    command = [sys.executable, "-c", HOLDS, str(tmp_path / "bench.yaml")]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as other:
        try:
            assert other.stdout.readline() == "held\n"
            with pytest.raises(InstrumentError) as refused, bench_held(bench(), job="mine"):
                pass
        finally:
            other.kill()
    assert f"is in use by process {other.pid} on " in refused.value.what
    assert refused.value.what.endswith(": acceptance of GF-104")
    assert "127.0.0.2::502" in refused.value.where
    with bench_held(bench(), job="mine"):  # it was killed, and left no lock behind
        pass


def test_a_lock_is_given_back_and_leaves_no_file(bench, locks):
    for _ in range(2):
        with bench_held(bench(), job="mine"):
            found = [json.loads(path.read_text()) for path in locks.iterdir()]
            assert [(each["pid"], each["job"]) for each in found] == [(os.getpid(), "mine")] * 2
    assert sys.platform == "win32" or not list(locks.iterdir())


def test_two_spellings_of_one_resource_are_one(bench):
    # VISA: the board number 0 and the name of the first device may be left out.
    with (
        bench_held(bench("TCPIP::localhost::INSTR"), job="first"),
        pytest.raises(InstrumentError, match=r"is in use by process .*: first\n  allowed: one run at a time"),
        bench_held(bench("tcpip0::localhost::inst0::INSTR"), job="second"),
    ):
        pass


@pytest.mark.parametrize("host", ["localhost", "127.1", "127.0.0.1", "0x7f.1", "2130706433"])
def test_every_name_of_an_address_is_that_address(bench, host):
    # RFC 1123 and inet_aton: parts that are left out, hexadecimal, one number; POSIX getaddrinfo takes them all.
    with (
        bench_held(bench("TCPIP0::127.0.0.1::5025::SOCKET"), job="first"),
        pytest.raises(InstrumentError, match=r"is in use by process .*: first\n"),
        bench_held(bench(f"tcpip::{host}::5025::socket"), job="second"),
    ):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="device files are POSIX")
def test_a_link_to_a_device_is_the_device(bench, tmp_path):
    (tmp_path / "bath").symlink_to(os.devnull)
    with (
        bench_held(bench(f"ASRL{os.devnull}::INSTR"), job="first"),
        pytest.raises(InstrumentError, match="first"),
        bench_held(bench(f"ASRL{tmp_path / 'bath'}::INSTR"), job="second"),
    ):
        pass


HOLDS_IDENTITY = """\
import sys, time
from instruments.locks import identity_held
with identity_held(sys.argv[1], where="source (TCPIP0::127.0.0.1::5025::SOCKET)"):
    print("held", flush=True)
    time.sleep(60)
"""
IDENTITY = "UNIVERSAL,S1,4711,1.0"


@pytest.fixture
def held_by_another():
    with subprocess.Popen([sys.executable, "-c", HOLDS_IDENTITY, IDENTITY], stdout=subprocess.PIPE, text=True) as other:
        try:
            assert other.stdout.readline() == "held\n"
            yield other
        finally:
            other.kill()


def test_an_instrument_is_held_by_its_serial_whatever_its_address(held_by_another):
    here = "source (GPIB0::7::INSTR)"
    with (
        pytest.raises(InstrumentError, match=r"by its answer to \*IDN\?") as refused,
        identity_held(IDENTITY, where=here),
    ):
        pass
    assert refused.value.where == here
    assert f"process {held_by_another.pid} on " in refused.value.what
    assert "TCPIP0::127.0.0.1::5025::SOCKET" in refused.value.what
    with identity_held("UNIVERSAL,S1,4712,1.0", where=here):
        pass


@pytest.mark.parametrize("identity", ["UNIVERSAL,S1,0,1.0", "UNIVERSAL,S1", "UNIVERSAL,S1,,1.0", "", "S1 4711"])
def test_without_a_serial_nothing_tells_two_instruments_apart(identity, locks):
    with identity_held(identity, where=""):
        assert not locks.exists()


def test_one_process_may_have_two_lines_to_one_instrument():
    with identity_held(IDENTITY, where="source"), identity_held(IDENTITY, where="meter"):
        pass


def test_an_instrument_in_use_elsewhere_is_asked_who_it_is_and_left_alone(bench, held_by_another):
    sent = []

    class Line:
        def write(self, command):
            sent.append(command)

        def read(self):
            return IDENTITY

        def unread(self):
            return ""

        def clear(self):
            pass

        close = clear

    clock = VirtualClock()
    session = Session(name="source", resource="here", opener=Line, clock=clock, timeout_s=1, tell=lambda _: None)
    description = bench().descriptions["source"]
    instrument = DescribedInstrument(name="source", description=description, session=session, expected_identity="")
    level = instrument.description.functions["current"].safe_level
    source = DescribedSource(instrument=instrument, function="current", limits=(), safe_level=level, clock=clock)
    for _ in range(2):
        with pytest.raises(InstrumentError, match=f"in use by process {held_by_another.pid}"):
            source.make_safe()
    instrument.close()
    assert set(sent) == {"*IDN?"}


@pytest.mark.skipif(sys.platform == "win32" or os.geteuid() != 0, reason="only root can be another user")
def test_two_users_of_a_computer_are_two_runs(bench, monkeypatch):
    with tempfile.TemporaryDirectory(dir="/var/tmp") as shared:
        Path(shared).chmod(0o777)
        monkeypatch.setenv("LIVEZERO_STATE", f"{shared}/livezero")
        loaded = bench()
        before = os.umask(0o077)
        try:
            with bench_held(loaded, job="of root"):
                child = os.fork()
                if child == 0:
                    code = 3
                    try:
                        os.setgid(65534)
                        os.setuid(65534)
                        with bench_held(loaded, job="of nobody"):
                            code = 1
                    except InstrumentError as error:
                        code = 0 if error.what.endswith(": of root") else 2
                    finally:
                        os._exit(code)
                assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
        finally:
            os.umask(before)


def test_the_shared_folder_is_made_with_all_that_leads_to_it(bench, tmp_path, monkeypatch):
    monkeypatch.setenv("LIVEZERO_STATE", str(tmp_path / "not" / "there" / "yet"))
    with bench_held(bench(), job="mine"):
        assert len(list((tmp_path / "not" / "there" / "yet" / "locks").iterdir())) == 2


@pytest.mark.skipif(sys.platform == "win32", reason="links need rights on Windows")
def test_a_link_in_place_of_the_shared_folder_is_not_followed(bench, tmp_path, locks):
    (tmp_path / "elsewhere").mkdir()
    locks.parent.mkdir()
    locks.symlink_to(tmp_path / "elsewhere")
    with pytest.raises(InstrumentError, match="no lock can be held"), bench_held(bench(), job=""):
        pass
    assert not list((tmp_path / "elsewhere").iterdir())


def test_a_bench_that_is_refused_in_part_is_not_held_at_all(bench, locks):
    with bench_held(bench("ASRL1::INSTR"), job="first"):
        with pytest.raises(InstrumentError, match="first"), bench_held(bench(), job="second"):
            pass
        assert len(list(locks.iterdir())) == 2


def test_a_simulated_bench_is_nobody_elses(small, locks):
    plan = small()
    with bench_held(plan.bench, job="one"), bench_held(plan.bench, job="two"):
        assert not locks.exists()


def test_where_no_lock_can_be_kept_the_bench_is_not_used(bench, locks):
    locks.parent.mkdir(parents=True)
    locks.write_text("a file where the folder should be")
    with (
        pytest.raises(InstrumentError, match=r"no lock can be held.*\n  do: name a folder"),
        bench_held(bench(), job=""),
    ):
        pass


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9 is POSIX")
def test_what_a_killed_holder_wrote_names_nobody_who_comes_after(bench, tmp_path, locks):
    bench()
    with subprocess.Popen(
        [sys.executable, "-c", HOLDS, str(tmp_path / "bench.yaml")], stdout=subprocess.PIPE, text=True
    ) as other:
        assert other.stdout.readline() == "held\n"
        os.kill(other.pid, signal.SIGKILL)
    assert len(list(locks.iterdir())) == 2  # the files are there, the locks are not
    with bench_held(bench(), job="mine"):
        assert {json.loads(path.read_text())["pid"] for path in locks.iterdir()} == {os.getpid()}


@pytest.mark.skipif(sys.platform == "win32", reason="flock is POSIX")
def test_a_file_that_is_merely_there_is_never_taken_for_a_lock(bench, monkeypatch):
    """Where the system has no flock filelock could fall back to that; it would outlive a process that was killed."""
    import fcntl

    def missing(*_):
        raise OSError(errno.ENOSYS, "Function not implemented")

    monkeypatch.setattr(fcntl, "flock", missing)
    with (
        pytest.raises(InstrumentError, match=r"no lock can be held: Function not implemented\n  do: name a folder"),
        bench_held(bench(), job="mine"),
    ):
        pass


def given_back(times_n):
    """A lock whose holder gives it back, and its file with it, between opening and locking: so many times."""

    class GivenBack(filelock.FileLock):
        left_n = times_n

        def acquire(self, **how):
            if GivenBack.left_n > 0:
                GivenBack.left_n -= 1
                raise filelock.Timeout(self.lock_file)
            return super().acquire(**how)

    return GivenBack


def test_a_lock_that_is_given_back_just_then_is_tried_again(bench, monkeypatch):
    monkeypatch.setattr("instruments.locks.FileLock", given_back(3))
    with bench_held(bench(), job="mine"):
        pass


def test_a_lock_that_is_never_to_be_had_ends_in_a_refusal(bench, monkeypatch):
    monkeypatch.setattr("instruments.locks.FileLock", given_back(10_000))
    with pytest.raises(InstrumentError, match="is in use by another process"), bench_held(bench(), job="mine"):
        pass


@pytest.mark.parametrize("text", ["", "no JSON", " [1, 2]", ' {"pid": 7}', " " + "[" * 100_000])
def test_a_holder_that_left_no_name_is_another_process(bench, locks, text):
    locks.mkdir(parents=True)
    with bench_held(bench(), job="first"):
        for path in locks.iterdir():
            path.write_text(text)
        with pytest.raises(InstrumentError, match="is in use by another process\n"), bench_held(bench(), job="second"):
            pass


def test_an_open_file_is_locked_until_it_is_closed_and_can_be_read_by_all(tmp_path):
    path = tmp_path / "journal.jsonl"
    with path.open("xb") as ours:
        assert is_locked_now(ours)
        ours.write(b"a line\n")
        ours.flush()
        with path.open("r+b") as other:
            assert not is_locked_now(other)
            assert other.read() == b"a line\n"
        assert path.read_bytes() == b"a line\n"
        with path.open("r+b") as other:  # the reader's close dropped nothing
            assert not is_locked_now(other)
    with path.open("r+b") as other:
        assert is_locked_now(other)


class LockedLine:
    """A VISA resource whose lock another computer holds, or that knows no lock."""

    resource_class, interface_type = "INSTR", InterfaceType.tcpip

    def __init__(self, error):
        self.error = error
        self.is_closed = False

        self.read_termination, self.session, self.visalib = "\n", 1, None

    def set_visa_attribute(self, *_):
        raise pyvisa.VisaIOError(StatusCode.error_nonsupported_attribute)

    def lock_excl(self, *, timeout):
        assert timeout == 0  # it does not wait
        if self.error is not None:
            raise self.error

    def close(self):
        self.is_closed = True


def opened(bench, line):
    manager = type("Manager", (), {"open_resource": lambda *_, **__: line})()
    loaded = bench()
    return connect(loaded, "source", loaded.descriptions["source"], manager, VirtualClock(), lambda _: None)


@pytest.mark.parametrize(
    "error",
    [
        pytest.param(None, id="locked for us"),
        pytest.param(pyvisa.VisaIOError(StatusCode.error_nonsupported_operation), id="pyvisa-py, most lines"),
        pytest.param(NotImplementedError(), id="pyvisa-sim"),
        pytest.param(KeyError(17), id="pyvisa-py, an error that it does not know"),
    ],
)
def test_the_instruments_own_lock_is_taken_where_there_is_one(bench, error):
    line = LockedLine(error)
    assert opened(bench, line).name == "source"
    assert not line.is_closed


def test_an_instrument_that_another_computer_locked_is_not_used(bench):
    line = LockedLine(pyvisa.VisaIOError(StatusCode.error_resource_locked))
    with pytest.raises(InstrumentError, match="is locked by another computer or program"):
        opened(bench, line)
    assert line.is_closed
