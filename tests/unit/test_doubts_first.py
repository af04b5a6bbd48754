"""Doubts about readings stand above the verdict, on a terminal and on a page, and once."""

from dataclasses import replace

import pandas as pd
import pytest

from sequencer import core
from sequencer.reports.html import html
from sequencer.reports.terminal import summary

# Returned 12.030 mA at 500 Hz where 12 is ideal: 0.030 mA too much, and not the 0.300 that is written beside it.
WRONG = {"input [Hz]": [0, 500, 1000], "output [mA]": [4.0, 12.03, 20.0], "error [mA]": [0.0, 0.3, 0.0]}


@pytest.fixture(scope="module")
def content():
    return core.by_hand(pd.DataFrame(WRONG), "pulse-to-current")


def test_a_doubt_stands_above_the_verdict_on_a_terminal(content):
    lines = summary(content, width=80, colour=False).splitlines()
    doubts = [at for at, line in enumerate(lines) if line.startswith("doubt: ")]
    assert doubts == [0]
    assert "0.3" in lines[0]
    assert lines[1].startswith("PASS")
    assert summary(content, width=80, colour=False).count(lines[0].removeprefix("doubt: ")) == 1


def test_a_doubt_stands_above_the_verdict_on_a_page(content):
    page = html(content)
    (doubt,) = content.doubts
    said = doubt.replace('"', "&#34;")
    assert page.count(said) == 1
    assert page.index(said) < page.index('<div class="verdict')


def test_of_many_doubts_the_first_stand_above_and_the_others_among_the_remarks(content):
    many = tuple(f"point {number}: 12.1 was keyed, and confirmed" for number in range(1, 8))
    lines = summary(replace(content, doubts=many, remarks=many), width=80, colour=False).splitlines()
    assert lines[:6] == [*(f"doubt: {each}" for each in many[:5]), "doubt: and 2 more doubts, among the remarks"]
    assert lines[6].startswith("PASS")
    assert [line for line in lines[7:] if "was keyed" in line] == [f"  - {each}" for each in many[5:]]


def test_a_table_without_a_doubt_begins_with_its_verdict():
    found = core.by_hand(pd.DataFrame(WRONG).drop(columns="error [mA]"), "pulse-to-current")
    assert not found.doubts
    assert summary(found, width=80, colour=False).startswith("PASS")
