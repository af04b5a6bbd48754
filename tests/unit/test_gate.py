"""What stands before energising, and what stops a run."""

import contextlib
import signal
import threading

import pytest

from instruments.errors import AbsentError, StoppedError
from sequencer.running.confirmations import confirm, confirm_again, signals_stop, undisturbed


def test_every_caution_is_asked_in_order_and_yes_goes_on(answers):
    operator = answers("yes", " Y ", "YES")
    confirm(("guards on", "loop isolated", "nobody near"), operator)
    assert [question.text for question in operator.questions] == [
        "Caution 1 of 3: guards on Confirmed?",
        "Caution 2 of 3: loop isolated Confirmed?",
        "Caution 3 of 3: nobody near Confirmed?",
    ]


@pytest.mark.parametrize("answer", ["no", " N ", "stop"])
def test_no_or_stop_at_a_caution_stops_before_energising(answers, answer):
    operator = answers("yes", answer)
    with pytest.raises(
        StoppedError, match=r"caution 2 was not confirmed, so nothing was energised|stopped by the"
    ) as stop:
        confirm(("guards on", "loop isolated", "nobody near"), operator)
    assert stop.value.exit_code == 130
    assert len(operator.questions) == 2


@pytest.mark.parametrize("answer", ["", "ja", "yess", "12.003", "?", "9" * 5000, "\x1b[A"])
def test_what_is_neither_yes_nor_no_is_asked_again_and_confirms_nothing(answers, answer):
    operator = answers(answer, "no")
    with pytest.raises(StoppedError, match="caution 1 was not confirmed, so nothing was energised"):
        confirm(("guards on",), operator)
    said, question = operator.questions[1].text.splitlines()
    assert said.endswith("type yes, no, back, ?, or stop")
    assert len(said) < 80
    assert question == "Caution 1 of 1: guards on Confirmed?"


def test_back_at_a_caution_goes_to_the_one_before(answers):
    operator = answers("back", "yes", "back", "no")
    with pytest.raises(StoppedError, match="caution 1 was not confirmed"):
        confirm(("guards on", "loop isolated"), operator)
    assert [question.text.splitlines()[-1][:9] for question in operator.questions] == [
        "Caution 1", "Caution 1", "Caution 2", "Caution 1",
    ]  # fmt: skip
    assert operator.questions[1].text.startswith("nothing was set or read before this to go back to\n")


def test_sigterm_stops_as_ctrl_c_does_and_says_its_name():
    with pytest.raises(KeyboardInterrupt, match="SIGTERM"), signals_stop():
        signal.raise_signal(signal.SIGTERM)


def test_only_the_first_signal_interrupts_so_that_none_comes_between_it_and_the_safe_level():
    with signals_stop() as stop:
        with pytest.raises(KeyboardInterrupt, match="SIGTERM"):
            signal.raise_signal(signal.SIGTERM)
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGTERM)
    assert stop.name == "SIGTERM"


def test_a_stop_that_somebody_else_caught_is_raised_all_the_same():
    with signals_stop() as stop:
        stop.check_stop()
        with contextlib.suppress(KeyboardInterrupt):  # as a listener may that catches everything
            signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt, match="Ctrl-C"):
            stop.check_stop()


@pytest.mark.parametrize("answer", ["no", "n"])
def test_an_output_that_went_off_is_energised_again_by_a_person_only(answers, answer):
    operator = answers("yes", answer)
    confirm_again("source", operator)
    with pytest.raises(StoppedError, match="was not to be energised again"):
        confirm_again("source", operator)
    # No caution, which could have been confirmed beforehand with --confirm.
    assert {question.kind for question in operator.questions} == {"confirm"}


def test_ctrl_c_and_sigterm_do_nothing_while_outputs_are_made_safe():
    before = signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)
    with undisturbed():
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGTERM)
    assert (signal.getsignal(signal.SIGINT), signal.getsignal(signal.SIGTERM)) == before


@pytest.mark.parametrize("within", [signals_stop, undisturbed])
def test_the_handlers_are_given_back_after_an_error(within):
    before = signal.getsignal(signal.SIGTERM)
    with pytest.raises(ZeroDivisionError, match="division"), within():
        1 / 0  # noqa: B018
    assert signal.getsignal(signal.SIGTERM) == before


@pytest.mark.parametrize("within", [signals_stop, undisturbed])
def test_outside_the_main_thread_nothing_is_changed(within):
    before = signal.getsignal(signal.SIGTERM)
    seen = []

    def work():
        with within():
            seen.append(signal.getsignal(signal.SIGTERM))

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert seen == [before]


@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="a window that is closed sends no such signal here")
def test_a_closed_window_stops_a_run_as_ctrl_c_does():
    with signals_stop(), pytest.raises(KeyboardInterrupt, match="SIGHUP"):
        signal.raise_signal(signal.SIGHUP)


def test_where_nobody_is_there_the_output_stays_off_and_it_is_said_why_and_what_to_do(answers):
    operator = answers(AbsentError("no operator is present to answer", todo="run at a terminal"))
    with pytest.raises(AbsentError) as stop:
        confirm_again("source", operator)
    assert stop.value.lines == (
        "the output of source went off by itself, and no operator is present to confirm energising it again",
        "  do: find out why it went off, and who is at what it drives; --confirm does not stand for that",
    )


def test_confirm_at_the_command_answers_cautions_and_no_output_that_went_off(monkeypatch):
    from contextlib import nullcontext
    from io import StringIO

    from sequencer.cli.console import AtTerminal

    monkeypatch.setattr("sys.stdin", StringIO(""))  # as of a run that nobody attends
    operator = AtTerminal(nullcontext, cautions_confirmed=True)
    confirm(("guards on",), operator)
    with pytest.raises(AbsentError, match="went off by itself"):
        confirm_again("source", operator)
