"""Monte Carlo: its draws, its procedure and what it refuses."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.contributions import from_half_width, from_readings, from_standard
from sequencer.evaluation.figures.montecarlo import propagate
from sequencer.evaluation.figures.student import coverage_factor


def itself(x):
    return x


# Half width of 95 % of each distribution, by hand, in parts of its half width or standard uncertainty.
@pytest.mark.parametrize(
    ("contribution", "half_width"),
    [
        (from_half_width("x", 1.0), 0.95),
        (from_half_width("x", 1.0, distribution="triangular"), 1 - np.sqrt(0.05)),
        (from_half_width("x", 1.0, distribution="arcsine"), np.sin(0.95 * np.pi / 2)),
        (from_standard("x", 1.0), 1.959964),
        (from_readings("x", 2.0, 4), float(coverage_factor(0.95, 3))),
        (from_readings("x", 2.0, 4, pooled_sd=2.0), 1.959964),
    ],
    ids=["rectangular", "triangular", "arcsine", "normal", "t", "t of pooled readings"],
)
def test_each_distribution_is_drawn_as_it_is(contribution, half_width):
    found = propagate(itself, [5.0], [contribution], seed=7, digits_n=2)
    # Four standard deviations of what trials scatter.
    assert found.symmetric == pytest.approx([5 - half_width, 5 + half_width], abs=2 * found.steady_to)
    assert found.is_stable
    assert found.estimate == pytest.approx(5.0, abs=2 * found.steady_to)


def test_same_seed_same_result():
    runs = [propagate(itself, [0.0], [from_standard("x", 1.0)], seed=seed) for seed in (1, 1, 2)]
    assert runs[0] == runs[1]
    assert runs[0].estimate != runs[2].estimate


def test_more_digits_take_more_trials():
    few, many = (propagate(itself, [0.0], [from_standard("x", 1.0)], seed=3, digits_n=n) for n in (1, 2))
    assert few.trials_n < many.trials_n
    assert (few.tolerance, many.tolerance) == (0.5, 0.05)


def test_rounding_into_the_next_decade_moves_the_tolerance():
    # u = 9.98 to two digits is 10: half of its last digit is 0.5, not 0.05.
    assert propagate(itself, [0.0], [from_standard("x", 9.98)], seed=3).tolerance == pytest.approx(0.5)


def test_a_result_that_is_not_steady_within_the_limit_says_so():
    found = propagate(itself, [0.0], [from_standard("x", 1.0)], seed=3, digits_n=4, trials_limit=50_000)
    assert (found.is_stable, found.is_first_order_valid, found.trials_n) == (False, False, 50_000)
    assert found.comparison.startswith("After 50000 trials the interval is ")
    assert "not yet steady to" in found.comparison


def test_a_square_about_nil_is_where_the_first_order_finds_nothing():
    found = propagate(lambda x: x**2, [0.0], [from_standard("x", 1.0)], seed=3)
    assert found.first_order_u == pytest.approx(0.0, abs=1e-6)
    assert found.u == pytest.approx(np.sqrt(2), abs=2 * found.steady_to)
    assert found.shortest[0] == pytest.approx(0.0, abs=1e-3)
    assert found.shortest[1] < found.symmetric[1]
    assert "misleads" in found.comparison


def test_nothing_uncertain_is_steady_at_once():
    found = propagate(itself, [3.0], [from_standard("x", 0.0)], seed=3)
    assert (found.estimate, found.u, found.symmetric) == (3.0, 0.0, (3.0, 3.0))
    assert found.is_first_order_valid


def test_first_order_takes_few_degrees_of_freedom_into_account():
    found = propagate(itself, [0.0], [from_readings("x", 2.0, 4)], seed=3)
    assert found.first_order[1] == pytest.approx(float(coverage_factor(0.95, 3)), rel=1e-6)
    assert found.is_first_order_valid


@pytest.mark.parametrize(
    ("model", "values", "u", "message"),
    [
        pytest.param(
            itself, [1.0, 2.0], [1.0], "Monte Carlo: 2 values and 1 uncertainties\n  do: give each", id="count"
        ),
        pytest.param(itself, [], [], "0 values and 0 uncertainties", id="nothing"),
        pytest.param(itself, [float("nan")], [1.0], "x0: value or uncertainty is missing.*\n  do: give", id="no value"),
        pytest.param(itself, [1.0], [float("nan")], "x0: value or uncertainty is missing", id="no uncertainty"),
        pytest.param(itself, [1.0], [[1.0, 2.0]], "not a single one", id="many units"),
        pytest.param(
            lambda x: np.where(x < 0, np.nan, x), [0.0], [1.0], "the model does not give one number", id="no number"
        ),
        pytest.param(lambda x: x[:1], [0.0], [1.0], "the model does not give one number.*\n  do: look", id="shape"),
    ],
)
def test_what_cannot_be_drawn_is_refused(model, values, u, message):
    contributions = [from_standard(f"x{place}", each) for place, each in enumerate(u)]
    with pytest.raises(ReadingsError, match=message):
        propagate(model, values, contributions, seed=1)


@pytest.mark.parametrize(("probability", "digits_n"), [(95, 2), (1.0, 2), (0.95, 0)])
def test_what_cannot_be_asked_for_is_refused(probability, digits_n):
    with pytest.raises(ReadingsError, match=r"Monte Carlo: a probability of .* digits\n.*\n  do: give 0.95 and 2"):
        propagate(itself, [1.0], [from_standard("x", 1.0)], seed=1, probability=probability, digits_n=digits_n)
