"""EA-4/02 S3: standard resistor of 10 kilohm by substitution. From memory, see `shared/published/ea-4-02`."""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.contributions import from_certificate, from_half_width, from_readings
from sequencer.evaluation.figures.per_point import per_point
from sequencer.evaluation.figures.uncertainty import combine

PATH = shipped("shared", "published", "ea-4-02", "s3-standard-resistor-10k.yaml")
FACTS = yaml.safe_load(PATH.read_text(encoding="utf-8"))
PUBLISHED = FACTS["published"]
C_OHM = 10_000.0


@pytest.fixture(scope="module")
def ratio():
    return per_point(np.array(FACTS["observations_r"]), axis=0)


@pytest.fixture(scope="module")
def budget(ratio):
    return combine(
        [
            from_certificate("R_S", 5e-3, k=2),
            from_half_width("dR_D", 10e-3),
            from_half_width("dR_TS", 2.75e-3),
            from_half_width("dR_TX", 5.5e-3, sensitivity=-1.0),
            from_half_width("r_C", 1.0e-6, distribution="triangular", sensitivity=C_OHM),
            from_readings("r", ratio.sd, ratio.readings_n, pooled_sd=1.6e-7, sensitivity=C_OHM),
        ],
        k=PUBLISHED["k"],
    )


def test_resistance(ratio):
    values = {each["name"]: each["value"] for each in FACTS["inputs"]}
    found_ohm = (values["R_S"] + values["dR_D"] + values["dR_TS"]) * values["r_C"] * float(ratio.mean) - values["dR_TX"]
    assert found_ohm == pytest.approx(PUBLISHED["R_X_ohm"], abs=0.0005)


def test_contributions(budget):
    assert np.abs(budget.effect) * 1e3 == pytest.approx(PUBLISHED["contributions_mohm"], abs=0.05)


def test_combined_and_expanded_uncertainty(budget):
    assert float(budget.u) == pytest.approx(PUBLISHED["u_ohm"], abs=0.5e-5)
    assert float(budget.U) == pytest.approx(PUBLISHED["U_ohm"], abs=0.0005)
    assert float(budget.u) * 1e3 == pytest.approx(FACTS["recomputed"]["u_mohm_exact_inputs"], abs=0.005)


def test_the_largest_contributions_come_first(budget):
    assert [share.name for share in budget.ranked()] == ["dR_D", "r_C", "dR_TX", "R_S", "dR_TS", "r"]
    assert sum(share.share_frac for share in budget.ranked()) == pytest.approx(1.0, rel=1e-12)


def test_trap_five_readings_alone_would_have_another_spread_than_the_pooled_one(ratio):
    alone = from_readings("r", ratio.sd, ratio.readings_n)
    pooled = from_readings("r", ratio.sd, ratio.readings_n, pooled_sd=1.6e-7)
    assert float(pooled.u) == pytest.approx(0.07e-6, abs=0.005e-6)
    assert (float(alone.dof), float(pooled.dof)) == (4, np.inf)
    assert float(alone.u) == pytest.approx(0.0707e-6, abs=0.00005e-6)
