"""JCGM 106:2012: conformity of one result and risks over all units.

Inputs and printed results from memory, every number recomputed with scipy; see `shared/published/conformity`.
"""

from statistics import NormalDist

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.conformity import probability_of_conformity
from sequencer.evaluation.figures.risk import global_risk, guard_band_for_risk, risk_over_guard_band

PATH = shipped("shared", "published", "conformity", "jcgm106-main-examples.yaml")
ENTRIES = {entry["id"]: entry for entry in yaml.safe_load(PATH.read_text(encoding="utf-8"))["entries"]}
RESISTORS = ENTRIES["resistor-global-risk"]


def resistor_risk(half_width_accepted):
    inputs = RESISTORS["inputs"]
    lower, upper = inputs["tolerance_ohm"]
    return global_risk(
        lower=lower,
        upper=upper,
        accept_lower=inputs["nominal_ohm"] - half_width_accepted,
        accept_upper=inputs["nominal_ohm"] + half_width_accepted,
        mean=inputs["nominal_ohm"],
        sd=0.12,
        u=inputs["u_m_ohm"],
    )


def test_risks_of_the_resistors_as_printed():
    printed = RESISTORS["published_recalled"]
    found = resistor_risk(0.18)
    assert float(found.conforming_frac) == pytest.approx(printed["conforming_fraction"], abs=0.05)
    assert float(found.consumer_frac) == pytest.approx(printed["acceptance_1499.82_1500.18"]["R_C"], abs=0.005)
    assert float(found.producer_frac) == pytest.approx(printed["acceptance_1499.82_1500.18"]["R_P"], abs=0.005)


@pytest.mark.parametrize("row", RESISTORS["recomputed"]["by_acceptance_half_width"], ids=lambda row: f"A = {row['A']}")
def test_risks_of_the_resistors_over_the_acceptance_limit(row):
    found = resistor_risk(row["A"])
    assert float(found.consumer_frac) == pytest.approx(row["R_C"], rel=1e-9)
    assert float(found.producer_frac) == pytest.approx(row["R_P"], rel=1e-9)
    assert float(found.conforming_frac) == pytest.approx(RESISTORS["recomputed"]["conforming_fraction"], rel=1e-12)


def test_the_curve_over_the_guard_band_is_the_single_risks():
    rows = RESISTORS["recomputed"]["by_acceptance_half_width"]
    curve = risk_over_guard_band([0.2 - row["A"] for row in rows], half_width=0.2, sd=0.12, u=0.04)
    assert curve.consumer_frac == pytest.approx([row["R_C"] for row in rows], rel=1e-9)
    assert curve.producer_frac == pytest.approx([row["R_P"] for row in rows], rel=1e-9)


def test_guard_band_for_a_given_risk():
    w = guard_band_for_risk([0.01, 0.001], half_width=0.2, sd=0.12, u=0.04)
    recomputed = RESISTORS["recomputed"]
    assert 0.2 - w == pytest.approx([recomputed["A_for_R_C_1_percent"], recomputed["A_for_R_C_0.1_percent"]], rel=1e-9)


def test_container_burst_strength():
    entry = ENTRIES["container-burst-strength"]
    inputs = entry["inputs"]
    found = float(probability_of_conformity(inputs["y_kPa"], inputs["u_kPa"], lower=inputs["T_L_kPa"]))
    assert found == pytest.approx(entry["published"]["p_conformance"], abs=0.005)
    assert found == pytest.approx(entry["recomputed"]["p_conformance"], rel=1e-12)


def test_speed_limit():
    # The highest reading v with P(true speed > limit) below 99.9 %: v - z * u_rel * v = limit.
    entry = ENTRIES["speed-limit"]
    inputs = entry["inputs"]
    z = NormalDist().inv_cdf(inputs["required_probability"])
    reading = inputs["limit_km_h"] / (1 - z * inputs["u_rel"])
    assert reading == pytest.approx(entry["published"]["acceptance_limit_km_h"], abs=0.5)
    assert reading == pytest.approx(entry["recomputed"]["acceptance_limit_km_h"], rel=1e-12)
    speeding = 1 - probability_of_conformity(reading, inputs["u_rel"] * reading, upper=inputs["limit_km_h"])
    assert float(speeding) == pytest.approx(inputs["required_probability"], rel=1e-12)


def test_table_1():
    entry = ENTRIES["table-1"]
    probability, z = np.array(entry["published"]).T
    unrounded = np.array(entry["recomputed"])[:, 1]
    assert unrounded == pytest.approx(z, abs=0.005 + 1e-9)
    assert probability_of_conformity(-unrounded, 1.0, upper=0.0) == pytest.approx(probability, rel=1e-12)
