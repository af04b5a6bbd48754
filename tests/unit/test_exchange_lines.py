"""Exchanges and events as lines: one each, nothing in them drives a terminal, numbers that are missing are null."""

import json

import pytest

from instruments.session import Exchange
from sequencer.reports.terminal import exchange_line
from sequencer.running.events import event_document


def exchange(sent, received=None, fault=""):
    return Exchange(at_s=12.3456, instrument="meter", sent=sent, received=received, took_s=0.0204, fault=fault)


@pytest.mark.parametrize(
    ("given", "shown"),
    [
        (exchange("OUTP OFF"), "    12.346 meter: OUTP OFF"),
        (exchange("READ?", "+1.2E-02"), "    12.346 meter: READ? -> +1.2E-02 (20 ms)"),
        (exchange("READ?", fault="VI_ERROR_TMO"), "    12.346 meter: READ? !! VI_ERROR_TMO"),
        (exchange("READ?", "a\x1b[2Jb\r\nc"), "    12.346 meter: READ? -> a\\x1b[2Jb\\r\\nc (20 ms)"),
        (exchange("READ?", ""), "    12.346 meter: READ? ->  (20 ms)"),
    ],
)
def test_an_exchange_is_one_line_without_control_characters(given, shown):
    assert exchange_line(given) == shown
    assert shown.isprintable()


@pytest.mark.parametrize(
    ("sent", "received"), [("C" * 500, None), ("C" * 500, "R" * 500), ("READ?", "R" * 500), ("C" * 500, "R")]
)
def test_what_is_too_long_loses_its_middle(sent, received):
    line = exchange_line(exchange(sent, received))
    assert len(line) == 80 if received != "R" else len(line) <= 80
    assert "..." in line
    assert received is None or line.endswith("R (20 ms)")


def test_every_event_of_a_run_is_a_document_without_a_nan(small, run):
    ran = run(small(sequence={"settled within: 20 %": "settled within: 20 %\nretries: 0"}))
    documents = [event_document(each) for each in ran.log if not isinstance(each, Exchange)]
    assert {each["event"] for each in documents} == {
        "planned", "point", "sample", "settled", "reading", "safe", "closed",
    }  # fmt: skip
    for each in documents:
        json.dumps(each, allow_nan=False)
    read = [each for each in documents if each["event"] == "reading"]
    kept = [each for each in ran.lines if each["kind"] == "reading"]
    assert [(each["number"], each["tap"], each["reading"], each["value"]) for each in read] == [
        (each["number"], each["tap"], each["reading"], each["value"]) for each in kept
    ]
