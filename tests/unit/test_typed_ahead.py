"""What is typed before a question stands on the terminal is no answer to it; what a pipe brings is."""

import contextlib
import io
import os
import sys

import pytest

from instruments.errors import AbsentError
from instruments.roles import Question
from sequencer.cli.console import AtTerminal, say
from sequencer.cli.typed_ahead import discard_typed_ahead

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="pseudo terminals are POSIX")


@pytest.fixture
def terminal(monkeypatch):
    """Its other end, where a person types."""
    ours, theirs = os.openpty()
    with os.fdopen(theirs, "r", encoding="utf-8") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield ours
    os.close(ours)


class Answering:
    """A terminal where a person answers once it is read from."""

    def __init__(self, stdin, answer):
        self._stdin, self._answer = stdin, answer

    def readline(self):
        self._answer()
        return self._stdin.readline()

    def __getattr__(self, name):
        return getattr(self._stdin, name)


@pytest.mark.parametrize("typed", [b"yes\n", b"y\nYES\n", b"\n\n\n"])
def test_what_waits_at_a_terminal_is_thrown_away(terminal, typed):
    os.write(terminal, typed)
    assert discard_typed_ahead()
    assert not discard_typed_ahead()


def test_a_caution_is_answered_by_what_is_typed_after_it(terminal, monkeypatch, capsys):
    os.write(terminal, b"yes\n")
    monkeypatch.setattr(sys, "stdin", Answering(sys.stdin, lambda: os.write(terminal, b"no\n")))
    asked = AtTerminal(contextlib.nullcontext, cautions_confirmed=False)
    assert asked.ask(Question(kind="caution", text="Caution 1 of 1: guards on. Confirmed?")) == "no"
    said = capsys.readouterr().err
    assert said.index("typed before this was asked is not taken") < said.index("Caution 1 of 1")


def test_what_comes_from_a_pipe_is_taken(monkeypatch):
    monkeypatch.setattr(sys, "stdin", io.StringIO("yes\n"))
    assert not discard_typed_ahead()
    assert sys.stdin.readline() == "yes\n"


@pytest.mark.parametrize("columns", [40, 80, 120])
def test_a_line_of_talk_fits_the_terminal_and_a_command_in_it_stays_whole(monkeypatch, capsys, columns):
    monkeypatch.setattr("sys.stderr.isatty", lambda: True)
    monkeypatch.setenv("COLUMNS", str(columns))
    text = "results/x: the run of GF-2 was interrupted: caution 1 was not confirmed, so nothing was energised " * 2
    say(text.strip())
    lines = capsys.readouterr().err.splitlines()
    assert max(map(len, lines)) < columns
    assert " ".join(" ".join(lines).split()) == text.strip()
    command = "  do: livezero resume results/2026-11-30T16-50-02_GF-2_pulse-to-current-by-hand-and-a-long-name"
    say(command)
    assert capsys.readouterr().err == f"{command}\n"


def test_a_terminal_that_is_gone_is_nobody_there_and_no_fault(monkeypatch):
    class Gone(io.StringIO):
        def readline(self, *_):
            raise OSError(5, "Input/output error")

    monkeypatch.setattr("sys.stdin", Gone())
    asked = AtTerminal(contextlib.nullcontext, cautions_confirmed=False)
    with pytest.raises(AbsentError, match="no operator is present"):
        asked.ask(Question(kind="set", text="Set hand source to 4 mA"))
