"""Statistical tolerance intervals against tables and worked examples.

Sources, and how each figure was verified, in `shared/published/type-test/*.yaml`.
"""

import numpy as np
import pytest
import yaml

from instruments.shipped import shipped
from sequencer.history.tolerance_interval import (
    attained_confidence,
    distribution_free,
    least_n,
    normal,
    one_sided_factor,
    tolerance_interval,
    two_sided_factor,
)

FOLDER = shipped("shared", "published", "type-test")


def told(name):
    return yaml.safe_load((FOLDER / f"{name}.yaml").read_text(encoding="utf-8"))


def test_exact_factors_of_the_table():
    rows = np.loadtxt(FOLDER / "normal-tolerance-factors.csv", delimiter=",", skiprows=1)
    assert len(rows) > 5
    for n, coverage, confidence, two, one, _ in rows:
        asked = {"coverage": float(coverage), "confidence": float(confidence)}
        assert two_sided_factor(int(n), **asked) == pytest.approx(two, rel=1e-7)
        assert one_sided_factor(int(n), **asked) == pytest.approx(one, rel=1e-7)


def test_factors_as_printed_in_the_book():
    # Berthouex and Brown, table 21.1, 95 % confidence: half a unit of the last digit.
    printed = told("normal-tolerance-factors")["published"]["two_sided_95_confidence_seen"]
    for coverage, row in printed.items():
        share = float(coverage.removeprefix("coverage_").replace("_", "."))
        for n, k in row.items():
            assert two_sided_factor(int(n), coverage=share) == pytest.approx(float(k), abs=0.005001), (coverage, n)


def test_least_numbers_of_wilks():
    for row in told("distribution-free-sample-size")["table"]:
        asked = {"coverage": row["coverage"], "confidence": row["confidence"]}
        assert least_n(sides="upper", **asked) == row["n_one_sided"]
        assert least_n(sides="two", **asked) == row["n_two_sided"]


def test_attained_confidence_of_range_and_largest():
    for row in told("distribution-free-sample-size")["attained_confidence"]:
        for gaps, name in ((1, "one_sided"), (2, "two_sided")):
            found = float(attained_confidence(row["n"], gaps, coverage=row["coverage"]))
            assert found == pytest.approx(row[name], abs=1e-10)


def test_the_outermost_that_may_be_left_out():
    for row in told("distribution-free-sample-size")["more_dropped"]:
        asked = {"coverage": row["coverage"]}
        assert attained_confidence(row["n"], row["r"], **asked) >= row["confidence"]
        assert attained_confidence(row["n"] - 1, row["r"], **asked) < row["confidence"]
    # 153 values leave four gaps outside: the second from either end.
    values = np.random.default_rng(3).permutation(153).astype(float)
    found = distribution_free(values)
    assert (found.low, found.high) == (1.0, 151.0)


def test_the_breaking_load_of_yarn():
    known = next(each for each in told("tolerance-interval-examples")["examples"] if "yarn" in each["name"])
    values = np.array(known["data"])
    two = normal(values)
    assert (two.low, two.high) == pytest.approx(known["recomputed"]["two_sided"], rel=1e-7)
    one = normal(-values, sides="upper")
    assert -one.high == pytest.approx(known["recomputed"]["lower_one_sided"], rel=1e-7)


def test_the_choice_is_told():
    random = np.random.default_rng(5)
    assert tolerance_interval(random.standard_normal(30)).kind == "normal"
    skewed = tolerance_interval(random.exponential(size=60))
    assert skewed.kind == "distribution-free"
    # 60 values: P(Bin(60, 0.05) >= 2), computed here from the binomial itself.
    assert skewed.attained == pytest.approx(1 - 0.95**60 - 60 * 0.05 * 0.95**59, abs=1e-12)
    assert "93 would give" in skewed.said
    assert tolerance_interval(random.standard_normal(600)).kind == "distribution-free"


@pytest.mark.parametrize(("n", "draw"), [(12, "standard_normal"), (120, "standard_exponential")])
def test_so_many_intervals_hold_the_share_that_they_promise(n, draw):
    # 2000 samples; 95 % confidence, so the share of intervals that hold 95 % lies in 0.95 +/- 0.0195 (4 sigma).
    random = np.random.default_rng(2)
    from scipy import stats

    law = stats.norm if draw == "standard_normal" else stats.expon
    made = normal if draw == "standard_normal" else distribution_free
    held = 0
    for _ in range(2000):
        found = made(getattr(random, draw)(n))
        held += bool(law.cdf(found.high) - law.cdf(found.low) >= 0.95)
    # Distribution-free is at least that: ordered values come in steps.
    assert held / 2000 > 0.95 - 0.0195
    assert draw != "standard_normal" or held / 2000 < 0.95 + 0.0195
