"""GUM (JCGM 100:2008) H.3: calibration line of a thermometer. Published figures fetched, see `shared/published/gum`."""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.lines import fit_line

FACTS = yaml.safe_load(shipped("shared", "published", "gum", "h3-thermometer.yaml").read_text(encoding="utf-8"))
PUBLISHED, EXACT = FACTS["published"], FACTS["recomputed_full_precision"]


@pytest.fixture(scope="module")
def line():
    reading_degC = np.array(FACTS["data"]["t_k_degC"])
    return fit_line(reading_degC - FACTS["data"]["t0_degC"], np.array(FACTS["data"]["b_k_degC"]))


# Half the last printed digit; the recomputed figures to 11 digits beside it (b_k - mean cancels two of 15).
@pytest.mark.parametrize(
    ("figure", "name", "half_digit"),
    [
        ("offset", "y1_degC", 0.00005),
        ("u_offset", "u_y1_degC", 0.00005),
        ("gain", "y2", 0.000005),
        ("u_gain", "u_y2", 0.000005),
        ("residual_sd", "residual_sd_degC", 0.00005),
    ],
)
def test_figure_is_the_published_one(line, figure, name, half_digit):
    found = float(getattr(line, figure))
    assert found == pytest.approx(PUBLISHED[name], abs=half_digit)
    assert found == pytest.approx(EXACT[name], rel=1e-11)


def test_correlation_and_degrees_of_freedom(line):
    correlation = float(line.cov_offset_gain / (line.u_offset * line.u_gain))
    assert correlation == pytest.approx(PUBLISHED["correlation_y1_y2"], abs=0.005)
    assert correlation == pytest.approx(EXACT["correlation_y1_y2"], rel=1e-11)
    assert int(line.dof) == PUBLISHED["degrees_of_freedom"]


def test_prediction_at_30_celsius(line):
    at_30 = line.predict(10.0)
    assert float(at_30.level) == pytest.approx(PUBLISHED["b_30degC"], abs=0.00005)
    assert float(at_30.level) == pytest.approx(EXACT["b_30degC"], rel=1e-11)
    assert float(at_30.u_line) == pytest.approx(PUBLISHED["u_b_30degC"], abs=0.00005)
    assert float(at_30.u_line) == pytest.approx(EXACT["u_b_30degC_of_the_line"], rel=1e-11)
    assert float(at_30.u_single) == pytest.approx(EXACT["u_single_future_observation_30degC"], rel=1e-11)


def test_trap_without_the_covariance_the_uncertainty_at_30_celsius_is_far_too_large(line):
    without = float(np.hypot(line.u_offset, 10.0 * line.u_gain))
    assert without == pytest.approx(0.00727, abs=0.000005)
    with_it = np.sqrt(without**2 + 2 * 10.0 * float(line.cov_offset_gain))
    assert with_it == pytest.approx(float(line.predict(10.0).u_line), rel=1e-11)


def test_residuals(line):
    inputs = np.array(FACTS["data"]["t_k_degC"]) - FACTS["data"]["t0_degC"]
    residuals = np.array(FACTS["data"]["b_k_degC"]) - line.predict(inputs).level
    assert residuals == pytest.approx(EXACT["residuals_degC"], abs=0.00005)


def test_about_the_mean_the_correlation_is_nil_and_the_gain_unchanged(line):
    reading_degC = np.array(FACTS["data"]["t_k_degC"])
    centred = fit_line(reading_degC - reading_degC.mean(), np.array(FACTS["data"]["b_k_degC"]))
    assert abs(float(centred.cov_offset_gain)) < 1e-15 * float(centred.u_offset)
    assert float(centred.u_offset) == pytest.approx(EXACT["u_at_centroid"], rel=1e-11)
    assert float(line.u_x_mean) == pytest.approx(EXACT["u_at_centroid"], rel=1e-11)
    assert float(line.x_mean) == pytest.approx(EXACT["centroid_shift_degC"], rel=1e-12)
    assert float(centred.gain) == pytest.approx(float(line.gain), rel=1e-11)
