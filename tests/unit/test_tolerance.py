"""Tolerance at a point, each base against numbers worked out by hand."""

import numpy as np
import pytest

from instruments.datasheet import Characteristic, DataSheet, Stage, Tap
from instruments.units import terms
from sequencer.inputs.tolerance import half_width, slope, with_floor

BASES = ("span", "reading", "output")


def unit(input_, output, **characteristic):
    stage = Stage(name="unit", characteristic=Characteristic(**characteristic))
    taps = (
        Tap(name="input", low=input_[0], high=input_[1], unit=input_[2]),
        Tap(name="output", low=output[0], high=output[1], unit=output[2]),
    )
    return DataSheet(type="x", taps=taps, stages=(stage,))


LOOP = (4.0, 20.0, "mA")
PULSE = unit((0.0, 1000.0, "Hz"), LOOP)
REVERSED = unit((0.0, 10.0, "V"), (20.0, 4.0, "mA"))
TEMPERATURE = unit((-50.0, 150.0, "°C"), LOOP)
FLOW = unit((0.0, 250.0, "mbar"), LOOP, kind="square root")
CUT = unit((0.0, 250.0, "mbar"), LOOP, kind="square root", cut_off_frac=0.05)
ISOLATOR = unit(LOOP, LOOP)


@pytest.mark.parametrize(
    ("text", "sheet", "at", "half_mA"),
    [
        ("0.2 % of span", PULSE, 500, 0.032),  # 16 mA times 0.2 %
        ("0.2 % of span", PULSE, 0, 0.032),
        ("0.2 % of span", REVERSED, 5, 0.032),
        ("0.5 % of output", PULSE, 500, 0.06),  # of 12 mA, live zero included
        ("0.5 % of output", PULSE, 0, 0.02),  # of 4 mA
        ("0.5 % of output", REVERSED, 0, 0.1),  # of 20 mA
        ("1 % of reading", PULSE, 500, 0.08),  # 5 Hz at 0.016 mA/Hz
        ("1 % of reading", PULSE, 0, 0.0),
        ("1 % of reading", TEMPERATURE, -50, 0.04),  # 0.5 degC at 0.08 mA/degC
        ("10 uA", PULSE, 500, 0.01),
        ("2 Hz", PULSE, 500, 0.032),
        ("100 mV", REVERSED, 5, 0.16),  # at 1.6 mA/V
        ("0.5 degC", TEMPERATURE, 20, 0.04),
        ("0.5 kelvin", TEMPERATURE, 20, 0.04),
        ("0.5 degC + 0.1 % of span", TEMPERATURE, 20, 0.056),
        ("20 uA", ISOLATOR, 12, 0.02),  # one dimension: the output is meant
        ("0.5 % of span", FLOW, 62.5, 0.08),
        ("1 mbar", FLOW, 62.5, 0.064),  # a quarter of the range: slope of the root is 1, 16 mA over 250 mbar
        ("1 % of reading", FLOW, 62.5, 0.04),  # 0.625 mbar at 0.064 mA/mbar
        ("1 mbar", FLOW, 2.5, 0.32),  # 1 %: slope 5
    ],
)
def test_half_width_is_what_is_worked_out_by_hand(text, sheet, at, half_mA):
    found = half_width(terms(text, bases=BASES), sheet, np.array([float(at)]))
    assert found == pytest.approx([half_mA], rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "at", "half_mA"),
    [
        # The slope has no bound at 0; what 1 mbar gives there has one: 16 mA * root(1 / 250).
        ("1 mbar", 0.0, 16 * (1 / 250) ** 0.5),
        ("0.1 % of span + 1 mbar", 0.0, 0.016 + 16 * (1 / 250) ** 0.5),
        ("1 % of reading", 0.0, 0.0),  # 1 % of nothing
        # The slope at 0.01 mbar promises 5.06 mA for 1 mbar; up to 1.01 mbar it is less; below zero there is no root.
        ("1 mbar", 0.01, 16 * ((1.01 / 250) ** 0.5 - (0.01 / 250) ** 0.5)),
        ("1 mbar", 25.0, 16 * 0.5 * 10**0.5 / 250),  # far from 0 it is the slope: half of root 10
    ],
)
def test_near_0_of_a_square_root_the_band_is_never_wider_than_the_characteristic_gives(text, at, half_mA):
    found = half_width(terms(text, bases=BASES), FLOW, np.array([at]))
    assert found == pytest.approx([half_mA], rel=1e-12, abs=1e-15)


@pytest.mark.parametrize(
    ("text", "needed_pct", "written"),
    [
        ("1 % of reading", 0.013, "1 % of reading + 0.02 % of span"),
        ("1 % of reading", 0.05, "1 % of reading + 0.05 % of span"),
        ("1 % of reading + 0.01 % of span", 0.06, "1 % of reading + 0.1 % of span"),  # 0.07 in all
        ("2 mbar", 0.51, "2 mbar + 1 % of span"),
    ],
)
def test_a_floor_is_written_as_a_round_share_of_the_span(text, needed_pct, written):
    assert str(with_floor(terms(text, bases=BASES), needed_pct)) == written


def test_below_a_cut_off_the_input_does_not_matter():
    assert slope(CUT, np.array([0.0, 0.5, 62.5])) == pytest.approx([0, 0, 0.064])
    assert half_width(terms("0.5 % of span", bases=BASES), CUT, np.array([0.0])) == pytest.approx([0.08])


def test_a_missing_input_has_no_tolerance():
    for text in ("1 % of reading", "0.5 % of output"):
        assert np.isnan(half_width(terms(text, bases=BASES), PULSE, np.array([np.nan])))


def test_a_stage_of_a_chain_has_its_own_ends():
    speed = Tap(name="speed", low=0, high=1200, unit="rpm")
    sheet = DataSheet(
        type="chain",
        taps=(Tap(name="demand", low=4, high=20, unit="mA"), speed, Tap(name="returned", low=4, high=20, unit="mA")),
        stages=(Stage(name="drive"), Stage(name="converter")),
    )
    x = np.array([600.0])
    assert half_width(terms("0.5 % of span", bases=BASES), sheet, np.array([12.0]), last=1) == pytest.approx([6.0])
    assert half_width(terms("0.2 % of span", bases=BASES), sheet, x, first=1, last=2) == pytest.approx([0.032])
    assert half_width(terms("3 rpm", bases=BASES), sheet, x, first=1, last=2) == pytest.approx([0.04])


def test_the_shape_is_that_of_the_input():
    x = np.zeros((1, 3, 2, 5))
    assert half_width(terms("0.2 % of span", bases=BASES), PULSE, x).shape == x.shape
