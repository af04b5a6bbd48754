"""What a thin table lacks is said, each with what it would tell."""

import pytest
from fleet import CHAIN, measured, prepared

from sequencer.diagnosis.missing_information import lacking
from sequencer.diagnosis.model.series import series_of

SHEET = prepared(CHAIN)[0].sheet
FIRST, *BETWEEN, LAST = [tap.name for tap in SHEET.taps]
TABLE = measured(CHAIN, (), seed=3)


def said(table):
    return lacking(series_of(table, SHEET), SHEET)


def test_a_whole_run_lacks_nothing():
    assert said(TABLE) == ()


THIN = {
    "up only": (TABLE[TABLE["direction"] == "up"], "Read the way down too: without it, zero and span errors are not"),
    "down only": (TABLE[TABLE["direction"] == "down"], "Read the way up too"),
    "no order": (TABLE[TABLE["direction"] == "up"].assign(direction=""), "Go up through the points, then down"),
    "no end pair": (TABLE[TABLE["role"] == "reading"], "Read both ends twice"),
    "ends of a chain": (TABLE[TABLE["tap"].isin([FIRST, LAST])], f'Read the taps between, "{BETWEEN[0]}"'),
    "no first tap": (TABLE[TABLE["tap"] != FIRST], f'Read "{FIRST}" too'),
    "no output": (TABLE[TABLE["tap"] != LAST], f'Read "{LAST}": what was not read'),
    "read once": (TABLE[TABLE["reading"] == 1], "Read each point more than once"),
    "three points": (TABLE[TABLE["setpoint_pct"].isin([0.0, 50.0, 100.0])], "Take eleven points"),
    "no times": (TABLE.assign(at_s=float("nan")), "Write the times down"),
}


@pytest.mark.parametrize(("table", "text"), THIN.values(), ids=THIN)
def test_what_is_lacking_is_said(table, text):
    assert [each for each in said(table) if each.startswith(text)]
    assert len(said(table)) == 1
