"""Whatever sequence and bench are asked for, no level outside the limits of unit, bench or source ever reaches a wire.

Levels are read from what the simulated source received.
"""

import tempfile
from dataclasses import replace
from pathlib import Path

import injection
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.description import DESCRIPTIONS
from instruments.errors import InputError, PlanError
from instruments.units import quantity

TYPE = """\
type: pulse rate converter (invented)
input: {{range: {low} .. {high} Hz{limits}}}
output: {{range: 4 .. 20 mA}}
tolerance: 1 % of span
settling: {{minimum: 20 ms, maximum: 1 s}}
"""
SEQUENCE = """\
sequence: short acceptance
type sheet: short.type.yaml
steps:
  - traverse: {{points: [{points}], cycles: 1, readings: 1}}
"""
hz = st.integers(0, 3000)


@st.composite
def asked(draw):
    """A unit, points, a bench and the ranges of its source; most of them possible."""
    low, high = sorted(draw(st.tuples(hz, hz).filter(lambda ends: abs(ends[0] - ends[1]) > 10)))
    limits = draw(st.none() | st.tuples(st.integers(0, 300), st.integers(0, 300)))
    return {
        "range": (low, high),
        "limits": limits and (max(low - limits[0], 0), high + limits[1]),
        "points": draw(st.lists(st.integers(-25, 125), min_size=2, max_size=4, unique=True).map(sorted)),
        "bench": draw(st.none() | st.tuples(hz, hz).map(sorted)),
        "source": sorted(draw(st.lists(st.integers(100, 4000), min_size=1, max_size=3, unique=True))),
        "safe": draw(st.none() | hz),
    }


def plan_of(folder, what):
    low, high = what["range"]
    limits = ", limits: {} .. {} Hz".format(*what["limits"]) if what["limits"] else ""
    own = ", limits: {} .. {} Hz".format(*what["bench"]) if what["bench"] else ""
    own += f", safe level: {what['safe']} Hz" if what["safe"] is not None else ""
    text = (DESCRIPTIONS / "generic-scpi-source.yaml").read_text(encoding="utf-8")
    ranges = "".join(
        f'      - {{range: 0 .. {top} Hz, resolution: 0.1 Hz, select: "SOUR:FREQ:RANG {top}"}}\n'
        for top in what["source"]
    )
    before, _, rest = text.partition("      - {range: 0 .. 1000 Hz,")
    text = before + ranges + rest[rest.index("  resistance:") :]
    (folder / "own.yaml").write_text(text, encoding="utf-8")
    bench = injection.BENCH.replace("description: generic-scpi-source", "description: own.yaml")
    return injection.planned(
        folder,
        type_sheet=TYPE.format(low=low, high=high, limits=limits),
        sequence=SEQUENCE.format(points=", ".join(f"{each} %" for each in what["points"])),
        bench=bench.replace("identity: SIMULATED SOURCE", f"identity: SIMULATED SOURCE{own}"),
    )


def allowed(what):
    """Lowest and highest level that may be sent, but for a safe level that no stated limit speaks against."""
    low, high = what["limits"] or what["range"]
    bench_low, bench_high = what["bench"] or (0, 1e9)
    return max(low, bench_low), min(high, bench_high, what["source"][-1])


def levels(trial):
    sent = [message for _, name, message in trial.wire if name == "source" and message.startswith("SOUR:FREQ ")]
    return [float(message.removeprefix("SOUR:FREQ ")) for message in sent]


def within(what, level):
    low, high = allowed(what)
    slack = 1e-6 * max(what["source"])  # 8 digits on the wire
    return low - slack <= level <= high + slack


def check(what, trial):
    safe = what["safe"] or 0
    for level in levels(trial):
        assert within(what, level) or (level == safe and not what["limits"])
    assert trial.ask("OUTP?") == 0


@settings(max_examples=60)
@given(what=asked())
def test_no_level_outside_the_limits_reaches_the_wire(what):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            plan = plan_of(folder, what)
        except (InputError, PlanError):
            return  # refused before anything was opened
        trial = injection.Trial(plan, folder / "results", injection.Strike())
        assert trial.outcome.status == "complete"
        check(what, trial)


@settings(max_examples=40)
@given(what=asked(), strayed=st.lists(st.integers(-1000, 100_000) | st.just(float("nan")), min_size=1, max_size=5))
def test_a_plan_that_was_changed_behind_its_back_is_refused_at_the_set(what, strayed):
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            plan = plan_of(folder, what | {"points": [0, 100]})
        except (InputError, PlanError):
            return
        points = tuple(
            replace(point, level=quantity("1 Hz") * level) for point, level in zip(plan.points, strayed, strict=False)
        )
        trial = injection.Trial(replace(plan, points=points), folder / "results", injection.Strike())
        check(what, trial)
        assert trial.outcome.status == "complete" or "refused" in trial.outcome.reason


def test_the_property_can_fail(tmp_path):
    what = {"range": (0, 1000), "limits": (0, 1200), "points": [0, 110], "bench": None, "source": [2000], "safe": None}
    trial = injection.Trial(plan_of(tmp_path, what), tmp_path / "results", injection.Strike())
    assert max(levels(trial)) == pytest.approx(1100)
    with pytest.raises(AssertionError):
        check(what | {"limits": (0, 1099)}, trial)
