"""An output that is held at a limit stands still before what lies behind it: no tap may be read while it moves.

The truth is the simulated plant's own signal long after it was driven there; it knows nothing of settling.
"""

import pytest

from instruments.shipped import shipped
from instruments.simulated.setup import entry_from_text
from sequencer import core

SEQUENCE = """\
sequence: pump loop in one cycle
type sheet: {sheet}
settled within: 10 %
if never settled: go on
steps:
  - exercise: {{cycles: 1}}
  - traverse: {{points: 11, cycles: 1, readings: 2}}
"""
SPANS = {"demand": 16, "speed": 1200, "pulse": 1200, "returned": 16}
# Of the sequence and the type sheet: settled within 10 % of the tolerance of 0.8 % of span; beside that the noise of
# the simulated unit (0.004 % for a reading) and of its instruments (tachometer 0.1 rpm, 0.01 % of span).
BAND_PCT = 0.08 + 0.02
SLOW = "lag, stage=drive, tau=9 s"


@pytest.fixture
def pump_loop(tmp_path):
    """Plans one cycle of the pump loop with faults."""

    def planned(*faults):
        path = tmp_path / "loop.yaml"
        sheet = shipped("sequences", "types", "glycol-pump-loop.yaml")
        path.write_text(SEQUENCE.format(sheet=sheet), encoding="utf-8")
        bench = core.load_bench("simulated")
        return core.plan(path, bench.with_simulation(seed=1, faults=tuple(entry_from_text(each) for each in faults)))

    return planned


def errors_pct(ran):
    """Each reading of the taps less where the plant comes to rest at its setpoint, % of span.

    It comes to rest on the branch that it was read on: the unit has a little hysteresis by nature.
    """
    table, plant = ran.record.readings, ran.simulated[0].plant
    rest, at_s = {}, 1e5
    ends = {"up": table["commanded"].min(), "down": table["commanded"].max()}
    for commanded, direction in table[["commanded", "direction"]].drop_duplicates().itertuples(index=False):
        for level in (ends[direction], commanded):
            plant.drive(at_s, float(level))
            at_s += 1000  # a hundred of the longest time constant here
        rest[commanded, direction] = {name: plant.signal(tap, at_s) for tap, name in enumerate(SPANS)}
    away = [
        100 * (row.signal - rest[row.commanded, row.direction][row.tap]) / SPANS[row.tap] for row in table.itertuples()
    ]
    return table.assign(away_pct=away)


@pytest.mark.parametrize(
    ("faults", "held"),
    [
        (("span error, stage=drive, span=10 %",), {100}),
        (("span error, stage=drive, span=10 %", SLOW), {100}),
        # On the way down the output leaves the limit late.
        (("span error, stage=drive, span=25 %", SLOW), {90, 100}),
        (("zero shift, stage=converter, zero=-6 %", SLOW), {0}),
        (("low frequency cut-off, stage=converter, cut off=12 %",), {0, 10}),
        # Held at 4.48 mA, which is not the end of the range.
        (
            ("low frequency cut-off, stage=converter, cut off=12 %", "zero shift, stage=converter, zero=3 %", SLOW),
            {0, 10},
        ),
    ],
    ids=["high", "high and slow", "far too high", "low and slow", "cut-off", "cut-off, shifted and slow"],
)
def test_no_tap_is_read_while_it_moves_behind_a_held_output(pump_loop, run, faults, held):
    ran = run(pump_loop(*faults))
    found = errors_pct(ran)
    assert set(found["settling"]) == {"steady"}
    assert found["away_pct"].abs().max() <= BAND_PCT
    waited = {line["number"] for line in ran.lines if line["kind"] == "settled" and line["held_s"] > 0}
    assert held <= set(found[found["number"].isin(waited)]["setpoint_pct"].round())


@pytest.mark.parametrize("sequence", ["glycol-pump-loop", "pulse-to-current", "differential-pressure-flow"])
def test_a_unit_within_its_range_is_not_kept_waiting(run, sequence):
    ran = run(core.plan(sequence, "simulated"))
    assert not [line for line in ran.lines if line["kind"] == "settled" and line["held_s"] > 0]


def test_a_held_output_waits_no_longer_than_the_longest_settling(pump_loop, run):
    planned = pump_loop("stuck output, stage=converter, level=100 %", "lag, stage=drive, tau=30 s")
    longest_s = planned.points[0].rule.maximum_s
    assert max(line["after_s"] for line in run(planned).lines if line["kind"] == "settled") <= longest_s + 1
