"""All figures in one call, for units of which something is missing."""

import numpy as np
import pytest

from instruments.errors import ReadingsError
from sequencer.evaluation.figures.figures import figures

NAN = float("nan")
X_PCT = np.linspace(0, 100, 5)


def test_each_unit_tells_what_could_not_be_determined():
    error_pct = np.zeros((4, 3, 2, 5))
    error_pct[1, 1:] = NAN  # one cycle
    error_pct[2, :, 1] = NAN  # upscale only
    error_pct[3] = NAN  # nothing
    found = figures(error_pct, X_PCT)
    assert found.not_determined(0) == ()
    assert found.not_determined(1) == ("non-repeatability: 1 cycle only, 3 needed",)
    assert found.not_determined(2) == ("hysteresis: no downscale readings",)
    assert found.not_determined(3) == (
        "measured error: nothing read",
        "inaccuracy: nothing read",
        "hysteresis: no upscale readings",
        "non-repeatability: 0 cycles only, 3 needed",
        "non-linearity, independent: 0 points only, 3 needed",
        "non-linearity, terminal-based: 0 points only, 3 needed",
        "non-linearity, zero-based: 0 points only, 3 needed",
        "zero error: no reading at the lower end",
        "span error: no reading at the lower end",
        "gain and offset: fewer than two different inputs read",
    )


def test_a_single_point_has_errors_but_no_line():
    found = figures(np.full((1, 3, 2, 1), 0.25), np.array([50.0]))
    assert [found.measured_error.error_pct[0], found.hysteresis.hysteresis_pct[0]] == [0.25, 0]
    assert found.not_determined(0) == (
        "non-linearity, independent: 1 point only, 3 needed",
        "non-linearity, terminal-based: 1 point only, 3 needed",
        "non-linearity, zero-based: 1 point only, 3 needed",
        "zero error: lower end at 50 % of input span, 0 % needed, within 1 %",
        "span error: lower end at 50 % of input span, 0 % needed, within 1 %",
        "gain and offset: fewer than two different inputs read",
    )


def test_no_units_give_no_figures():
    found = figures(np.zeros((0, 3, 2, 5)), X_PCT)
    assert found.independent.deviation_pct.shape == found.line.gain.shape == (0,)


def test_readings_are_not_changed():
    error_pct = np.zeros((1, 3, 2, 5))
    error_pct.flags.writeable = False
    figures(error_pct, X_PCT)


def test_the_standard_goes_to_every_figure():
    found = figures(np.zeros((1, 3, 2, 5)), X_PCT, standard="ISA-51.1-1979", dead_band_pct=0.1)
    parts = (found.measured_error, found.inaccuracy, found.hysteresis, found.non_repeatability, found.independent)
    parts += (found.terminal_based, found.zero_based, found.zero_span)
    assert all(part.definition.startswith("ISA-51.1-1979 (from memory): ") for part in parts)


def test_a_wrong_shape_is_refused():
    with pytest.raises(ReadingsError, match=r"error_pct: errors have the shape \(5,\)(.*\n)+  do: arrange"):
        figures(np.zeros(5), X_PCT)
