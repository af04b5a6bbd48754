"""One line to one instrument: everything is told, a time-out makes it suspect, and there is a way back."""

import contextlib
import socket
import threading
import time
from collections import deque

import pytest
import pyvisa
from pyvisa.constants import StatusCode

from instruments.clock import VirtualClock
from instruments.errors import InstrumentError, LineLostError, NoReplyError, OutOfStepError, RecordError
from instruments.session import Manners, Session
from instruments.visaline import BoundedLine


class FakeLine:
    """Fulfils `Line`; answers each query by a table, and keeps what is not read, as a stream does."""

    def __init__(self, clock, answers):
        self.timeout = 0.0
        self.clock = clock
        self.answers = answers
        self.waiting = deque()
        self.written = []
        self.cleared = 0
        self.is_closed = False

    def write(self, message):
        self.written.append(message)
        answer = self.answers.get(message, ())
        if isinstance(answer, BaseException):
            raise answer
        self.waiting.extend(answer)
        return len(message)

    def read(self):
        if not self.waiting:
            self.clock.sleep(self.timeout / 1000)
            raise pyvisa.VisaIOError(StatusCode.error_timeout)
        answer = self.waiting.popleft()
        if isinstance(answer, BaseException):
            raise answer
        return answer

    def unread(self):
        stray = "".join(each for each in self.waiting if isinstance(each, str))
        self.waiting.clear()
        return stray

    def clear(self):
        self.cleared += 1

    def close(self):
        self.is_closed = True


class Opened:
    def __init__(
        self, *, resource="GPIB0::7::INSTR", timeout_s=5.0, query_delay_s=0.0, tell=None, line=FakeLine, **answers
    ):
        self.clock = VirtualClock()
        self.told = []
        self.lines = []
        self.answers = {name.replace("_", "?"): answer for name, answer in answers.items()}
        self.line_type = line
        self.session = Session(
            name="meter",
            resource=resource,
            opener=self.open,
            clock=self.clock,
            timeout_s=timeout_s,
            manners=Manners(query_delay_s=query_delay_s),
            tell=tell or self.told.append,
        )

    def open(self):
        self.lines.append(self.line_type(self.clock, self.answers))
        return self.lines[-1]

    @property
    def line(self):
        return self.lines[-1]


def test_each_exchange_is_told_with_its_time():
    opened = Opened(query_delay_s=0.02, IDN_=["A,B,C,D"])
    opened.session.write("OUTP OFF")
    assert opened.session.query("IDN?") == "A,B,C,D"
    assert [(each.sent, each.received, each.fault) for each in opened.told] == [
        ("OUTP OFF", None, ""),
        ("IDN?", "A,B,C,D", ""),
    ]
    assert opened.told[1].took_s == pytest.approx(0.02)


def test_the_time_out_is_given_to_the_line_in_milliseconds():
    assert Opened(timeout_s=2.5).line.timeout == 2500


def test_no_answer_in_time_makes_the_session_suspect():
    opened = Opened(timeout_s=3.0)
    with pytest.raises(NoReplyError, match=r"meter \(GPIB0::7::INSTR\): no answer within 3 s") as caught:
        opened.session.query("READ?")
    assert caught.value.command == "READ?"
    assert opened.session.is_suspect
    assert opened.clock.now() == 3.0
    assert opened.told[-1].fault == "VI_ERROR_TMO"


@pytest.mark.parametrize(
    "error",
    [
        ConnectionResetError(104, "Connection reset by peer"),
        RuntimeError("HiSLIP message lost"),
        UnicodeDecodeError("ascii", b"\xb5", 0, 1, "ordinal not in range"),
        NotImplementedError(),
        pyvisa.errors.InvalidSession(),
        pyvisa.VisaIOError(StatusCode.error_connection_lost),
        Exception("could not connect"),
    ],
    ids=lambda error: type(error).__name__,
)
def test_whatever_a_transport_raises_is_an_instrument_error(error):
    opened = Opened(READ_=error)
    with pytest.raises(InstrumentError, match="the line failed") as caught:
        opened.session.query("READ?")
    assert not isinstance(caught.value, NoReplyError)
    assert caught.value.__cause__ is error
    assert opened.session.is_suspect
    assert all(line.isprintable() for line in caught.value.lines)


def test_ctrl_c_before_the_answer_leaves_the_session_suspect():
    opened = Opened(READ_=[KeyboardInterrupt()])
    with pytest.raises(KeyboardInterrupt):
        opened.session.query("READ?")
    assert opened.session.is_suspect


def test_a_line_that_cannot_be_opened_names_the_resource_and_the_reason():
    def refuse(*_):
        raise Exception("could not connect: [Errno -2] Name or service not known\nand more")  # noqa: TRY002  as pyvisa-py does

    with pytest.raises(InstrumentError, match=r"meter \(GPIB0::7::INSTR\): cannot be opened") as caught:
        Opened(line=refuse)
    assert caught.value.todo.endswith("(could not connect: [Errno -2] Name or service not known)")


@pytest.mark.parametrize("command", ["READ?", "OUTP ON"])
def test_nothing_is_sent_while_an_answer_that_nobody_asked_for_stands_in_the_input(command):
    opened = Opened(READ_=["1", "2"], IDN_=["me"])
    assert opened.session.query("READ?") == "1"
    with pytest.raises(OutOfStepError, match='said "2", which nobody had asked for'):
        opened.session.write(command)
    assert opened.line.written == ["READ?"]
    assert opened.session.is_suspect
    assert [(each.sent, each.received) for each in opened.told][1:] == [("(not asked for)", "2")]


def test_what_makes_safe_does_not_wait_for_the_input_to_be_empty():
    opened = Opened(READ_=["1", "2"])
    opened.session.query("READ?")
    opened.session.write_at_once("OUTP OFF")
    assert opened.line.written == ["READ?", "OUTP OFF"]


def test_a_second_line_end_is_no_answer():
    opened = Opened(READ_=["1", "\n"])
    assert [opened.session.query("READ?") for _ in range(3)] == ["1"] * 3


def test_clearing_throws_late_answers_away():
    opened = Opened(READ_=["1", "2", "3"], IDN_=["me"])
    assert opened.session.query("READ?") == "1"
    opened.session.clear()
    assert opened.session.query("IDN?") == "me"
    assert [each.received for each in opened.told if each.sent == "(drained)"] == ["2", "3"]
    assert opened.line.timeout == 5000


def test_a_line_without_device_clear_is_drained_all_the_same():
    class NoClear(FakeLine):
        def clear(self):
            raise NotImplementedError

    opened = Opened(line=NoClear, READ_=["1", "late"], IDN_=["me"])
    opened.session.query("READ?")
    opened.session.clear()
    assert opened.session.query("IDN?") == "me"
    assert len(opened.lines) == 1


def test_a_raw_socket_is_drained_but_never_cleared():
    # pyvisa-py reads in place of a device clear, for ever once the other side has gone.
    opened = Opened(resource="TCPIP::127.0.0.1::5025::SOCKET", READ_=["1", "late"], IDN_=["me"])
    opened.session.query("READ?")
    opened.session.clear()
    assert opened.session.query("IDN?") == "me"
    assert opened.line.cleared == 0


def test_an_instrument_that_never_falls_silent_does_not_hold_the_run_up():
    class Babbling(FakeLine):
        def read(self):
            return "and another thing"

    opened = Opened(line=Babbling)
    opened.session.clear()
    assert len([each for each in opened.told if each.sent == "(drained)"]) == 50


def test_a_line_that_is_lost_is_opened_anew_by_clearing():
    class Lost(FakeLine):
        def read(self):
            if len(opened.lines) == 1:
                raise pyvisa.VisaIOError(StatusCode.error_connection_lost)
            return super().read()

    opened = Opened(line=Lost, IDN_=["me"])
    opened.session.clear()
    assert len(opened.lines) == 2
    assert opened.lines[0].is_closed
    assert opened.session.query("IDN?") == "me"


def test_a_full_disk_does_not_come_between_a_command_and_the_line():
    def full(_):
        raise RecordError("the journal cannot be written: No space left on device")

    opened = Opened(tell=full, IDN_=["me"])
    opened.session.write("OUTP OFF")
    assert opened.session.query("IDN?") == "me"
    assert opened.line.written == ["OUTP OFF", "IDN?"]


def test_closing_a_line_that_is_gone_is_no_error():
    class Gone(FakeLine):
        def close(self):
            raise OSError(5, "Input/output error")

    opened = Opened(line=Gone)
    opened.session.close()
    assert opened.told[-1].fault == "Input/output error"


@pytest.fixture
def trickling():
    """The port of an instrument that answers with a byte every 50 ms and no end, or with these bytes at once."""
    stop = threading.Event()

    def serve(listener, whole):
        line, _ = listener.accept()
        with line:
            while not stop.is_set() and line.recv(4096):
                if whole:
                    line.sendall(whole)
                    continue
                with contextlib.suppress(OSError):
                    while not stop.wait(0.05):
                        line.sendall(b"1")

    threads, listeners = [], []

    def served(whole=b""):
        listener = socket.create_server(("127.0.0.1", 0))
        listener.settimeout(10)
        threads.append(threading.Thread(target=serve, args=(listener, whole)))
        threads[-1].start()
        listeners.append(listener)
        return listener.getsockname()[1]

    yield served
    stop.set()
    for each in threads:
        each.join()
    for each in listeners:
        each.close()


def line_to(port):
    resource = pyvisa.ResourceManager("@py").open_resource(
        f"TCPIP::127.0.0.1::{port}::SOCKET", read_termination="\r\n", write_termination="\n"
    )
    line = BoundedLine(resource, encoding="latin-1")
    line.timeout = 400
    return line


def test_an_answer_that_trickles_is_none_after_one_time_out(trickling):
    line = line_to(trickling())
    line.write("*IDN?")
    began_s = time.monotonic()
    with pytest.raises(pyvisa.VisaIOError) as late:
        line.read()
    line.close()
    assert late.value.error_code == StatusCode.error_timeout
    assert 0.4 <= time.monotonic() - began_s < 0.8


def test_two_answers_in_one_packet_are_two(trickling):
    line = line_to(trickling(b"1.5\r\n2.5\r\n"))
    line.write("READ?")
    assert line.read() == "1.5"
    assert line.read() == "2.5"
    assert line.unread() == ""
    line.close()


def test_an_exchange_may_be_given_less_than_the_time_out():
    opened = Opened(timeout_s=5.0)
    opened.session.longest_s = lambda: 1.5
    with pytest.raises(NoReplyError, match=r"within 1\.5 s") as silent:
        opened.session.query("READ?")
    assert opened.clock.now() == 1.5
    assert "takes" in silent.value.todo
    assert opened.line.timeout == 5000
    opened.session.write_at_once("OUTP OFF")
    assert opened.line.timeout == 5000
    opened.session.longest_s = lambda: 60.0  # no longer than the time-out all the same
    with pytest.raises(NoReplyError, match="within 5 s"):
        opened.session.query("READ?")
    assert opened.clock.now() == 6.5


@pytest.mark.parametrize("resource", ["USB", "5025", "meter.yaml@sim"])
def test_a_name_that_is_no_resource_is_told_how_resources_are_written(resource):
    def opener():
        raise ValueError("'write_termination' is not a valid attribute for type Resource")

    with pytest.raises(LineLostError) as caught:
        Session(
            name="meter",
            resource=resource,
            opener=opener,
            clock=VirtualClock(),
            timeout_s=1,
            tell=lambda *_, **__: None,
        )
    assert "write a VISA resource, such as TCPIP::" in caught.value.todo
    assert "attribute" not in str(caught.value)
