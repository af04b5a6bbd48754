"""Influence of a quantity: effects against closed forms, and on a simulated unit whose effect is known."""

import json
import os

import forked
import numpy as np
import pytest

from sequencer.evaluation.influence import Stay, effect


def stays(levels, *, per_V=0.0, per_s=0.0, u=0.001, noise=None):
    """A minute at each level; the value moves with the level and with time, and scatters as is given."""
    scatter = np.zeros(len(levels)) if noise is None else noise
    return [
        Stay(level=level, at_s=60.0 * number, value=per_V * (level - 24) + per_s * 60.0 * number + off, u=u)
        for number, (level, off) in enumerate(zip(levels, scatter, strict=True))
    ]


LED = (24, 12, 24, 18, 24, 30, 24)


def test_a_drift_that_is_straight_in_time_is_no_effect():
    found = effect(stays(LED, per_V=0.02, per_s=1e-4), 24)
    assert found.levels.tolist() == [12, 18, 30]
    assert found.change == pytest.approx([-0.24, -0.12, 0.12], abs=1e-12)  # the effect alone, by hand
    assert found.per_unit == pytest.approx(0.02)
    assert found.is_proportional
    assert found.drift == pytest.approx(0.036)


def test_led_one_way_without_returns_the_drift_is_not_told_and_nothing_is_taken_off():
    found = effect(stays((24, 12, 18, 30), per_s=1e-4), 24)
    assert found.change == pytest.approx([0.006, 0.012, 0.018])
    assert found.returns_n == 0


def test_a_cliff_is_not_proportional():
    found = effect(stays(LED, noise=[-1.0 if level < 15 else 0.0 for level in LED]), 24)
    assert found.is_proportional is False
    assert found.largest == 0


def test_no_value_at_the_reference_is_an_error():
    with pytest.raises(ValueError, match="reference"):
        effect(stays((12, 18)), 24)


def test_the_intervals_hold_the_true_change():
    """Normal scatter between stays that nobody stated: the truth is 0.02 a volt; 95.45 % wanted, of 2000 changes."""
    rng = np.random.default_rng(3)
    held = 0
    for _ in range(500):
        noise = 0.01 * rng.standard_normal(len(LED) + 4)
        led = (*LED, 21, 24, 27, 24)
        found = effect(stays(led, per_V=0.02, u=1e-6, noise=noise), 24)
        held += int((np.abs(found.change - 0.02 * (found.levels - 24)) <= found.U).sum())
    assert held / 2500 > 0.93
    # And not by being endless: U of a mean of two scatters of 0.01 and a shared one is a few hundredths.
    assert float(np.median(found.U)) < 0.1


SEQUENCE = """sequence: influence of supply and load
type sheet: current-isolator
cautions: [none here]
steps:
  - traverse: {points: 3, cycles: 1, readings: 2}
  - influence:
      of: load
      reference: 250 ohm
      at: 500 ohm
      repeat:
        - influence:
            of: supply voltage
            reference: 24 V
            at: [18 V, 21 V, 27 V, 30 V]
            at most: 0.3 %
            repeat: [traverse: {points: 2, cycles: 1, readings: 2, end pair: no}]
"""


@pytest.fixture(scope="module")
def ran(tmp_path_factory):
    folder = tmp_path_factory.mktemp("influence")
    (folder / "own.yaml").write_text(SEQUENCE)
    fault = "supply effect, zero=0.03 %, span=0.01 %"
    done = forked.run(
        ("run", "own.yaml", "--bench", "simulated-influences", "--serial", "WT-7", "--fault", fault, "--json"),
        cwd=folder,
        env=dict(os.environ),
        timeout_s=240,
    )
    return folder, done


def test_nested_quantities_are_led_through_and_told_each_at_each_level_of_the_other(ran):
    folder, done = ran
    assert done.returncode == 0, done.stdout + done.stderr
    told = json.loads(done.stdout)["steps"]["influence"]
    inner = [each for each in told if each["quantity"] == "supply voltage"]
    assert [each["beside"] for each in inner] == ["load 250 Ω", "load 500 Ω", "load 250 Ω"]
    for each in inner:
        values = {value["name"]: value for value in each["values"]}
        # k at the zero, and k and the share of the span at the top: as the fault is defined.
        for name, per_V in (("output at 0 %", 0.03), ("output at 100 %", 0.04), ("span", 0.01)):
            found = values[name]
            assert found["per_unit"] == pytest.approx(per_V, abs=3 * found["U_per_unit"] / 2)
            assert found["U_per_unit"] < 0.004
    # The levels were sent to the supply, and the journal tells each.
    (journal,) = folder.glob("results/*/journal.jsonl")
    lines = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines()]
    held = [(line["quantity"], line["level"]) for line in lines if line["kind"] == "held"]
    assert held[:4] == [
        ("load", "250 Ω"),
        ("supply voltage", "24 V"),
        ("supply voltage", "18 V"),
        ("supply voltage", "24 V"),
    ]
    sent = [line.get("sent", "") for line in lines if line["kind"] == "exchange" and line.get("instrument") == "supply"]
    assert any(text.startswith("SOUR:VOLT 1.8") for text in sent), sent[:20]
    # And the supply was made safe with the source.
    safe = {line["instrument"]: line["level"] for line in lines if line["kind"] == "safe"}
    assert safe["supply"] == "0 V"


def test_a_limit_that_is_not_kept_fails_the_unit(ran):
    folder, _ = ran
    (folder / "tight.yaml").write_text(SEQUENCE.replace("at most: 0.3 %", "at most: 0.1 %"))
    done = forked.run(
        (
            "run",
            "tight.yaml",
            "--bench",
            "simulated-influences",
            "--serial",
            "WT-8",
            "--fault",
            "supply effect, zero=0.03 %",
        ),
        cwd=folder,
        env=dict(os.environ),
        timeout_s=240,
    )
    assert done.returncode == 1, done.stdout + done.stderr
    assert "FAIL" in done.stdout
    assert "at most 0.1 % of span" in done.stdout
    assert max(len(line) for line in done.stdout.splitlines()) <= 80


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("at: [18 V, 30 mA]", "levels like the reference"),
        ("at: [24 V, 30 V]", "each level once"),
        ("at: [18 V, 300 V]", "sets no"),
    ],
)
def test_levels_that_cannot_be_are_refused_before_anything_is_energised(tmp_path, written, says):
    (tmp_path / "own.yaml").write_text(SEQUENCE.replace("at: [18 V, 21 V, 27 V, 30 V]", written))
    done = forked.run(
        ("plan", "own.yaml", "--bench", "simulated-influences"), cwd=tmp_path, env=dict(os.environ), timeout_s=120
    )
    assert done.returncode == 2
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_what_no_instrument_holds_a_person_is_asked_for(tmp_path):
    (tmp_path / "own.yaml").write_text(SEQUENCE)
    done = forked.run(
        ("run", "own.yaml", "--bench", "simulated", "--serial", "WT-9"),
        cwd=tmp_path,
        env=dict(os.environ),
        timeout_s=120,
    )
    assert done.returncode != 0
    assert "Traceback" not in done.stderr
    assert "Bring load to" in done.stdout + done.stderr or "no operator" in done.stdout + done.stderr


def test_nothing_per_unit_is_told_from_a_level_where_the_output_is_clipped():
    # 0.02 % a volt, by hand; at 12 V the current is what the load lets through, and a hysteresis there is none of 12 V.
    held = effect(stays(LED, per_V=0.02), 24)
    clipped = effect(stays(LED, per_V=0.02, noise=[-49.0 if level < 15 else 0.0 for level in LED]), 24, not_held={12.0})
    assert held.per_unit == pytest.approx(0.02)
    assert clipped.per_unit == pytest.approx(0.02)
    assert clipped.change[0] == pytest.approx(-49.24)  # it is told all the same
    assert clipped.not_held == (12.0,)
    assert np.isnan(effect(stays((24, 12, 24), noise=[0, -49, 0]), 24, not_held={12.0}).per_unit)


CLIPPED = """sequence: a supply that is too low for the load
type sheet: current-isolator
cautions: [none here]
steps:
  - influence:
      of: supply voltage
      reference: 24 V
      at: [14 V, 20 V, 30 V]
      repeat: [traverse: {points: 3, cycles: 2, readings: 3}]
"""


def test_a_clipped_level_is_named_and_its_hysteresis_is_no_effect_of_the_supply(tmp_path):
    (tmp_path / "own.yaml").write_text(CLIPPED)
    arguments = ("run", "own.yaml", "--bench", "simulated-influences", "--serial", "WT-9")
    faults = ("--fault", "loop compliance", "--fault", "supply effect")
    done = forked.run((*arguments, *faults, "--json"), cwd=tmp_path, env=dict(os.environ), timeout_s=280)
    (found,) = json.loads(done.stdout)["steps"]["influence"]
    by_name = {each["name"]: each for each in found["values"]}
    # (14 - 10) V / 250 ohm = 16 mA of 20 mA: 25 % of the span are missing. The supply alone makes 0.02 % a volt.
    assert by_name["output at 100 %"]["change"][0] == pytest.approx(-25, abs=0.5)
    assert by_name["output at 100 %"]["per_unit"] == pytest.approx(0.02, abs=0.003)
    hysteresis = by_name["hysteresis"]
    assert abs(hysteresis["per_unit"]) <= hysteresis["U_per_unit"]
