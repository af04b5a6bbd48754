"""Temperature sensors against the printed tables: every even temperature of all eight thermocouples, and platinum.

Tables of NIST Standard Reference Database 60 and points of IEC 60751, both with their source in
`shared/published/temperature/`; two independent packages beside them.
"""

import csv

import numpy as np
import pytest
import thermocouple_its90
import yaml
from rtd_sensor import pt100

from instruments import thermometry
from instruments.shipped import shipped

TYPES = tuple("BEJKNRST")
FOLDER = shipped("shared", "published", "temperature")
# Half way between two printed digits (138.5055 ohm is printed 138.51), a sum of doubles may fall to either side.
HALF_WAY = 1e-9


def columns(name):
    with (FOLDER / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    return {key: [row[key] for row in rows] for key in rows[0]}


def numbers(texts):
    return np.array([float(text) for text in texts])


@pytest.fixture(scope="module")
def rtd_points():
    return columns("pt-iec60751-multiples-of-20.csv")


@pytest.fixture(scope="module")
def emf_points():
    table = columns("thermocouple-emf-nist-its90-even.csv")
    letter, value_degC, level_mV = (np.array(table["type"]), numbers(table["t90_c"]), numbers(table["emf_mV"]))
    return {each: (value_degC[letter == each], level_mV[letter == each]) for each in TYPES}


@pytest.mark.parametrize(
    ("column", "r0_ohm", "half_digit_ohm"),
    [
        pytest.param("pt100_ohm_4dp", 100.0, 0.00005, id="Pt100, computed to 4 decimals"),
        pytest.param("pt1000_ohm_3dp", 1000.0, 0.0005, id="Pt1000, computed to 3 decimals"),
        pytest.param("pt100_ohm_table_2dp", 100.0, 0.005, id="Pt100, 2 decimals as printed"),
    ],
)
def test_every_resistance_of_the_table_is_met_both_ways(rtd_points, column, r0_ohm, half_digit_ohm):
    value_degC, ohm = numbers(rtd_points["t90_c"]), numbers(rtd_points[column])
    assert np.abs(thermometry.rtd_ohm(value_degC, r0_ohm=r0_ohm) - ohm).max() <= half_digit_ohm + HALF_WAY
    # The flattest place of the curve is 850 degC, with 0.00293 R0 per 1 degC.
    allowed_degC = half_digit_ohm / (0.0029 * r0_ohm)
    assert np.abs(thermometry.rtd_degC(ohm, r0_ohm=r0_ohm) - value_degC).max() <= allowed_degC


def test_the_points_quoted_from_the_standard_are_met():
    published = yaml.safe_load((FOLDER / "pt-iec60751.yaml").read_text(encoding="utf-8"))
    for value_degC, ohm in published["published_points_pt100_ohm_2dp"]:
        assert float(thermometry.rtd_ohm(value_degC, r0_ohm=100.0)) == pytest.approx(ohm, abs=0.005 + HALF_WAY)
    for value_degC, ohm in published["published_points_pt1000_ohm_1dp"]:
        assert float(thermometry.rtd_ohm(value_degC, r0_ohm=1000.0)) == pytest.approx(ohm, abs=0.05 + HALF_WAY)


def test_platinum_agrees_with_an_independent_package():
    value_degC = np.linspace(-200, 850, 2101)
    reference_ohm = np.array([pt100.celsius_to_resistance(float(each)) for each in value_degC])
    assert np.abs(thermometry.rtd_ohm(value_degC, r0_ohm=100.0) - reference_ohm).max() < 1e-11


@pytest.mark.parametrize("letter", TYPES)
def test_every_emf_of_the_table_is_met(emf_points, letter):
    value_degC, level_mV = emf_points[letter]
    assert value_degC.size > 200
    assert np.abs(thermometry.thermocouple_mV(value_degC, type=letter) - level_mV).max() <= 0.0005 + HALF_WAY


@pytest.mark.parametrize("letter", TYPES)
def test_every_emf_of_the_table_gives_its_temperature(emf_points, letter):
    value_degC, level_mV = emf_points[letter]
    if letter == "B":
        value_degC, level_mV = value_degC[value_degC >= 250], level_mV[value_degC >= 250]
    # The printed EMF is off by half a digit at most; so is its temperature, by that half digit over the slope.
    beside_mV = thermometry.thermocouple_mV(value_degC, type=letter)
    inverse_degC = thermometry.thermocouple_degC(level_mV, type=letter)
    assert np.isfinite(inverse_degC).all()
    # At an end of the range the EMF of the end is what is left of a printed value beyond it.
    assert np.abs(thermometry.thermocouple_mV(inverse_degC, type=letter) - beside_mV).max() <= 0.0005 + HALF_WAY
    steep = value_degC > -200
    slope = np.gradient(beside_mV, value_degC)
    assert (np.abs(inverse_degC - value_degC)[steep] <= (0.00051 / slope)[steep]).all()


@pytest.mark.parametrize("letter", TYPES)
def test_a_temperature_comes_back_from_its_emf(letter):
    pieces = thermometry._references()[letter].forward
    low, high = pieces[0].low if letter != "B" else 250.0, pieces[-1].high
    value_degC = np.concatenate([np.linspace(low, high, 20_001), [piece.high for piece in pieces]])
    back_degC = thermometry.thermocouple_degC(thermometry.thermocouple_mV(value_degC, type=letter), type=letter)
    assert np.abs(back_degC - value_degC).max() < 1e-6


@pytest.mark.parametrize("letter", TYPES)
def test_thermocouples_agree_with_an_independent_package(letter):
    reference = thermocouple_its90.get(letter)
    value_degC = np.linspace(*reference.range, 1001)
    level_mV = np.array([reference.emf(float(each)) for each in value_degC])
    # Both add the same coefficients; at -270 degC terms of thousands of mV cancel, so the last digits are lost in both.
    assert np.abs(thermometry.thermocouple_mV(value_degC, type=letter) - level_mV).max() < 1e-10
    low_mV, high_mV = reference.invertible_emf_range
    level_mV = np.linspace(max(low_mV, 0.291) if letter == "B" else low_mV, high_mV, 1001)
    inverse_degC = np.array([reference.temperature(float(each)) for each in level_mV])
    assert np.abs(thermometry.thermocouple_degC(level_mV, type=letter) - inverse_degC).max() < 1e-5


@pytest.mark.parametrize(
    ("letter", "outside_mV"),
    [
        pytest.param("K", [-6.459, 54.888], id="K below -270 and above 1372 degC"),
        pytest.param("B", [0.2905, -0.001, 13.822], id="B where one EMF has two temperatures, and above 1820 degC"),
    ],
)
def test_an_emf_outside_the_range_has_no_temperature(letter, outside_mV):
    assert np.isnan(thermometry.thermocouple_degC(outside_mV, type=letter)).all()


def test_a_temperature_outside_the_range_has_no_signal():
    assert np.isnan(thermometry.thermocouple_mV([-270.1, 1372.1, np.nan], type="K")).all()
    assert np.isnan(thermometry.rtd_ohm([-200.1, 850.1, np.nan], r0_ohm=100.0)).all()
    assert np.isnan(thermometry.rtd_degC([18.4, 390.6, 0.0, -1.0, 1e9, np.nan, np.inf], r0_ohm=100.0)).all()


def test_terminals_of_25_celsius_are_compensated_by_emf_and_not_by_temperature():
    # 4.096 mV is 100 degC over 0 degC; with the terminals at 25 degC it is 124.3 degC, not 125.0.
    terminals_mV = thermometry.thermocouple_mV(25.0, type="K")
    assert float(thermometry.thermocouple_degC(4.096 + terminals_mV, type="K")) == pytest.approx(124.3, abs=0.05)


def test_any_shape_comes_back_in_the_same_shape():
    grid = np.linspace(0, 300, 24).reshape(2, 3, 4)
    for shape in ((), (0,), (24,), (2, 3, 4)):
        value_degC = grid.reshape(-1)[: int(np.prod(shape))].reshape(shape)
        assert thermometry.rtd_degC(thermometry.rtd_ohm(value_degC, r0_ohm=1000.0), r0_ohm=1000.0).shape == shape
        assert thermometry.thermocouple_degC(thermometry.thermocouple_mV(value_degC, type="T"), type="T").shape == shape
