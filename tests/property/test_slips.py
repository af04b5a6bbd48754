"""Tables that a person wrote: slips of the pen lead, whatever their kind and place; a fault of the unit is none.

The plants are written down here: a linear unit by its two ends, with some scatter.
"""

import numpy as np
import pytest
from hypothesis import Phase, assume, given, settings
from hypothesis import strategies as st

from sequencer import core

TYPE = """type: level of a tank (invented)
input: {{range: 0 .. 16 bar}}
output: {{range: {range}}}
characteristic: linear
tolerance: 0.25 % of span
time constant: 100 ms
settling: {{minimum: 300 ms, maximum: 10 s}}
"""
RANGES = {"4 .. 20 mA": (4.0, 20.0, "mA"), "20 .. 4 mA": (20.0, 4.0, "mA"), "0 .. 10 V": (0.0, 10.0, "V")}
UP = np.linspace(0, 1, 11)
FRACTIONS = np.concatenate((UP, UP[-2::-1]))
TOLERANCE = 0.0025


@pytest.fixture(scope="module")
def leading(tmp_path_factory):
    """Tells what leads for a table: the kind of the first candidate, its text and its weight."""
    folder = tmp_path_factory.mktemp("slips")

    def lead(ends, inputs, outputs, *, has_setpoints):
        sheet, path = folder / "type.yaml", folder / "hand.csv"
        sheet.write_text(TYPE.format(range=ends), encoding="utf-8")
        heading = f"injected [bar];returned [{RANGES[ends][2]}]"
        rows = [f"{x};{y}" for x, y in zip(inputs, outputs, strict=True)]
        if has_setpoints:
            heading = f"setpoint;{heading}"
            rows = [f"{100 * frac:g};{row}" for frac, row in zip(FRACTIONS, rows, strict=True)]
        path.write_text("\n".join([heading, *rows]), encoding="utf-8")
        return core.by_hand(path, sheet)

    return lead


def written(ends, fractions, seed, sd):
    low, high, _ = RANGES[ends]
    noisy = fractions + np.random.default_rng(seed).normal(0, sd, fractions.size)
    return [f"{value:.3f}" for value in low + (high - low) * noisy]


PHASES = (Phase.explicit, Phase.reuse, Phase.generate)  # a table takes a second: what fails is told as drawn
SEEDS = st.integers(0, 2**31)
ROWS = st.integers(1, FRACTIONS.size - 2)


@settings(max_examples=12, deadline=None, phases=PHASES)
@given(
    ends=st.sampled_from(sorted(RANGES)), seed=SEEDS, at=st.lists(ROWS, min_size=1, max_size=3, unique=True),
    columns=st.lists(st.sampled_from(["input", "output"]), min_size=3, max_size=3),
    factors=st.lists(st.sampled_from([0.1, 10.0, -1.0]), min_size=3, max_size=3), has_setpoints=st.booleans(),
)  # fmt: skip
def test_a_factor_at_a_few_cells_leads_and_each_is_named(leading, ends, seed, at, columns, factors, has_setpoints):
    # Of neighbours that were not set to anything either column may be the one that is wrong.
    assume(has_setpoints or not {row + 1 for row in at} & set(at))
    table = {
        "input": [f"{16 * frac:.3f}" for frac in FRACTIONS],
        "output": written(ends, FRACTIONS, seed, TOLERANCE / 20),
    }
    changed = {}
    for row, column, factor in zip(at, columns, factors, strict=False):
        right = table[column][row]
        assume(abs(float(right)) > (1.6 if column == "input" else 1.0))  # near nothing any factor fits
        table[column][row] = f"{float(right) * factor:.6g}"
        changed[row] = (column, right)
    found = leading(ends, table["input"], table["output"], has_setpoints=has_setpoints)
    top = found.findings.ranking[0]
    assert top.is_only("transcription")
    assert found.findings.stage.endswith("(what was written down, not the unit)")
    for row, (_, right) in changed.items():
        assert f"line {row + 2}, " in top.text
        assert f"{float(right):.6g} " in top.text
    assert found.adjustment is None


def faulty(kind, size, seed, at):
    """Output fractions of a unit that has a fault, or of a good one in a loop that has one."""
    way = np.where(np.arange(FRACTIONS.size) < UP.size, 1, -1)
    sizes = {
        "span": FRACTIONS * (1 + 10 * size),
        "zero": FRACTIONS + 5 * size,
        "hysteresis": FRACTIONS - way * 5 * size * 4 * FRACTIONS * (1 - FRACTIONS),
        "bow": FRACTIONS + 5 * size * 4 * FRACTIONS * (1 - FRACTIONS),
        "noise": FRACTIONS + np.random.default_rng(seed + 1).normal(0, 2 * size, FRACTIONS.size),
        "clamp": np.minimum(FRACTIONS, 0.95 - 50 * size),
    }
    if kind in sizes:
        return sizes[kind]
    open_frac = {"open to 0 mA": -0.25, "open to 3.6 mA": -0.025}[kind]
    found = FRACTIONS.copy()
    found[at] = open_frac
    return found


@settings(max_examples=16, deadline=None, phases=PHASES)
@given(
    kind=st.sampled_from(["span", "zero", "hysteresis", "bow", "noise", "clamp", "open to 0 mA", "open to 3.6 mA"]),
    size=st.floats(0.002, 0.006), seed=SEEDS, at=st.lists(ROWS, min_size=1, max_size=3, unique=True),
    has_setpoints=st.booleans(),
)  # fmt: skip
def test_a_fault_of_the_unit_or_the_loop_is_no_slip(leading, kind, size, seed, at, has_setpoints):
    outputs = written("4 .. 20 mA", faulty(kind, size, seed, at), seed, TOLERANCE / 20)
    inputs = [f"{16 * frac:.3f}" for frac in FRACTIONS]
    found = leading("4 .. 20 mA", inputs, outputs, has_setpoints=has_setpoints)
    assert found.findings.is_fault
    assert not found.findings.ranking[0].is_only("transcription")
    assert not found.advice.startswith("Correct the readings first")
