"""What is ordinary: imperfections of a good unit and noise of its visits, worked out by hand; where a chain is cut."""

import numpy as np
import pytest
from fleet import CHAIN, measured, prepared
from segments import ISOLATOR, UP_DOWN, segment_with, series_with

from sequencer import core
from sequencer.diagnosis.model.healthy_model import imperfections, is_ordinary, segment_between, segments_of
from sequencer.diagnosis.model.series import series_of
from sequencer.evaluation.budget import Basis

SHEET = core.load("current-isolator").sheet  # 0.1 % of span: T = 0.001
T = 0.001


def test_each_imperfection_is_one_deviation_of_a_share_of_the_tolerance():
    segment = segment_with([0, 0.25, 0.5, 1, 0.5], [0, 0.25, 0.5, 1, 0.5], tolerance=1.0, is_again=np.arange(5) == 3)
    zero, span, bow, lens, s, drift, to_go = imperfections(segment)[:, :7].T
    assert zero == pytest.approx([0.25] * 5)
    assert span == pytest.approx([0, 0.0625, 0.125, 0.25, 0.125])
    assert bow == pytest.approx([0, 0.09, 0.12, 0, 0.12])  # 4 y (1 - y) = 0, 3/4, 1, 0, 1
    assert lens == pytest.approx([0, 0.045, 0.06, 0, -0.06])  # half of it either way, up and down
    assert s == pytest.approx([0, 0.06, 0, 0, 0])
    assert drift == pytest.approx([-0.05, -0.025, 0, 0.025, 0.05])
    assert to_go == pytest.approx([0.05, 0.05, 0.05, 0, -0.05])  # behind on the way; stood still at the end pair


def test_whatever_else_is_smooth_over_the_range_is_three_hundredths_of_the_tolerance():
    y = np.array([0, 0.25, 0.5, 1, 0.5])
    columns = imperfections(segment_with(y, y, tolerance=0.002))[:, 7:]
    # Squared exponential over three tenths of the range, alike both ways in part, and as much that is not.
    way = np.array([1, 1, 1, 1, -1])
    alike = np.exp(-0.5 * ((y[:, np.newaxis] - y) / 0.3) ** 2) * (1 + np.outer(way, way))
    assert columns @ columns.T == pytest.approx((0.03 * 0.002) ** 2 * alike, rel=1e-5, abs=1e-14)


@pytest.mark.parametrize(("is_keyed", "tolerance"), [(True, 0.005), (False, 0.001)])
def test_a_source_that_a_person_sets_may_be_farther_off_than_one_that_is_told(is_keyed, tolerance):
    series = series_with(UP_DOWN, is_keyed=is_keyed)
    assert segment_between(series, ISOLATOR, SHEET, Basis(), -1, 0).tolerance == tolerance
    assert segment_between(series, ISOLATOR, SHEET, Basis(), 0, 1).tolerance == pytest.approx(T)


NOISES = [
    # One reading a visit: a fortieth of the tolerance, and a twentieth as nothing tells the scatter.
    ({}, np.zeros(21), np.hypot(T / 40, T / 20)),
    # Four readings, sd 0.0002: 0.0001 of their mean.
    ({}, 2e-4 * np.sqrt(3 / 4) * np.array([-1, 1, -1, 1]), np.hypot(T / 40, 1e-4)),
    # sd of 0.01 is ten tolerances: no more than a third is ordinary.
    ({}, 0.01 * np.sqrt(3 / 4) * np.array([-1, 1, -1, 1]), np.hypot(T / 40, T / 3 / 2)),
    # An error to go of 0.00006 at most is three deviations; one of 0.01 counts as a tenth of the tolerance.
    ({"to_go": np.full(21, 6e-5)}, np.zeros(21), np.sqrt((T / 40) ** 2 + (T / 20) ** 2 + 2e-5**2)),
    ({"to_go": np.full(21, 0.01)}, np.zeros(21), np.sqrt((T / 40) ** 2 + (T / 20) ** 2 + (T / 30) ** 2)),
]


@pytest.mark.parametrize(("given", "scatter", "noise"), NOISES)
def test_the_noise_of_a_visit_is_what_its_readings_and_the_bench_say(given, scatter, noise):
    y = UP_DOWN[:, np.newaxis] + scatter if scatter.size == 4 else UP_DOWN
    segment = segment_between(series_with(y, **given), ISOLATOR, SHEET, Basis(), 0, 1)
    assert segment.tolerance == pytest.approx(T)
    assert segment.noise == pytest.approx(np.full(21, noise), rel=1e-6)


def test_what_a_person_wrote_has_the_resolution_of_its_digits_up_to_what_is_ordinary():
    # 0.01 mA of 16 mA is 0.06 % of span, of which 0.04 % are ordinary by a tolerance of 0.1 %; 0.001 mA is 0.006 %.
    for step_mA, resolution in ((0.01, 0.0004), (0.001, 0.001 / 16)):
        y = np.round(16.123 * UP_DOWN / step_mA) * step_mA / 16
        segment = segment_between(series_with(y, is_keyed=True), ISOLATOR, SHEET, Basis(), 0, 1)
        assert segment.resolution == pytest.approx(resolution)


@pytest.mark.parametrize(
    ("noise", "scale", "ordinary"),
    [(1e-4, 3.2, True), (1e-4, 3.4, False), (1e-3, 1.4, True), (1e-3, 1.6, False)],
)
def test_scatter_is_ordinary_up_to_a_third_of_the_tolerance_or_half_as_much_again(noise, scale, ordinary):
    assert is_ordinary(scale, segment_with(UP_DOWN, tolerance=T, noise=noise)) is ordinary


def test_a_chain_is_cut_at_the_taps_that_were_read():
    planned, _ = prepared(CHAIN)
    table = measured(CHAIN, (), seed=3)
    taps = [tap.name for tap in planned.sheet.taps]

    def cuts(*read):
        series = series_of(table[table["tap"].isin(read)], planned.sheet)
        return [(each.first, each.last) for each in segments_of(series, planned.sheet, planned.sequence.sheet, Basis())]

    assert len(taps) == 4
    assert cuts(*taps) == [(-1, 0), (0, 1), (1, 2), (2, 3)]
    assert cuts(taps[0], taps[3]) == [(-1, 0), (0, 3)]
    assert cuts(taps[2], taps[3]) == [(0, 2), (2, 3)]  # what the source was told stands for the first
