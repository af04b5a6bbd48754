"""The reading that tells most for its time, from causes written down by hand: what it tells is worked out on paper."""

from dataclasses import replace

import numpy as np
import pytest
from segments import ISOLATOR, caused, segment_with, series_with

from instruments.datasheet import DataSheet, Stage, Tap
from sequencer import core
from sequencer.diagnosis.diagnose import Finding, Findings
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.model.cause import Cause, one
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.model.fit import Fit
from sequencer.diagnosis.model.healthy_model import healthy
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.next_check import Answer, Extra, NextCheck, next_check
from sequencer.diagnosis.next_check_words import instruction
from sequencer.readings.csv_import import from_csv

# Read at mid-range only: a shift of 1 % and a gain of 2 % both give 51 % there.
X = np.full(4, 0.5)


def hypothesis(cause, *theta, segment=0, stage=0, share=0.5):
    fit = Fit(
        cause=cause, stage=stage, theta=np.array(theta), log_evidence=0.0, log_likelihood=0.0, predicted=X, scale=1.0,
        misfit=1.0,
    )  # fmt: skip
    found = Hypothesis(
        name=cause.name, place="", segment=segment, log_odds=0.0, weight=1.0, text="", check="", fits=(fit,)
    )
    return share, found


def finding(*members, first=0):
    shares, causes = zip(*members, strict=True)
    return Finding(weight=sum(shares), causes=causes, shares=shares, first=first, end=first + 1)


def asked(*found, segments):
    weighing = Weighing(
        segments=tuple(segments), likelihoods=tuple(map(healthy, segments)), chain_n=len(segments), ways=()
    )
    return next_check(found, Findings(ranked=found, leading=found, weighing=weighing))


def at_mid_range(**given):
    return segment_with(X + 0.01, X, tolerance=0.001, noise=1e-4, direction=np.ones(4), **given)


SHIFT, GAIN, METER = caused("zero shift"), caused("span error"), caused("meter offset")


def test_a_shift_and_a_gain_are_told_apart_at_an_end_and_that_tells_one_bit():
    found = asked(finding(hypothesis(SHIFT, 0.01), hypothesis(GAIN, 0.02)), segments=[at_mid_range()])
    (reading,) = found.readings
    # 0.01 apart at both ends, hundred times the noise; at 100 % a span error of a good unit blurs it.
    assert reading.setpoint_pct < 10
    assert reading.wait_s == 0.0
    assert reading.bits == pytest.approx(1.0, abs=0.01)  # one of two as likely
    levels = {each.names: each.values for each in found.answers(0)}
    assert levels["zero shift",] == pytest.approx((reading.setting + 0.16,), abs=0.01)  # 0.01 x 16
    # 0.02 x 16 of what stands above 0 %
    assert levels["span error",] == pytest.approx((reading.setting + 0.02 * (reading.setting - 4),), abs=0.01)
    # Two moves of 60 s each, as the readings were taken.
    assert reading.minutes == pytest.approx(2.0)


def test_it_is_worth_less_where_one_is_nearly_sure():
    shares = hypothesis(SHIFT, 0.01, share=0.9), hypothesis(GAIN, 0.02, share=0.1)
    (reading,) = asked(finding(*shares), segments=[at_mid_range()]).readings
    assert reading.bits == pytest.approx(0.469, abs=0.005)  # -0.9 log2 0.9 - 0.1 log2 0.1


@pytest.mark.parametrize(
    "members",
    [
        [hypothesis(SHIFT, 0.01), hypothesis(METER, 0.01)],
        [hypothesis(SHIFT, 0.01, share=0.997), hypothesis(GAIN, 0.02, share=0.003)],  # 0.03 bit in all
        [hypothesis(SHIFT, 0.01, share=1.0)],
    ],
    ids=["alike everywhere", "nearly sure", "one alone"],
)
def test_what_no_reading_tells_apart_or_is_nearly_sure_asks_for_none(members):
    found = asked(finding(*members), segments=[at_mid_range()])
    assert (found.readings, found.told) == ((), ())


def test_what_follows_the_clock_is_foretold_for_the_reading_that_comes_next():
    # Eight readings 5 s apart of a warm-up that ends 1 % high; a drift goes on instead, at its last rate or more.
    begun = np.linspace(0, 1, 8)
    x = np.full(8, 0.5)
    y = x + 0.01 - 0.004 * np.exp(-begun)
    segment = segment_with(y, x, tolerance=0.002, noise=1e-4, direction=np.ones(8), at_s=np.arange(8) * 5.0)
    warm, drift = hypothesis(caused("warm-up"), 0.004, 1.0, 0.01), hypothesis(caused("drift"), 0.0025, 2.4)
    found = asked(finding(warm, drift), segments=[segment])
    (reading,) = found.readings
    levels = {each.names: each.values[0] for each in found.answers(0)}
    # The next one stands two moves of 5 s after the last: 35 + 10 s of 35. 16 x (0.01 - 0.004 exp -1.286) = 0.142 mA.
    assert reading.wait_s == 0.0
    assert levels["warm-up",] == pytest.approx(reading.setting + 16 * 0.00889, abs=0.01)
    assert levels["drift",] > levels["warm-up",]


def test_what_is_of_no_single_reading_is_left_out():
    noise = Hypothesis(name="noise", place="", segment=0, log_odds=0.0, weight=1.0, text="", check="")
    found = asked(finding(hypothesis(SHIFT, 0.01), (0.5, noise)), segments=[at_mid_range()])
    assert found.readings == ()


# -- by hand ----------------------------------------------------------------------------------------------------------


def bump(name, at, size=0.01):
    """An error, 1 % of span, within 5 % of a place."""

    def make(_theta, _segment, _stage):
        return lambda frac: frac + size * (np.abs(frac - at) < 0.05)

    return Cause(
        name=name, place="output", make=make, sizes=lambda _segment, _stage: one(), say=lambda *_: "", check="",
        has_steps=False,
    )  # fmt: skip


def by_hand():
    ends = np.array([0.0, 0.5, 1.0, 0.5, 0.0])
    segment = segment_with(ends, ends, tolerance=0.001, noise=1e-4, is_keyed=True, has_times=False)
    return replace(segment, series=replace(segment.series, at_s=np.arange(5.0)))


def test_where_one_reading_is_not_enough_two_settings_are_given_with_what_each_answer_means():
    causes = [bump("early bump", 0.25), bump("late bump", 0.75), bump("none there", 9.0)]
    segment = by_hand()
    found = asked(finding(*(hypothesis(each, share=1 / 3) for each in causes)), segments=[segment])
    first, second = found.readings
    # One of three from the two others: log2 3 - 2/3; then one of two, where it is still open, 2/3.
    assert first.bits == pytest.approx(0.918, abs=0.01)
    assert second.bits == pytest.approx(0.667, abs=0.01)
    assert first.minutes == second.minutes == 1.0  # a person's time a point
    lines = instruction(found, found.answers(0), segment)
    settings, meanings = lines.split(": ")
    # 25 % is 8 mA and 75 % is 16 mA; the bump is 0.01 x 16 = 0.16 mA, and within 5 % = 0.8 mA of it.
    # Noise of 1e-4 x 16 mA = 1.6 uA leaves three digits behind the point.
    low, high = (float(each.split()[0]) for each in settings.removeprefix("set ").split(" and "))
    assert 7.2 < low < 8.8
    assert 15.2 < high < 16.8
    assert low % 0.5 == high % 0.5 == 0.0
    assert sorted(meanings.removesuffix(".").split("; ")) == sorted(
        [
            f"{low + 0.16:.3f} and {high:.3f} mA if early bump",
            f"{low:.3f} and {high + 0.16:.3f} mA if late bump",
            f"{low:.3f} and {high:.3f} mA if none there",
        ]
    )


def test_answers_are_three_at_most_and_a_name_is_said_once_where_it_is_likeliest():
    # One cause of two sizes, 1 % and 3 %, and three others: of 2 %, of 4 %, of nothing.
    causes = [hypothesis(bump("bump", 0.25, size), share=share) for size, share in ((0.01, 0.4), (0.03, 0.3))] + [
        hypothesis(bump(name, 0.25, size), share=0.1)
        for name, size in (("hump", 0.02), ("ridge", 0.04), ("none there", 0.0))
    ]
    found = asked(finding(*causes), segments=[by_hand()])
    answers = found.answers(0)
    assert [each.names for each in answers] == [("bump",), ("hump",), ("ridge",)]
    # 0.01 x 16 = 0.16 mA
    assert answers[0].values[0] == pytest.approx(found.readings[0].setting + 0.16, abs=1e-3)


@pytest.mark.parametrize(
    ("low", "high", "step"), [(4.0, 20.0, 0.5), (0.0, 10000.0, 500.0), (-20.0, 120.0, 5.0), (20.0, 4.0, 0.5)]
)
def test_settings_are_round(low, high, step):
    taps = (Tap(name="input", low=low, high=high, unit="mA"), ISOLATOR.taps[1])
    sheet = replace(ISOLATOR, taps=taps)
    segment = replace(by_hand(), sheet=sheet)
    series = replace(segment.series, value=segment.series.value | {"input": segment.series.setpoint})
    segment = replace(segment, series=series)
    found = asked(finding(hypothesis(bump("bump", 0.31)), hypothesis(bump("none there", 9.0))), segments=[segment])
    (reading,) = found.readings
    assert reading.setting == pytest.approx(step * round(reading.setting / step))
    assert abs(reading.setpoint_pct - 31) < 5
    assert reading.setpoint_pct == pytest.approx(100 * (reading.setting - low) / (high - low))


# -- in words ---------------------------------------------------------------------------------------------------------


def extra(setpoint_pct, direction="up", **given):
    plain = {"is_one_way": False, "wait_s": 0.0, "bits": 1.0, "minutes": 1.0}
    return Extra(setpoint_pct=setpoint_pct, setting=4 + 0.16 * setpoint_pct, direction=direction, **(plain | given))


@pytest.mark.parametrize(
    ("readings", "values", "by_hand", "in_a_run"),
    [
        (
            [extra(25)],
            [(4.3,), (4.58,)],
            "set 8 mA: 4.30 mA if zero shift or meter offset; 4.58 mA if ground loop.",
            "read at 25 %, coming from below: 4.30 mA if zero shift or meter offset; 4.58 mA if ground loop.",
        ),
        (
            [extra(25, "down", is_one_way=True, wait_s=300.0)],
            [(4.3,), (4.58,)],
            "set 8 mA from above, wait 300 s: 4.30 mA if zero shift or meter offset; 4.58 mA if ground loop.",
            (
                "read at 25 %, coming from above, after 300 s: 4.30 mA if zero shift or meter offset; "
                "4.58 mA if ground loop."
            ),
        ),
        (
            [extra(75), extra(25)],  # the most telling first; set in the order of the range
            [(6.4, 5.6), (4.0, 4.0)],
            "set 8 mA and 16 mA: 5.60 and 6.40 mA if zero shift or meter offset; 4.00 mA both if ground loop.",
            (
                "read at 25 % and 75 %, coming from below: 5.60 and 6.40 mA if zero shift or meter offset; "
                "4.00 mA both if ground loop."
            ),
        ),
    ],
    ids=["one", "one way and a wait", "two"],
)
def test_the_instruction_says_what_to_set_and_what_each_answer_means(readings, values, by_hand, in_a_run):
    names = [("zero shift", "meter offset"), ("ground loop",)]
    answers = tuple(Answer(names=of, values=each, sd=0.01) for of, each in zip(names, values, strict=True))
    for is_by_hand, said in ((True, by_hand), (False, in_a_run)):
        check = NextCheck(readings=tuple(readings), told=(), is_by_hand=is_by_hand)
        assert instruction(check, answers, at_mid_range()) == said


# -- tables by hand ---------------------------------------------------------------------------------------------------

# Invented. Scaled 0 .. 20 mA in place of 4 .. 20: 2 mA a Hz. Read above 5 Hz alone it does not show whether the output
# is held at 4 mA: at 0 Hz it gives 0 mA, or 4 mA.
CONVERTER = """\
type: glycol flow converter (invented)
input: {range: 0 .. 10 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.5 % of span
"""
CHAIN_SHEET = """\
type: wort pump loop (invented)
taps:
  - {tap: demand, range: 0 .. 10 V}
  - {tap: pulse, range: 0 .. 10 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: pickup, tolerance: 0.5 % of span}
  - {stage: converter, tolerance: 0.5 % of span}
tolerance: 1 % of span
"""


def said_of(tmp_path, sheet, table):
    (tmp_path / "unit.yaml").write_text(sheet, encoding="utf-8")
    (tmp_path / "t.csv").write_text(table, encoding="utf-8")
    type_sheet = core.load_type(tmp_path / "unit.yaml")
    content = examine(from_csv(tmp_path / "t.csv", type_sheet.datasheet(), serial="GF-7"), type_sheet)
    return content.findings, content.advice


def test_a_table_by_hand_is_told_what_to_set_in_the_unit_of_its_input(tmp_path):
    table = "input [Hz],output [mA]\n" + "".join(f"{at},{2 * at:.2f}\n" for at in (6, 8, 10, 8, 6))
    found, advice = said_of(tmp_path, CONVERTER, table)
    assert set(found.names) == {"0-20 sent", "live zero lost", "lower range wrong"}
    assert found.extra[0].setting <= 0.5
    level = f"{2 * found.extra[0].setting:.2f} mA if 0-20 sent or lower range wrong; 4.00 mA if live zero lost. "
    assert found.check.startswith(f"set {found.extra[0].setting:g} Hz: {level}")
    assert found.check[1:] in advice


def test_a_chain_by_hand_is_told_which_tap_to_read(tmp_path):
    rows = [f"{at},{at},{2 * at:.2f}" for at in (6, 7, 8, 10, 8, 7, 6)]
    found, _ = said_of(tmp_path, CHAIN_SHEET, "\n".join(["demand [V],pulse [Hz],returned [mA]", *rows]))
    assert [each.place for each in found.stages] == ["converter"]
    volts = found.extra[0].setting
    assert found.check.startswith(f'set {volts:g} V and read "returned": ')
    assert "4.00 mA if live zero lost" in found.check


def test_the_same_table_that_shows_the_live_zero_asks_for_no_reading(tmp_path):
    table = "input [Hz],output [mA]\n" + "".join(f"{at},{max(2 * at, 4):.2f}\n" for at in (0, 2.5, 5, 7.5, 10, 5, 0))
    found, _ = said_of(tmp_path, CONVERTER, table)
    assert found.names == ("live zero lost",)
    assert found.extra == ()
    assert found.check.startswith("Read the output range in the configuration")


# -- a chain of two stages --------------------------------------------------------------------------------------------

CHAIN = DataSheet(
    type="two isolators (invented)",
    taps=tuple(Tap(name=name, low=4.0, high=20.0, unit="mA") for name in ("input", "between", "output")),
    stages=(Stage(name="first"), Stage(name="second")),
)


def test_one_reading_tells_of_every_stage_whose_tap_it_reads():
    # The first gives 51 %, and the second 1 % more: each by a shift or a gain.
    levels = {"input": X, "between": X + 0.01, "output": X + 0.02}
    empty = {name: np.full((4, 1), "", object) for name in levels}
    series = replace(
        series_with(X, X),
        direction=np.ones(4),
        value=levels,
        raw={name: each[:, np.newaxis] for name, each in levels.items()},
        sd=dict.fromkeys(levels, 0.0),
        text=empty,
        place=empty,
    )
    segments = [
        Segment(sheet=CHAIN, series=series, first=each, last=each + 1, tolerance=0.001, noise=np.full(4, 1e-4))
        for each in (0, 1)
    ]
    found = asked(
        finding(hypothesis(SHIFT, 0.01), hypothesis(GAIN, 0.02)),
        finding(
            hypothesis(SHIFT, 0.01, segment=1, stage=1), hypothesis(GAIN, 0.01 / 0.51, segment=1, stage=1), first=1
        ),
        segments=segments,
    )
    (reading,) = found.readings
    assert reading.bits == pytest.approx(2.0, abs=0.02)  # one bit of each stage
    assert reading.setpoint_pct < 10
    said = [instruction(found, found.answers(each), segment) for each, segment in enumerate(segments)]
    side = {"up": "from below", "down": "from above"}[reading.direction]
    assert said[0].startswith(f'read "between" at {reading.setpoint_pct:g} %, coming {side}: ')
    assert said[1].startswith(f'read "output" at {reading.setpoint_pct:g} %, coming {side}: ')
    assert " mA if zero shift" in said[1]
    # Alone each would tell a bit.
    alone = asked(finding(hypothesis(SHIFT, 0.01), hypothesis(GAIN, 0.02)), segments=segments[:1])
    assert alone.readings[0].bits == pytest.approx(1.0, abs=0.01)
