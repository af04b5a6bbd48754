"""Two faults in one stage, made here from the formulas of the trade: the search names both, with both sizes."""

from dataclasses import replace

import numpy as np
import pytest
from segments import ISOLATOR, UP_DOWN, caused, segment_with, series_with

from sequencer import core
from sequencer.diagnosis.diagnose import _is_alike
from sequencer.diagnosis.model.catalogue import CAUSES
from sequencer.diagnosis.model.chain import weighing
from sequencer.diagnosis.model.fit import fit
from sequencer.diagnosis.model.healthy_model import healthy, segment_between
from sequencer.diagnosis.model.hypotheses import Base, base_of, of_segment
from sequencer.diagnosis.model.hypotheses import caused as said
from sequencer.diagnosis.model.two_causes import PairSearch, _as_second, _differing, _Tried, posterior
from sequencer.evaluation.budget import Basis

SHEET = core.load("current-isolator").sheet  # 0.1 % of span: T = 0.001
T = 0.001
ARCH = 4 * UP_DOWN * (1 - UP_DOWN)
WAY = np.where(np.arange(UP_DOWN.size) < 11, 1.0, -1.0)
SCATTER = np.random.default_rng(20).normal(0, 1e-4, (UP_DOWN.size, 3))


def base_with(y) -> Base:
    """Of the isolator, up and down by 10 %, read three times a visit."""
    series = series_with(np.asarray(y)[:, np.newaxis] + SCATTER)
    return base_of(0, segment_between(series, ISOLATOR, SHEET, Basis(), 0, 1))


def pairs_of(base: Base) -> PairSearch:
    segment = base.segment
    singles = [said(fit(cause, segment, 0, base.loose), base) for cause in CAUSES if cause.may_be(segment, 0)]
    return PairSearch(singles, segment, base.loose, base.mean)


def play(x, width):
    """A pin in a slot, pushed along by its walls; it lies at the upper one at first."""
    at, found = x[0] + width / 2, []
    for each in x:
        at = min(max(at, each - width / 2), each + width / 2)
        found.append(at)
    return np.array(found)


def lag(y, half_life_s, dwell_s=60.0):
    """What is left to go halves each half life; it stood at 0 at first, and each visit is a minute after the last."""
    now, found = 0.0, []
    for each in y:
        now = each + (now - each) * 0.5 ** (dwell_s / half_life_s)
        found.append(now)
    return np.array(found)


LIMITS = {"loop compliance", "supply sag", "meter burden", "output limit"}
TWO = [
    # What was made, the names of each of the two that predict the same, and of each the first size, within.
    # A range set to 80 % of the one that is due.
    pytest.param(
        np.round(1.25 * UP_DOWN / 0.037) * 0.037,
        ({"upper range wrong": (1.25, 1e-3)}, {"output steps": (0.037, 1e-4), "meter resolution": (0.037, 1e-4)}),
        id="range and steps",
    ),
    pytest.param(
        UP_DOWN + 0.02 * ARCH + 0.01,
        ({"bow": (0.02, 3e-4)}, {"zero shift": (0.01, 3e-4), "meter offset": (0.01, 3e-4)}),
        id="bow and zero",
    ),
    pytest.param(
        np.sqrt(UP_DOWN) + 0.01,
        ({"square root applied": None}, {"zero shift": (0.01, 3e-4), "meter offset": (0.01, 3e-4)}),
        id="root and zero",
    ),
    # Play at the input is a quarter more at the output.
    pytest.param(
        1.25 * play(UP_DOWN, 0.03),
        ({"upper range wrong": (1.25, 1e-3)}, {"backlash": None, "dead band": None}),
        id="play and range",
    ),
    # A half life of 27.73 s is a time constant of 40 s.
    pytest.param(
        lag(UP_DOWN, 40 * np.log(2)) + 0.01,
        ({"lag": (40.0, 0.5)}, {"zero shift": (0.01, 3e-4), "meter offset": (0.01, 3e-4)}),
        id="lag and shift",
    ),
    # A gain of the meter moves the limit with it; 3 % of reading is more than 3 % of span by 0.75 %, a zero of its own.
    pytest.param(
        np.minimum(1.03 * UP_DOWN, 0.8),
        (dict.fromkeys(LIMITS), {"span error": (0.03, 1e-3), "meter gain": None}),
        id="limit and span",
    ),
]


@pytest.mark.parametrize(("y", "two"), TWO)
def test_two_faults_in_one_stage_are_named_with_both_sizes(y, two):
    base = base_with(y)
    found = sorted(pairs_of(base).likeliest(), key=posterior, reverse=True)
    first = found[0]
    assert posterior(first) > max(posterior(each) for each in of_segment(base) if " + " not in each.name)
    assert first.predicted == pytest.approx(y, abs=0.5 * T)
    for names in two:
        (one,) = [each for each in first.fits if each.cause.name in names]
        if names[one.cause.name] is not None:
            size, within = names[one.cause.name]
            assert one.theta[0] == pytest.approx(size, abs=within)
    # By its other names it is as likely, so that they are named beside it.
    near = {name for each in found if posterior(each) > posterior(first) - 3 for name in each.name.split(" + ")}
    assert {name for names in two for name in names if name != "meter gain"} <= near


def test_a_wrong_range_before_steps_that_are_rounded_down_has_its_size():
    base = base_with(np.floor(1.25 * UP_DOWN / 0.03 + 1e-9) * 0.03)
    first = max(pairs_of(base).likeliest(), key=posterior)
    sizes = {each.cause.name: each.theta[0] for each in first.fits}
    assert sizes["upper range wrong"] == pytest.approx(1.25, abs=0.015)  # half a step


def test_a_pair_carries_the_weight_and_the_sizes_of_both():
    base = base_with(UP_DOWN + 0.02 * ARCH + 0.01)
    first = max(pairs_of(base).likeliest(), key=posterior)
    assert first.name == "bow + zero shift"
    # One pair in fifty single faults of the kind.
    assert first.weight == pytest.approx(0.02 * caused("bow").weight * caused("zero shift").weight)
    assert first.parameters_n == 3  # height and leaning of the arch, and the shift
    assert first.effect == pytest.approx(30, abs=0.5)  # 3 % of span at mid-range
    assert {"bow", "zero shift"} <= set(first.contains)
    assert first.fit is None
    assert "; and " in first.text


@pytest.mark.parametrize(("second", "is_of_bench"), [("bow", False), ("load resistor wrong", True)])
def test_a_pair_is_of_the_bench_only_where_both_are(second, is_of_bench):
    segment = segment_with(UP_DOWN + 0.02)
    one, other = (fit(caused(name), segment, 0, healthy(segment)) for name in ("meter offset", second))
    pairs = PairSearch([], segment, healthy(segment), 0.0)
    assert pairs.joined(pairs.settled(one, other)).is_of_bench == is_of_bench


def test_both_are_fitted_in_turn_until_neither_gains():
    # Alone a span error of 1 % takes a part of the lens for its own, and the lens nothing of the span error.
    y = 1.01 * UP_DOWN - WAY * 0.02 * ARCH / 2
    base = base_with(y)
    segment = base.segment
    one, other = (fit(caused(name), segment, 0, base.loose) for name in ("hysteresis", "span error"))
    pair = PairSearch([], segment, base.loose, base.mean).settled(one, other)
    assert (pair.one.theta[0], pair.other.theta[0]) == pytest.approx((0.02, 0.01), abs=5e-4)
    assert pair.whole.predicted == pytest.approx(y, abs=0.3 * T)
    assert pair.whole.log_likelihood > max(one.log_likelihood, other.log_likelihood)


def test_beside_a_trim_that_is_left_free_an_arch_has_its_height_at_once():
    # A shift alone takes the mean of the arch, 2/3 of its height, for its own: in turn neither would let go.
    base = base_with(UP_DOWN + 0.02 * ARCH + 0.01)
    assert fit(caused("zero shift"), base.segment, 0, base.loose).theta[0] > 0.02
    suspect = fit(caused("bow"), base.segment, 0, base.loose)
    pair = PairSearch([], base.segment, base.loose, base.mean).with_a_trim(suspect, caused("zero shift"))
    assert (pair.one.theta[0], pair.other.theta[0]) == pytest.approx((0.02, 0.01), abs=5e-4)


def test_a_trim_beside_a_meter_is_worked_out_with_it():
    # 255 ohm for 250 reads 2 % more: 20 % of span live zero and all; and a zero of 1 % of span is read 2 % larger.
    y = 1.02 * (UP_DOWN + 0.25 + 0.01) - 0.25
    base = base_with(y)
    suspect = fit(caused("load resistor wrong"), base.segment, 0, base.loose)
    pair = PairSearch([], base.segment, base.loose, base.mean).with_a_trim(suspect, caused("zero shift"))
    assert (pair.one.theta[0], pair.other.theta[0]) == pytest.approx((0.02, 0.01), abs=5e-4)


def test_second_causes_of_one_equation_are_fitted_once():
    bow, s, shift = caused("bow"), caused("s shape"), caused("zero shift")
    first, same, far, last = (
        _Tried(evidence=evidence, cause=cause, stage=0)
        for evidence, cause in ((-10.0, bow), (-10.04, s), (-12.0, s), (-13.0, shift))
    )
    assert _differing([first, same, far, last], 2) == [first, far]
    # As likely to the last digit, the commoner one stands for both.
    commoner = replace(last, evidence=-10.0)
    assert _differing([first, commoner], 2) == [commoner]
    # A cause is tried once, wherever it sits.
    assert _differing([far, replace(far, evidence=-14.0, stage=1), last], 3) == [far, last]


def test_beside_a_wrong_range_what_a_sensor_does_may_come_before_it():
    def places(name, first):
        return [each.place for each in _as_second(caused(name), caused(first))]

    assert places("hysteresis", "upper range wrong") == ["output", "sensor"]
    assert places("bow", "upper range wrong") == ["output", "sensor"]
    assert places("hysteresis", "bow") == ["output"]
    assert places("zero shift", "upper range wrong") == ["output"]
    # No cause stands beside itself, or beside what it is a part of.
    assert places("bow", "bow") == []
    assert places("zero shift", "zero and span") == places("zero and span", "zero shift") == []


def test_what_bends_to_whatever_is_left_is_tried_beside_nothing():
    base = base_with(lag(UP_DOWN, 40 * np.log(2)) + 0.01)
    pairs = pairs_of(base)
    assert caused("ground loop").may_be(base.segment, 0)
    assert not any("ground loop" in each.name for each in (*pairs.likeliest(), *pairs.with_the_unknown()))


def test_beneath_a_curve_that_holds_in_the_main_nothing_is_seen():
    # A hundredth of 10 % is 0.1 % of span: a shift of less may be the curve's own, one of more is not.
    segment = segment_with(UP_DOWN + 0.1 * ARCH, tolerance=T)
    pairs = PairSearch([], segment, healthy(segment), 0.0)
    curve = replace(fit(caused("bow"), segment, 0, healthy(segment)), theta=np.array([0.1, 0.0]))
    shift = fit(caused("zero shift"), segment, 0, healthy(segment))
    for size, is_beneath in ((0.0009, True), (0.0011, False), (-0.0009, True)):
        assert pairs._is_beneath(curve, replace(shift, theta=np.array([size]))) is is_beneath
        assert pairs._is_beneath(replace(shift, theta=np.array([size])), curve) is is_beneath
    # A slope is no curve: what is seen beside it is there.
    slope = replace(fit(caused("span error"), segment, 0, healthy(segment)), theta=np.array([0.1]))
    assert not pairs._is_beneath(slope, replace(shift, theta=np.array([0.0009])))


def test_beside_what_follows_the_clock_less_than_a_thirtieth_of_it_is_nothing():
    # Three hundredths of 10 % are 0.3 % of span.
    segment = segment_with(UP_DOWN, tolerance=T)
    pairs = PairSearch([], segment, healthy(segment), 0.0)
    lagging, shift = (fit(caused(name), segment, 0, healthy(segment)) for name in ("lag", "zero shift"))
    # What is left of a step of 10 % of the range is 10 % of span where nothing has come yet.
    lagging = replace(lagging, theta=np.array([1e6, *lagging.theta[1:]]))
    largest = pairs._effect(lagging)
    for part, is_beneath in ((0.029, True), (0.031, False)):
        assert pairs._is_beneath(lagging, replace(shift, theta=np.array([part * largest]))) is is_beneath


def test_what_shows_only_where_a_root_rises_at_once_is_beneath_it():
    x = np.array([0.0005, 0.25, 0.5, 0.75, 1, 0.75, 0.5, 0.25, 0.0005])
    segment = segment_with(np.sqrt(x), x, tolerance=T)
    pairs = PairSearch([], segment, healthy(segment), 0.0)
    root, shift = (fit(caused(name), segment, 0, healthy(segment)) for name in ("square root applied", "zero shift"))
    # Everywhere by 0.6 of the tolerance; half of it is what matters.
    assert not pairs._is_beneath(root, replace(shift, theta=np.array([0.0006])))
    assert pairs._is_beneath(root, replace(shift, theta=np.array([0.0004])))


# A slope of 1 to 40 % of the range and of 1.06 beyond: no arch, and no row of the catalogue has a knee.
SLOPES = UP_DOWN + 0.06 * np.maximum(UP_DOWN - 0.4, 0.0)


def test_a_cause_beside_something_unknown_is_named_with_what_remains():
    base = base_with(SLOPES)
    found = {each.name: each for each in pairs_of(base).with_the_unknown()}
    assert found
    for each in found.values():
        assert each.is_partly_unknown
        assert each.text.endswith("; and a curve that no cause of the catalogue has")
        assert each.fits == ()
        # It foretells what the cause alone does: the knee remains, 1.2 % of span between its ends and the line through
        # them, of which a line takes half at most.
        assert 0.006 < np.abs(base.segment.y - each.predicted).max() < 0.04
    # Four causes at most, each once; with the weight of a pair, and of something unknown.
    assert len(found) <= 4
    ranked = of_segment(base)
    assert set(found) <= {each.name for each in ranked}


def test_what_is_partly_unknown_is_grouped_with_no_cause_that_stands_alone():
    y = (UP_DOWN + 0.01)[:, np.newaxis] + SCATTER
    found = weighing(series_with(y), ISOLATOR, SHEET, Basis())
    shift = next(each for each in found.hypotheses if each.name == "zero shift")
    offset = next(each for each in found.hypotheses if each.name == "meter offset")
    assert _is_alike(shift, offset, found)
    partly = replace(offset, name="meter offset + unknown")
    assert partly.is_partly_unknown
    assert not _is_alike(shift, partly, found)
    assert not _is_alike(partly, shift, found)
