"""Loop compliance: the search against Ohm's law, and on a simulated loop whose least voltage is known."""

import json
import os
from dataclasses import replace

import forked
import numpy as np
import pytest

from sequencer.evaluation.loop_compliance import Tried, compliance, next_load


def loop(supply_V, load_ohm, *, least_V, mA=20.0):
    """Output in % of 4 .. 20 mA of a loop that needs `least_V`: Ohm's law."""
    current = min(mA, 1e3 * max(supply_V - least_V, 0.0) / max(load_ohm, 1e-9))
    return Tried(supply_V=supply_V, load_ohm=load_ohm, output_pct=100 * (current - 4) / 16)


def searched(least_V, supplies, *, to_ohm=10.0, high=1500.0):
    tried = [loop(each, load, least_V=least_V) for each in supplies for load in (0.0, high)]
    for _ in range(200):
        wanted = next_load(tried, within_pct=0.1, to_ohm=to_ohm)
        if wanted is None:
            return tried
        tried.append(loop(*wanted, least_V=least_V))
    raise AssertionError("the search has no end")


@pytest.mark.parametrize("seed", range(8))
def test_each_border_holds_ohms_law_and_the_voltage_is_found(seed):
    rng = np.random.default_rng(seed)
    least_V = float(rng.uniform(7, 11))
    supplies = sorted(rng.uniform(12, 34, 4).tolist())
    tried = searched(least_V, supplies)
    found = compliance(tried, within_pct=0.1, current_mA=20.0)
    for each in found.borders:
        # A drop of 0.1 % of 16 mA is none: the border lies that much higher than (Vs - Vmin) / I.
        true_ohm = (each.supply_V - least_V) / (20e-3 - 0.001 * 16e-3)
        assert each.holds_ohm <= true_ohm <= each.drops_ohm
        assert each.drops_ohm - each.holds_ohm <= 10
    assert found.agrees
    assert found.least_V == pytest.approx(least_V, abs=found.within_V + 0.025)
    # Halving 1500 ohm to 10 takes 8 loads, beside both ends.
    assert len(tried) <= 4 * 10


def test_a_supply_that_is_too_low_and_one_that_drives_all():
    found = compliance(searched(10.0, [9.0, 24.0, 60.0]), within_pct=0.1, current_mA=20.0)
    low, _, high = found.borders
    assert np.isnan(low.holds_ohm)
    assert np.isnan(high.drops_ohm)
    assert high.holds_ohm == 1500


def test_an_effect_of_the_supply_is_no_lack_of_voltage():
    # 0.02 % of span a volt at every load; the borders stay those of Ohm's law: (18 - 10) V / 20 mA = 400 ohm, and 700.
    def with_effect(each):
        return replace(each, output_pct=each.output_pct + 0.02 * (each.supply_V - 24))

    tried = [with_effect(each) for each in searched(10.0, [18.0, 24.0])]
    low, high = compliance(tried, within_pct=0.1, current_mA=20.0).borders
    assert low.holds_ohm < 400 < low.drops_ohm
    assert high.holds_ohm < 700 < high.drops_ohm
    assert low.effect_pct == pytest.approx(-0.12)


def test_borders_of_no_one_voltage_are_said_not_to_agree():
    tried = searched(10.0, [18.0, 24.0]) + searched(14.0, [30.0])
    assert not compliance(tried, within_pct=0.1, current_mA=20.0).agrees


SEQUENCE = """sequence: load of the loop
type sheet: current-isolator
cautions: [none here]
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
  - loop compliance:
      supply: [14 V, 18 V, 24 V]
      load: 0 .. 1200 ohm
      to: 20 ohm
      at least: {24 V: 600 ohm, 14 V: 250 ohm}
"""


def test_on_a_simulated_loop_by_the_command(tmp_path):
    (tmp_path / "own.yaml").write_text(SEQUENCE)
    arguments = ("run", "own.yaml", "--bench", "simulated-influences", "--serial", "WT-7", "--fault", "loop compliance")
    done = forked.run((*arguments, "--json"), cwd=tmp_path, env=dict(os.environ), timeout_s=280)
    told = json.loads(done.stdout)
    (found,) = told["steps"]["loop_compliance"]
    # The fault: I = min(I, (Vs - 10 V) / R), so the border is (Vs - 10 V) / 20 mA: 200, 400, 700 ohm.
    for border, ohm in zip(found["borders"], (200, 400, 700), strict=True):
        assert border["holds_ohm"] <= ohm * 1.002
        assert border["drops_ohm"] >= ohm * 0.998
        assert border["drops_ohm"] - border["holds_ohm"] <= 20
    assert found["least_V"] == pytest.approx(10, abs=0.5)
    assert found["limits"][0].endswith("kept")
    assert found["limits"][1].endswith("NOT kept")
    assert done.returncode == 1
    assert told["verdict"]["result"] == "fail"
