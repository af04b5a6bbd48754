"""How long the points of a plan will take: settling as the rule will declare it, readings, and talk on the lines.

Pure: no clock, no instrument. What a unit did in earlier runs comes in as numbers (`jobs/earlier_runs`).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from instruments.benchfile import LoadedBench
from instruments.datasheet import DataSheet
from instruments.description import Description
from instruments.functions import Function
from instruments.units import is_alike
from instruments.wiring import Held, Port, Wire
from sequencer.inputs.settling_rule import SettlingRule
from sequencer.inputs.step import Setpoint

__all__ = ["PointTime", "Talk", "near_s", "point_times", "pulse_waits_s", "talk_of"]

# One question and its answer by the kind of line, in s: common practice, no source. A real one is measured in a run.
_EXCHANGE_S = {"GPIB": 0.004, "USB": 0.002, "ASRL": 0.03, "SOCKET": 0.002, "INSTR": 0.005}
_KEPT_S = 0.003  # one reading synced to the disk; the same
_SILENCE_S = 0.2  # that a line is listened to before it is trusted (`instruments.session`)
_NO_PULSE_S = 1.0  # so long a counter waits for a pulse before it says that there is none: common practice, no source
_PERSON_SETS_S, _PERSON_READS_S = 15.0, 8.0  # a person at a knob, and at a display and the keys: the same
_PREPARED_N = 8  # exchanges to identify, clear, set up, make safe and select one instrument
_SWITCHED_N = 2  # exchanges to connect another unit: channels opened and closed, and asked whether they are
_LATE = 1.01  # settling is declared so much later than it is true (tests/bench/bench_settling.py)
_FIT_SPAN, _FIT_N = 2.0, 8  # what is watched at least where no step is to be seen: in time constants, in readings
_SPARSE, _SPARSE_N = 0.4, 4  # readings so far apart, in time constants, are judged from so many


@dataclass(frozen=True, slots=True)
class PointTime:
    """What one point takes, in s: until it is declared steady, and for its readings.

    `waits_s` is that part of the readings which passes whatever the bench: until a time that is stated, or for one.
    """

    settles_s: float
    reads_s: float
    waits_s: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Talk:
    """What a bench takes beside the unit, in s.

    Attributes:
        set_s: to set a level, until the source has settled to it, or a person has done it.
        close_check_s: to look at the source before a level is left.
        read_s: one reading of each tap, range change included where two taps share an instrument.
        check_s: to look at what reads each tap, or for a person to read it and type.
        kept_s: to keep one reading.
        begin_s: from the first exchange to the first point.
        held_s: to bring each quantity that an instrument holds beside the input to another level, by its name.
        switch_s: to connect another unit by the scanner; 0 where there is none.
    """

    set_s: float
    close_check_s: float
    read_s: Mapping[str, float]
    check_s: Mapping[str, float]
    kept_s: float
    begin_s: float
    held_s: Mapping[str, float] = field(default_factory=dict)
    switch_s: float = 0.0


def talk_of(
    bench: LoadedBench,
    sheet: DataSheet,
    wires: Sequence[Wire],
    held: Sequence[Held] = (),
    measured_s: Mapping[str, float] | None = None,
) -> Talk:
    """What the bench takes, by its descriptions and, where one was measured, by the time of an exchange.

    Args:
        bench: with its descriptions.
        sheet: of the unit.
        wires: what serves which tap.
        held: what instruments hold beside the input.
        measured_s: time of one exchange by instrument; None = nothing was measured, so it is that of its kind of line.
    """
    all_wires = (*wires, *(each.wire for each in held))
    ports = [port for each in all_wires for port in (each.source, each.receiver) if port is not None]
    each_s = {port.instrument: _exchange_s(bench, port.instrument, measured_s or {}) for port in ports}
    readers = [each.receiver.instrument for each in wires if each.receiver is not None]
    source = next(each.source for each in wires if each.source is not None)
    driving, drives = bench.descriptions[source.instrument], _function(bench, source.instrument, source.function)
    looks_n = (drives.output_query is not None) + (drives.read_back is not None)
    power_n = driving.event_status is not None
    per_s = each_s[source.instrument]
    read_s, check_s, held_s = {}, {}, {}
    begin_s = 0.0
    for port in (each.source for each in all_wires):
        if port is not None:
            function = _function(bench, port.instrument, port.function)
            begin_s += 2 * each_s[port.instrument] + function.settling_after_range_change + function.settling
    for quantity in held:
        port = quantity.wire.source
        assert port is not None
        held_s[quantity.name] = _set_s(bench, port, each_s[port.instrument])
    for each, _tap in zip(wires, sheet.taps, strict=True):
        if each.receiver is None:
            continue
        name = each.receiver.instrument
        function = _function(bench, name, each.receiver.function)
        change_s = 2 * each_s[name] + function.settling_after_range_change
        change_s += function.discard_after_range_change * (function.takes + each_s[name])
        read_s[each.tap] = function.takes + each_s[name] + (change_s if readers.count(name) > 1 else 0.0)
        is_keyed = bench.descriptions[name].kind == "keyed"
        check_s[each.tap] = _PERSON_READS_S if is_keyed else each_s[name] * _checks_n(bench.descriptions[name])
        begin_s += change_s
    switch_s = 0.0
    if bench.file.units is not None:
        name = bench.file.units.connected_by
        each_s[name] = _exchange_s(bench, name, measured_s or {})
        switch_s = bench.descriptions[name].takes + _SWITCHED_N * each_s[name]
    is_real = not bench.file.is_simulated
    remote = [name for name in each_s if bench.descriptions[name].kind == "remote"]
    begin_s += sum(_PREPARED_N * each_s[name] + _SILENCE_S for name in remote)
    return Talk(
        set_s=_set_s(bench, source, per_s),
        close_check_s=per_s * _in_messages(driving, (power_n, looks_n)),
        read_s=read_s,
        check_s=check_s,
        kept_s=_KEPT_S if is_real else 0.0,
        begin_s=begin_s,
        held_s=held_s,
        switch_s=switch_s,
    )


def _set_s(bench: LoadedBench, port: Port, exchange_s: float) -> float:
    """To set one source, until it has settled to it, or a person has done it."""
    description, function = bench.descriptions[port.instrument], _function(bench, port.instrument, port.function)
    asks = (description.error_query is not None, function.read_back is not None, description.event_status is not None)
    by_person_s = _PERSON_SETS_S if description.kind == "keyed" else 0.0
    return exchange_s * _in_messages(description, asks) + function.settling + by_person_s


def _function(bench: LoadedBench, instrument: str, function: str) -> Function:
    return bench.descriptions[instrument].functions[function]


def _checks_n(description: Description) -> int:
    """Exchanges that show whether a reader has lost its settings; a keyed one is not asked."""
    rides_along = description.compound and description.event_status is not None
    return int(description.kind == "remote" and not rides_along)


def _in_messages(description: Description, questions: Sequence[int]) -> int:
    """How many messages some questions go in."""
    return min(sum(questions), 1) if description.compound else sum(questions)


def _exchange_s(bench: LoadedBench, name: str, measured_s: Mapping[str, float]) -> float:
    """One question and its answer."""
    description = bench.descriptions[name]
    if bench.file.is_simulated or description.kind == "keyed":
        return 0.0
    resource = bench.file.instruments[name].resource.upper()
    if name in measured_s:
        return measured_s[name]
    kinds = (kind for kind in _EXCHANGE_S if resource.startswith(kind) or resource.endswith(kind))
    return _EXCHANGE_S[next(kinds, "INSTR")] + description.query_delay


def point_times(
    points: Sequence[tuple[int, Setpoint, SettlingRule]],
    talk: Talk,
    *,
    last: str,
    known: Mapping[int, PointTime] | None = None,
    waits_s: Sequence[Mapping[str, float]] | None = None,
) -> tuple[PointTime, ...]:
    """What each point of a plan takes, in order.

    Args:
        points: number of the step, where it goes, and its rule, from the first of the plan on.
        talk: what the bench takes.
        last: the tap that settling is watched at.
        known: what points, by their place from 1, took in earlier runs.
        waits_s: of each point, as `pulse_waits_s` has them; None = no reading waits.
    """
    found, begun_s, now_s, stand = [], dict[int, float](), 0.0, dict[str, str]()
    for place, (step, setpoint, rule) in enumerate(points, start=1):
        begun_s.setdefault(step, now_s)
        settles_s = 0.0 if setpoint.is_again or setpoint.is_still else talk.set_s
        settles_s += sum(talk.held_s.get(name, 0.0) for name, level in setpoint.under if stand.get(name) != level)
        stand.update(setpoint.under)
        if setpoint.is_waited_for and not setpoint.is_still:
            settles_s += _declared_s(rule, talk.read_s[last])
        due_s = max(begun_s[step] + setpoint.due_s - now_s - settles_s, 0.0) if setpoint.due_s else 0.0
        longer = {} if waits_s is None else waits_s[place - 1]
        own_s = _reads_s(setpoint, talk, settles_s, longer)
        stated_s = due_s + min(own_s, max(setpoint.lasts_s, (setpoint.readings_n - 1) * setpoint.every_s))
        time = (known or {}).get(place) or PointTime(settles_s, due_s + own_s)
        found.append(replace(time, waits_s=min(stated_s, time.reads_s)))
        now_s += found[-1].settles_s + found[-1].reads_s
    return tuple(found)


def near_s(setpoint: Setpoint, rule: SettlingRule, talk: Talk, *, last: str) -> PointTime:
    """What a visit takes that moves the input by less than is waited for."""
    (found,) = point_times([(1, setpoint, replace(rule, before=rule.expected))], talk, last=last)
    return found


def pulse_waits_s(bench: LoadedBench, wires: Sequence[Wire], expected: Sequence[float]) -> dict[str, float]:
    """How much longer than stated one reading of a slow pulse rate takes, by tap: a counter waits for a whole period.

    Args:
        bench: with its descriptions.
        wires: what serves which tap.
        expected: value at each tap, in its unit.
    """
    found = {}
    for each, level in zip(wires, expected, strict=True):
        if each.receiver is None:
            continue
        function = _function(bench, each.receiver.instrument, each.receiver.function)
        if is_alike(function.wire_unit, "Hz"):
            rate_Hz = abs(level)
            period_s = min(1 / rate_Hz, _NO_PULSE_S) if rate_Hz > 0 else _NO_PULSE_S
            found[each.tap] = max(period_s - function.takes, 0.0)
    return found


def _declared_s(rule: SettlingRule, takes_s: float) -> float:
    """When a unit as stated is declared steady, readings following one another as the rule and the meter let them."""
    every_s, lag_s = max(rule.interval_s, takes_s), rule.time_constant_s
    # It is true in the middle between two readings, on average; the first of all is taken at once.
    declared_s = _LATE * (rule.dead_time_s + lag_s * rule.folds) + every_s / 2
    fewest_n = _SPARSE_N if every_s > _SPARSE * lag_s > 0 else _FIT_N
    watched_s = rule.dead_time_s + max(_FIT_SPAN * lag_s, (fewest_n - 1) * every_s) + takes_s
    if rule.ends is not None and rule.expected is not None:
        low, high = rule.ends
        if not 0.05 < (rule.expected - low) / (high - low) < 0.95:  # it may be held there, and is not believed before
            declared_s = max(declared_s, rule.step_takes_s + every_s / 2)
    return min(max(declared_s, watched_s, rule.minimum_s + takes_s), rule.maximum_s)


def _reads_s(setpoint: Setpoint, talk: Talk, passed_s: float, longer_s: Mapping[str, float]) -> float:
    """All readings of a visit, with what is looked at in between."""
    if setpoint.is_still:  # how long a person takes is open
        return setpoint.lasts_s
    taps = [setpoint.tap] if setpoint.tap in talk.read_s else list(talk.read_s)
    if not setpoint.is_read:
        return 0.0
    one_s = sum(talk.read_s[tap] + longer_s.get(tap, 0.0) for tap in taps)
    if setpoint.is_quick:
        reads_s = setpoint.readings_n * max(one_s, setpoint.every_s)
        reads_s = min(reads_s, setpoint.lasts_s + one_s) if setpoint.lasts_s else reads_s
        return reads_s + sum(talk.check_s.values()) + talk.close_check_s
    one_s += sum(talk.check_s[tap] + talk.kept_s for tap in taps)
    if setpoint.every_s:
        reads_s = (setpoint.readings_n - 1) * max(setpoint.every_s, one_s) + one_s
    else:
        reads_s = setpoint.readings_n * one_s
    if setpoint.lasts_s:
        reads_s = min(reads_s, max(setpoint.lasts_s - passed_s, one_s))
    return reads_s + talk.close_check_s
