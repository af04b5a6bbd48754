"""NIST StRD, univariate: certified lag-1 autocorrelations, fetched."""

import csv

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.evaluation.figures.residuals import independence

FOLDER = shipped("shared", "published", "nist-strd")


# 12 digits asked, numacc1 has three readings only; numacc3 is 1000000.2 +- 0.1, which floats hold to 10 digits of 0.1.
@pytest.mark.parametrize(
    ("name", "rel"), [("lew", 1e-12), ("michelso", 1e-12), ("numacc2", 1e-12), ("numacc3", 1e-8), ("pidigits", 1e-12)]
)
def test_lag_1_autocorrelation_is_the_certified_one(name, rel):
    certified = yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))["certified"]
    with (FOLDER / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        levels = np.array([float(row["y"]) for row in csv.DictReader(file)])
    found = float(independence(levels).autocorrelation)
    assert found == pytest.approx(certified["lag1_autocorrelation"], rel=rel)
