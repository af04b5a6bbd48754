"""What stands before energising, and what stops a run."""

import signal
import threading

import pytest

from instruments.errors import StoppedError
from sequencer.running.gate import confirm, signals_stop, undisturbed


def test_every_caution_is_asked_in_order_and_yes_goes_on(answers):
    operator = answers("yes", " Y ", "YES")
    confirm(("guards on", "loop isolated", "nobody near"), operator)
    assert [question.text for question in operator.questions] == [
        "Caution 1 of 3: guards on Confirmed?",
        "Caution 2 of 3: loop isolated Confirmed?",
        "Caution 3 of 3: nobody near Confirmed?",
    ]


@pytest.mark.parametrize("answer", ["no", "", "ja", "yess", "n"])
def test_anything_but_yes_stops_before_energising(answers, answer):
    operator = answers("yes", answer)
    with pytest.raises(StoppedError, match="caution 2 was not confirmed, so nothing was energised") as stop:
        confirm(("guards on", "loop isolated", "nobody near"), operator)
    assert stop.value.exit_code == 130
    assert len(operator.questions) == 2


def test_sigterm_stops_as_ctrl_c_does_and_says_its_name():
    with pytest.raises(KeyboardInterrupt, match="SIGTERM"), signals_stop():
        signal.raise_signal(signal.SIGTERM)


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
