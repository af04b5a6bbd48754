"""Tests of residuals, their sentences and what they cannot tell."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.residuals import READINGS_NEEDED, independence, lack_of_fit

NAN = float("nan")
X = np.arange(5.0)
REPEATS = np.array([-0.1, 0.0, 0.1])
LINE, BOW = X[:, None] + REPEATS, (X + 0.3 * (X - 2) ** 2)[:, None] + REPEATS


def test_a_line_fits_and_a_bow_does_not():
    found = lack_of_fit(X, np.stack([LINE, BOW]))
    assert found.is_doubted.tolist() == [False, True]
    assert found.sentence(0).startswith("A straight line fits: the means lie off it no more than repeats explain (F = ")
    assert found.sentence(1).startswith("The readings do not follow a straight line: their means lie off it by more")
    assert (found.dof_lack.tolist(), found.dof_pure.tolist()) == ([3, 3], [10, 10])
    assert found.sd_pure == pytest.approx([0.1, 0.1], rel=1e-12)


def test_lack_of_fit_by_hand():
    # Means 0, 1, 0 at 0, 1, 2: off the level line at 1/3 by -1/3, 2/3, -1/3; two repeats each, 0.2 apart.
    y = np.array([0.0, 1.0, 0.0])[:, None] + [-0.1, 0.1]
    found = lack_of_fit([0.0, 1.0, 2.0], [y])
    assert found.ratio[0] == pytest.approx((2 * 6 / 9) / 1 / (6 * 0.01 / 3), rel=1e-12)
    # F of 1 and 3 degrees of freedom is above 10.13 with 5 % (common table, from memory).
    found = lack_of_fit([0.0, 1.0, 2.0], [np.sqrt(10.13 / found.ratio[0]) * np.array([0, 1, 0])[:, None] + [-0.1, 0.1]])
    assert found.p_value[0] == pytest.approx(0.05, abs=5e-5)


@pytest.mark.parametrize(
    ("x", "y", "obstacle"),
    [
        pytest.param([0.0, 1.0], [[0.0, 0.1], [1.0, 1.1]], "fewer than three points read", id="two points"),
        pytest.param(X, X[:, None], "no point was approached twice from the same side", id="no repeats"),
        pytest.param(X, np.stack([X, X], axis=1), "repeats do not differ", id="repeats alike"),
        pytest.param([1.0] * 5, LINE, "fewer than two different inputs read", id="equal setpoints"),
    ],
)
def test_what_lack_of_fit_cannot_tell(x, y, obstacle):
    found = lack_of_fit(x, [y])
    assert np.isnan(found.p_value[0])
    assert not found.is_doubted[0]
    assert found.sentence(0) == f"Whether a line fits cannot be told: {obstacle}."


def test_missing_repeats_are_left_out():
    with_gaps = np.concatenate([BOW, np.full((5, 1), NAN)], axis=1)
    assert lack_of_fit(X, with_gaps).ratio == pytest.approx(float(lack_of_fit(X, BOW).ratio), rel=1e-12)


def test_drift_resembles_its_neighbour_and_alternation_does_not():
    random = np.random.default_rng(5)
    found = independence(np.stack([np.linspace(-1, 1, 40), np.tile([1.0, -1.0], 20), random.normal(size=40)]))
    assert found.is_doubted.tolist() == [True, True, False]
    assert found.sentence(0).startswith("Neighbouring residuals resemble each other (autocorrelation 0.9")
    assert found.sentence(1).startswith("Neighbouring residuals alternate (autocorrelation -0.9")
    assert found.sentence(2).startswith("The residuals are independent as far as can be told (autocorrelation")
    assert found.bound == pytest.approx([1.959964 / np.sqrt(40)] * 3, rel=1e-6)


def test_what_independence_cannot_tell():
    found = independence([[1.0] * 10, [0.0, 1.0, 2.0, *[NAN] * 7]])
    assert np.isnan(found.autocorrelation).all()
    assert found.sentence(0) == "Whether the residuals are independent cannot be told: they do not differ."
    assert found.sentence(1).endswith(f"cannot be told: fewer than {READINGS_NEEDED}.")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: lack_of_fit([0.0, 1.0], LINE), r"lack of fit: inputs have the shape \(2,\).*\n.*\n  do: arrange"),
        (lambda: lack_of_fit([0.0], [1.0]), "lack of fit: inputs have the shape"),
        (lambda: independence(1.0), "independence: one residual is no series\n  do: give the residuals"),
    ],
)
def test_what_cannot_be_is_refused(make, message):
    with pytest.raises(ReadingsError, match=message):
        make()
