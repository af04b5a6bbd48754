"""Whatever sequence and bench are asked for, no level outside the limits of unit, bench or source ever reaches a wire.

Levels are read from what the simulated source received; units, ranges and polarity at random.
"""

import math
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path

import injection
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.errors import PlanError
from instruments.units import Span, quantity

TYPE = """\
type: converter (invented)
input: {{range: {range}{limits}{more}}}
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
SOURCE = """\
instrument: source with ranges of its own
prepare: ["*RST"]
error query: {{ask: "SYST:ERR?"}}
event status: "*ESR?"
functions:
  own:
    sets: {unit}
    in: {wire_unit}
    select: ["SOUR:FUNC {word}"]
    set: "SOUR:{word} {{level:.7E}}"
    read back: "SOUR:{word}?"
    "on": ["OUTP ON"]
    "off": ["OUTP OFF"]
    output query: {{ask: "OUTP?"}}
    safe level: 0 {unit}
    ranges:
{ranges}"""
RANGE = (
    '      - {{range: {bottom} .. {top} {unit}, resolution: {step:g} {unit}, select: "SOUR:{word}:RANG {wire:.6G}"}}\n'
)

# mV of a thermocouple K at degC, reference junction at 0 degC: IEC 60584-1, from memory.
K_mV = {
    -50: -1.889, 0: 0.0, 100: 4.096, 200: 8.138, 300: 12.209, 400: 16.397, 500: 20.644, 600: 24.905, 700: 29.129,
}  # fmt: skip
JUNCTION_mV = {0: 0.0, 20: 0.798, 25: 1.0}


@dataclass(frozen=True)
class Kind:
    """A kind of input: its unit, the signal that is set for it, and how that goes over the wire."""

    values: tuple[float, ...] = field(repr=False)  # of the input, ascending
    unit: str
    word: str
    wire_unit: str
    per_unit: float  # of the wire, in one of the signal
    tops: tuple[float, ...]  # of the ranges of a source
    signal_unit: str = ""
    is_bipolar: bool = False
    slack: float = 0.0  # of the signal, beside 7 digits on the wire

    @property
    def signal(self):
        return self.signal_unit or self.unit


KINDS = (
    Kind(tuple(range(3001)), "Hz", "FREQ", "Hz", 1.0, tuple(range(100, 4001))),
    Kind(tuple(n / 100 for n in range(2501)), "mA", "CURR", "A", 1e-3, (10, 22, 25, 100)),
    Kind(tuple(n / 100 for n in range(-1000, 1201)), "V", "VOLT", "V", 1.0, (1, 5, 10, 12), is_bipolar=True),
    Kind(tuple(K_mV), "degC", "VOLT", "V", 1e-3, (10, 25, 100), signal_unit="mV", is_bipolar=True, slack=0.001),
)


@st.composite
def asked(draw):
    """A unit, points, a bench and the ranges of its source; most of them possible."""
    kind = draw(st.sampled_from(KINDS))
    last = len(kind.values) - 1
    least = 0 if kind.signal_unit else last // 100
    places = st.integers(0, last)
    low, high = sorted(draw(st.tuples(places, places).filter(lambda ends: abs(ends[0] - ends[1]) > least)))
    aside = st.integers(0, max(last // 10, 1))
    limits = draw(st.none() | st.tuples(aside, aside))
    junction = draw(st.sampled_from(sorted(JUNCTION_mV)))
    anywhere = st.integers(-1000, 1000).map(lambda share: round(kind.tops[-1] * share / 1000, 3))
    # Half of each is such that a plan is possible; or nearly all would be refused for one reason or another.
    inside = st.integers(low, high).map(lambda place: signal(kind, kind.values[place], junction))
    percents = st.integers(0, 100) | st.integers(-25, 125)
    spans = st.just([-1000, 10_000]) | st.tuples(anywhere, anywhere).filter(lambda ends: ends[0] != ends[1]).map(sorted)
    return {
        "kind": kind,
        "range": (kind.values[low], kind.values[high]),
        "is_reversed": draw(st.booleans()),
        "limits": limits and (kind.values[max(low - limits[0], 0)], kind.values[min(high + limits[1], last)]),
        "points": draw(st.lists(percents, min_size=2, max_size=4, unique=True).map(sorted)),
        "bench": draw(st.none() | spans),
        "source": sorted({draw(st.sampled_from(kind.tops)), draw(st.sampled_from(kind.tops[len(kind.tops) // 2 :]))}),
        "safe": draw(inside | st.none() | anywhere),
        "junction": junction,
        "is_corrected": draw(st.booleans()),
    }


HZ = {
    "kind": KINDS[0], "range": (0, 1000), "is_reversed": False, "limits": (0, 1200), "points": [0, 110], "bench": None,
    "source": [2000], "safe": None, "junction": 0, "is_corrected": False,
}  # fmt: skip


def plan_of(folder, what):
    kind, (low, high) = what["kind"], what["range"]
    limits = ", limits: {} .. {} {}".format(*what["limits"], kind.unit) if what["limits"] else ""
    more = ""
    if kind.signal_unit:  # the sensor states one junction, and another one was measured
        stated = 20 if what["is_corrected"] else what["junction"]
        more = f", sensor: {{thermocouple: K, cold junction: {stated} degC}}"
    if what["is_corrected"] and kind.signal_unit:
        more += f", correction: {{junction: {what['junction']} degC, uncertainty: 0.2 degC}}"
    elif what["is_corrected"] and kind.unit == "mA":
        more = ", correction: {shunt: 250 ohm, measured: 245 ohm, uncertainty: 0.1 ohm}"
    ends = (high, low) if what["is_reversed"] else (low, high)
    own = ", limits: {} .. {} {}".format(*what["bench"], kind.signal) if what["bench"] else ""
    own += f", safe level: {what['safe']} {kind.signal}" if what["safe"] is not None else ""
    ranges = "".join(
        RANGE.format(
            bottom=-top if kind.is_bipolar else 0, top=top, step=top / 10_000, unit=kind.signal, word=kind.word,
            wire=top * kind.per_unit,
        )
        for top in what["source"]
    )  # fmt: skip
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "own.yaml").write_text(
        SOURCE.format(unit=kind.signal, wire_unit=kind.wire_unit, word=kind.word, ranges=ranges), encoding="utf-8"
    )
    bench = injection.BENCH.replace("description: generic-scpi-source", "description: own.yaml")
    return injection.planned(
        folder,
        type_sheet=TYPE.format(range="{} .. {} {}".format(*ends, kind.unit), limits=limits, more=more),
        sequence=SEQUENCE.format(points=", ".join(f"{each} %" for each in what["points"])),
        bench=bench.replace("identity: SIMULATED SOURCE", f"identity: SIMULATED SOURCE{own}"),
    )


def signal(kind, value, junction_degC):
    """What the source must give for an input."""
    return K_mV[value] - JUNCTION_mV[junction_degC] if kind.signal_unit else value


def allowed(what):
    """Lowest and highest level that may be sent, but for a safe level that no stated limit speaks against."""
    low, high = (signal(what["kind"], end, what["junction"]) for end in what["limits"] or what["range"])
    bench_low, bench_high = what["bench"] or (-math.inf, math.inf)
    top = what["source"][-1]
    bottom = -top if what["kind"].is_bipolar else 0
    return max(low, bench_low, bottom), min(high, bench_high, top)


def levels(what, trial):
    """What the source was told, in the unit of the signal."""
    head = f"SOUR:{what['kind'].word} "
    sent = [message for _, name, message in trial.wire if name == "source" and message.startswith(head)]
    return [float(message.removeprefix(head)) / what["kind"].per_unit for message in sent]


def within(what, level):
    low, high = allowed(what)
    slack = 1e-6 * max(what["source"]) + what["kind"].slack
    return low - slack <= level <= high + slack


def check(what, trial):
    safe = what["safe"] or 0
    told = levels(what, trial)
    assert told
    for level in told:
        assert within(what, level) or (level == pytest.approx(safe, abs=1e-9) and not what["limits"])
    assert trial.ask("OUTP?") == 0


def check_of(what):
    """Plan what is asked for, run it, look at the wire."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            plan = plan_of(folder, what)
        except PlanError:
            return  # refused before anything was opened
        trial = injection.Trial(plan, folder / "results", injection.Strike())
        assert trial.outcome.status == "complete"
        check(what, trial)


@settings(max_examples=100)
@given(what=asked())
def test_no_level_outside_the_limits_reaches_the_wire(what):
    check_of(what)


def check_strayed(what, strayed):
    """Run a plan whose levels were changed after it was looked at."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        try:
            plan = plan_of(folder, what | {"points": [0, 100]})
        except PlanError:
            return
        one = quantity(f"1 {what['kind'].signal}")
        points = tuple(replace(point, level=one * level) for point, level in zip(plan.points, strayed, strict=False))
        trial = injection.Trial(replace(plan, points=points), folder / "results", injection.Strike())
        check(what, trial)
        assert trial.outcome.status == "complete" or "refused" in trial.outcome.reason


@settings(max_examples=60)
@given(what=asked(), strayed=st.lists(st.integers(-1000, 100_000) | st.just(float("nan")), min_size=1, max_size=5))
def test_a_plan_that_was_changed_behind_its_back_is_refused_at_the_set(what, strayed):
    check_strayed(what, strayed)


def test_the_property_can_fail(tmp_path):
    trial = injection.Trial(plan_of(tmp_path, HZ), tmp_path / "results", injection.Strike())
    assert max(levels(HZ, trial)) == pytest.approx(1100)
    with pytest.raises(AssertionError):
        check(HZ | {"limits": (0, 1099)}, trial)


def test_without_the_check_at_the_set_the_property_fails(monkeypatch):
    monkeypatch.setattr(Span, "holds", lambda *_, **__: True)
    with pytest.raises(AssertionError):
        check_strayed(HZ, [1500])


def test_without_the_check_of_the_plan_the_property_fails(monkeypatch):
    monkeypatch.setattr("sequencer.planning.plan.refuse_what_harms", lambda *_: None)
    with pytest.raises(AssertionError):  # refused at the set, with the output on already
        check_of(HZ | {"limits": (0, 1050)})


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.unit)
@pytest.mark.parametrize("is_reversed", [False, True], ids=["direct", "reversed"])
def test_each_kind_of_input_is_run_and_not_only_refused(tmp_path, kind, is_reversed):
    # Of these every level is possible: 0 to 100 % of a range within a range of the source.
    low, high = kind.values[len(kind.values) // 2], kind.values[len(kind.values) * 3 // 4]
    what = HZ | {
        "kind": kind, "range": (low, high), "is_reversed": is_reversed, "limits": None, "points": [0, 100],
        "source": list(kind.tops[-1:]), "junction": 25, "is_corrected": True,
    }  # fmt: skip
    trial = injection.Trial(plan_of(tmp_path, what), tmp_path / "results", injection.Strike())
    assert trial.outcome.status == "complete"
    check(what, trial)
    reached = {round(level, 2) for level in levels(what, trial)}
    assert {round(signal(kind, end, 25), 2) for end in (low, high)} <= reached
