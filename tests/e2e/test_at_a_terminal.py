"""A run with hand-held instruments at a real terminal: no wrong key ends it, and what is stopped goes on."""

import json
import os
import re
import select
import signal
import subprocess
import sys
import time

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals are POSIX")

LONG = "7" * 3000  # a terminal takes lines of 4095 letters
WRONG = ["12.003", "twelve", "no", "?", LONG, "\xb5"]
TAKE_TERMINAL = (
    "import fcntl, os, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); os.execv(sys.argv[1], sys.argv[1:])"
)


class Terminal:
    """The command on a pseudo terminal of 80 columns, with whoever types there."""

    def __init__(self, *arguments, cwd):
        self._ours, theirs = os.openpty()
        self.text = ""
        self._at = 0
        environment = os.environ | {"COLUMNS": "80", "LINES": "40", "PYTHONIOENCODING": "utf-8", "TERM": "xterm"}
        command = [sys.executable, "-c", TAKE_TERMINAL, sys.executable, "-m", "sequencer", *map(str, arguments)]
        self.process = subprocess.Popen(
            command, cwd=cwd, stdin=theirs, stdout=theirs, stderr=theirs, start_new_session=True, env=environment
        )
        os.close(theirs)

    def _more(self):
        if not select.select([self._ours], [], [], 0.2)[0]:
            return True
        try:
            got = os.read(self._ours, 65536)
        except OSError:  # the other end is closed
            return False
        self.text += got.decode("utf-8", "replace")
        return bool(got)

    def until(self, pattern, timeout_s=15):
        """Wait for a text that was not waited for yet."""
        end_s = time.monotonic() + timeout_s
        while not (found := re.compile(pattern).search(self.text, self._at)):
            assert time.monotonic() < end_s, f"no {pattern!r} in {self.text[self._at :]!r}"
            assert self._more() or re.compile(pattern).search(self.text, self._at), self.text[self._at :]
        self._at = found.end()
        return found[0]

    def type(self, line, *, enter="\n"):
        if line == "\x03":  # nobody is faster than the way from a question to the read behind it
            time.sleep(0.5)
        os.write(self._ours, (line + enter).encode("latin-1" if line == "\xb5" else "utf-8"))

    def answer(self, pattern, line):
        self.until(pattern)
        self.type(line)

    def ended(self):
        while self._more() and self.process.poll() is None:
            pass
        while self._more() and select.select([self._ours], [], [], 0)[0]:
            pass
        return self.process.wait(timeout=60)

    def close(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait()
        os.close(self._ours)


@pytest.fixture
def terminal(tmp_path):
    opened = []

    def started(*arguments):
        opened.append(Terminal(*arguments, cwd=tmp_path))
        return opened[-1]

    yield started
    for each in opened:
        each.close()


@pytest.fixture
def by_hand(quick):
    """The quick unit, read once at each point."""
    quick.write_text(quick.read_text().replace("readings: 2", "readings: 1").replace("  - exercise: {cycles: 1}\n", ""))
    return quick


def started(terminal, by_hand):
    run = terminal("run", by_hand, "--bench", "by-hand", "--serial", "GF-104")
    run.answer(r"Confirmed\? \[yes/no\] ", "yes")
    run.answer(r"Set hand source to 0 Hz \(Enter when done\) ", "")
    run.answer(r"Switch the output of hand source on \(Enter when done\) ", "")
    return run


SET = r"Set hand source to ([0-9]+) Hz \(Enter when done\) "
READ = r"Reading of hand meter at output, in mA: "
SAFE = r"Make hand source safe: set 0 Hz and switch the output off \(Enter when done\) "


def serve(run, ending, level=0):
    """Set and read as asked, at a unit without an error, until a prompt that is answered by the caller."""
    while not re.search(ending, asked := run.until(f"{ending}|{SET}|{READ}")):
        if found := re.search(SET, asked):
            level = int(found[1])
        run.type("" if found else f"{4 + 16 * level / 1000:.3f}")


def lines(folder):
    (record,) = (folder / "results").iterdir()
    return record, [json.loads(line) for line in (record / "journal.jsonl").read_text().splitlines()]


def read(folder):
    return [line["raw"] for line in lines(folder)[1] if line["kind"] == "reading"]


def test_every_wrong_key_at_every_prompt_and_the_run_goes_to_its_end(terminal, by_hand, tmp_path):
    run = terminal("run", by_hand, "--bench", "by-hand", "--serial", "GF-104")
    caution = r"Confirmed\? \[yes/no\] "
    for typed in [each for each in WRONG if each != "no"] + ["", "back"]:
        run.answer(caution, typed)
    run.answer(caution, "yes")
    level, output = (
        r"Set hand source to 0 Hz \(Enter when done\) ",
        r"Switch the output of hand source on \(Enter .*\) ",
    )
    for prompt in (level, output):
        for typed in WRONG:
            run.answer(prompt, typed)
            run.until("type Enter when done, back, [?], or stop")
        run.answer(prompt, "back")
        if prompt is level:
            run.until("nothing was set or read before this")
        else:
            run.answer(level, "")
        run.answer(prompt, "")
    serve(run, r"Set hand source to 500 Hz \(Enter when done\) ")
    # At a set prompt "back" goes to the reading before; then that level is asked for again.
    run.type("back")
    run.answer(r"Entry before, [0-9.]+, of hand meter at output, in mA: ", "8.001")
    run.until(r"8\.000 is 8\.001 now")
    run.answer(r"Set hand source to 500 Hz \(Enter when done\) ", "")
    for typed in ["twelve", "no", "?", "", "12 V", LONG, "\xb5"]:
        run.answer(READ, typed)
        run.until(r"type a number, OL, back, \?, or stop")
    run.answer(READ, "1.2")
    run.until(r"\[yes/no\] ")
    for typed in ["twelve", "", "?"]:
        run.type(typed)
        run.until(r"type yes, no, a number, OL, back, \?, or\s+stop")
        run.until(r"\[yes/no\] ")
    run.type("no")
    run.answer(READ, "12.000")
    serve(run, SAFE)
    for typed in ["12.003", "?", "stop", LONG]:
        run.type(typed)
        run.until(r"type Enter when done, no if it cannot be\s+done,\s+or\s+\?")
        run.until(SAFE)
    run.type("")
    assert run.ended() == 1, run.text  # a conditional pass: of one reading a point the scatter is not known
    assert "Traceback" not in run.text
    record, journal = lines(tmp_path)
    assert journal[-1]["status"] == "complete"
    (correction,) = (line for line in journal if line["kind"] == "correction")
    assert (correction["tap"], correction["raw"]) == ("output", "8.001")
    assert (record / "digest.json").exists()


@pytest.mark.parametrize("how", ["stop", "Ctrl-C", "Ctrl-D"])
def test_what_is_stopped_goes_on_and_no_reading_is_taken_again(terminal, by_hand, tmp_path, how):
    run = started(terminal, by_hand)
    serve(run, r"Set hand source to 750 Hz \(Enter when done\) ")
    run.type({"stop": "stop", "Ctrl-C": "\x03", "Ctrl-D": "\x04"}[how], enter="\n" if how == "stop" else "")
    run.until(r"\r\n(?=Make hand source safe)")  # not behind the question that was left
    run.answer(SAFE, "12.000")  # the reading that the person had in mind: it seals nothing
    run.answer(SAFE, "")
    assert run.ended() == 130, run.text
    record, journal = lines(tmp_path)
    assert journal[-1]["kind"] == "interrupted"
    assert not (record / "digest.json").exists()
    if how != "Ctrl-C":
        return  # however it was stopped, the record is the same, and so is how it goes on
    again = terminal("resume", record)
    again.answer(r"Confirmed\? \[yes/no\] ", "yes")
    again.answer(r"Set hand source to 0 Hz \(Enter when done\) ", "")
    again.answer(r"Switch the output of hand source on \(Enter when done\) ", "")
    serve(again, SAFE)  # the cycle is taken as a whole, since hysteresis is up and down in one go
    again.type("")
    assert again.ended() == 1, again.text
    assert read(tmp_path)[:3] == ["4.000", "8.000", "12.000"]


def test_where_nobody_confirms_the_safe_level_it_says_so_and_can_still_go_on(terminal, by_hand, tmp_path):
    run = started(terminal, by_hand)
    serve(run, r"Set hand source to 500 Hz \(Enter when done\) ")
    run.type("\x04", enter="")
    for _ in range(2):  # asked once more before the bench is left
        run.until(r"Make hand source safe: .* \(Enter when done\) ")
        run.type("\x04", enter="")
    assert run.ended() == 4, run.text
    record, journal = lines(tmp_path)
    assert (journal[-1]["kind"], journal[-1]["status"]) == ("interrupted", "not safe")
    # The next start asks for the output first, then what is to become of the run.
    later = terminal("run", by_hand, "--bench", "by-hand", "--serial", "GF-105")
    later.answer(r"Make hand source safe: .* \(Enter when done\) ", "")
    later.until(r"hand source is at its safe level, 0 Hz")
    for typed in ["12.003", "?", "no", "back"]:
        later.answer(r"\[resume\]: ", typed)
        later.until(r"type resume, close, leave, \?, or stop")
    later.answer(r"\[resume\]: ", "stop")
    assert later.ended() == 130, later.text
    assert not (record / "digest.json").exists()
    assert len(list((tmp_path / "results").iterdir())) == 1


def test_ctrl_c_at_the_safe_level_says_what_it_does_and_the_second_one_leaves(terminal, by_hand, tmp_path):
    run = started(terminal, by_hand)
    serve(run, r"Set hand source to 500 Hz \(Enter when done\) ")
    run.type("\x03", enter="")
    for typed in ("back", "stop"):
        run.answer(SAFE, typed)
        run.until("the output comes first")
    for _ in range(2):
        run.until(SAFE)
        run.type("\x03", enter="")
    assert run.ended() == 4, run.text  # README: 4 where an output was NOT made safe
    assert "the output is NOT made safe then" in run.text[: run.text.rindex("Make hand source safe")]
    # Not asked again of who has left; how often a line editor shows a prompt anew is its own affair.
    assert run.text.count("Make hand source safe") >= 4
    assert "Make hand source safe" not in run.text[run.text.index("it was not confirmed") :]
    assert "Entry before" not in run.text
    assert "it was not confirmed that hand source is at its safe level" in run.text
    assert (lines(tmp_path)[1][-1]["kind"], lines(tmp_path)[1][-1]["status"]) == ("interrupted", "not safe")


def test_one_ctrl_c_at_the_safe_level_and_then_safe_ends_as_it_was_to_end(terminal, by_hand, tmp_path):
    run = started(terminal, by_hand)
    serve(run, SAFE)
    run.type("\x03", enter="")
    run.answer(SAFE, "")
    assert run.ended() == 1, run.text  # judged, as without it
    assert lines(tmp_path)[1][-1]["status"] == "complete"


def test_ctrl_c_after_no_does_not_hide_that_the_output_was_not_safe(terminal, by_hand, tmp_path):
    run = started(terminal, by_hand)
    serve(run, r"Set hand source to 500 Hz \(Enter when done\) ")
    run.type("\x03", enter="")
    run.answer(SAFE, "no")
    run.until(SAFE)  # asked once more before the bench is left
    run.type("\x03", enter="")
    run.answer(SAFE, "")
    assert run.ended() == 4, run.text
    assert lines(tmp_path)[1][-1]["status"] == "not safe"


def test_no_to_a_caution_energises_nothing(terminal, by_hand):
    run = terminal("run", by_hand, "--bench", "by-hand", "--serial", "GF-104")
    run.answer(r"Confirmed\? \[yes/no\] ", "no")
    assert run.ended() == 130
    assert "Set hand source" not in run.text
    assert "Make hand source safe" not in run.text  # nothing was switched on


def test_a_closed_window_leaves_a_run_that_goes_on(terminal, by_hand, tmp_path):
    run = started(terminal, by_hand)
    serve(run, r"Set hand source to 500 Hz \(Enter when done\) ")
    os.kill(run.process.pid, signal.SIGHUP)
    run.answer(r"Make hand source safe: .* \(Enter when done\) ", "")
    assert run.ended() == 130
    assert lines(tmp_path)[1][-1]["kind"] == "interrupted"


def test_a_barcode_reader_that_ends_each_code_with_two_line_ends_ends_no_list(terminal, quick):
    batch = terminal("batch", quick, "--bench", "simulated-batch")
    for number, code in enumerate(["A1", "A2", "A2", "A3"], 1):
        batch.until(f"unit {min(number, 3)}: ")  # the third is asked for until it has its unit
        batch.type(code, enter="\r\n")
    batch.until("unit 4: ")
    time.sleep(0.5)  # a person presses Enter later than a reader does
    batch.type("")
    assert batch.ended() == 0, batch.text
    assert "given twice" in batch.text
    assert "unit 5" not in batch.text
    assert "ALL PASS (SIMULATED BENCH): 3 of 3 units pass" in batch.text
