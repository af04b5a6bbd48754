"""The fault catalogue of the simulated bench: each fault by name and size, as what it changes in a chain.

Slips in keying (swapped, transposed or invented readings) and a wrong tolerance basis are no physics of a unit or bench
and have no entry; two faults at once are two faults given together. Nothing here knows how a fault is recognised.
"""

import math
from collections.abc import Callable, Mapping
from types import MappingProxyType

from instruments.errors import InputError
from instruments.simulated.elements import (
    Effects,
    Flicker,
    Lens,
    Overdriven,
    Play,
    Stale,
    Stiction,
    Threshold,
    affine,
    bow,
    bursts,
    clamp,
    constant,
    dead_around_zero,
    drift,
    dropout,
    from_lower_range,
    ground_loop,
    open_input,
    power_law,
    quantise,
    reverse,
    ripple,
    roll_off,
    s_shape,
    scale,
    square_root,
    step_at,
    warm_up,
)
from instruments.simulated.faults.kind import Fault, FaultKind, Parameter, Place, Sizes, nearest
from instruments.simulated.faults.mechanisms import (
    absolute,
    cold_junction,
    compliance,
    dead_zero_read,
    dead_zero_sent,
    drive_limits,
    extra_pulses,
    gate,
    influence,
    leads,
    leak_across,
    level_noise,
    meter,
    reversed_cable,
    rtd_curve,
    supply_sag,
    swinging,
    temperature_unit,
    thermocouple_type,
    wrong_tap,
)

__all__ = ["CATALOGUE", "fault"]


def _size(name: str, unit: str, default: float, meaning: str) -> Parameter:
    return Parameter(name=name, unit=unit, default=default, meaning=meaning)


def _pct(name: str, default: float, meaning: str) -> Parameter:
    return _size(name, "%", default, meaning)


_SUPPLY = _size("supply_V", "V", 24, "loop supply")
_MINIMUM = _size("minimum_V", "V", 10, "lowest voltage that the transmitter works with")
_LAST, _FIRST, _CURRENT = "last stage", "first stage", "last stage with a current out"
_MAKES, _TAKES = "stage that makes pulses", "stage that takes pulses"
_SENSOR, _SPEED = "stage that takes a sensor", "stage that makes speed"


def _row(
    name: str, acts_at: str, meaning: str, *parameters: Parameter, does: Callable[[Sizes, Place], Effects]
) -> FaultKind:
    return FaultKind(name=name, meaning=meaning, acts_at=acts_at, parameters=parameters, effects=does)


# Name, where it acts if nobody says, its equation, its sizes, what it does; set as a table, so that it can be compared.
# fmt: off
_ROWS = (
    _row("zero shift", _LAST, "y = x + z", _pct("zero_pct", 0.5, "z, of output span"),
         does=lambda s, _: Effects(output=affine(s["zero_pct"] / 100, 0))),
    _row("span error", _LAST, "y = x (1 + s)", _pct("span_pct", 0.8, "s, of output span"),
         does=lambda s, _: Effects(output=affine(0, s["span_pct"] / 100))),
    _row("zero and span", _LAST, "y = z + x (1 + s)", _pct("zero_pct", 0.4, "z, of output span"),
         _pct("span_pct", -0.7, "s, of output span"),
         does=lambda s, _: Effects(output=affine(s["zero_pct"] / 100, s["span_pct"] / 100))),
    _row("upper range wrong", _LAST, "y = x S / S'",
         _pct("configured_pct", 125, "span that is configured, of the one that was ordered"),
         does=lambda s, _: Effects(input=scale(100 / s["configured_pct"]))),
    _row("lower range wrong", _LAST, "y = (x - l) / (1 - l)",
         _pct("lower_pct", 10, "l, where the configured range begins, of input span"),
         does=lambda s, _: Effects(input=from_lower_range(s["lower_pct"] / 100))),
    _row("0-20 sent", _CURRENT, "I = 20 x", does=lambda _, p: dead_zero_sent(p, floor=False)),
    _row("live zero lost", _CURRENT, "I = max(4, 20 x)", does=lambda _, p: dead_zero_sent(p, floor=True)),
    _row("4-20 read as 0-20", _CURRENT, "y = I / 20", does=lambda _, p: dead_zero_read(p)),
    _row("pulses per revolution wrong", _MAKES, "y = x N / N'", _size("actual", "1", 59, "N, pulses that come"),
         _size("expected", "1", 60, "N', pulses that are assumed"),
         does=lambda s, _: Effects(output=scale(s["actual"] / s["expected"]))),
    _row("missing pulses at low speed", _MAKES, "y = 0 below a threshold",
         _pct("threshold_pct", 15, "threshold going up, of input span"),
         _pct("gap_pct", 4, "how much later it lets go on the way down"),
         does=lambda s, _: Effects(output=Threshold(s["threshold_pct"] / 100, s["gap_pct"] / 100))),
    _row("missing pulses at high speed", _TAKES, "y = x (1 - k (x - x_h)) above x_h",
         _pct("start_pct", 75, "x_h, of input span"), _size("loss", "1", 0.5, "k, share lost per input span"),
         does=lambda s, _: Effects(input=roll_off(s["start_pct"] / 100, s["loss"]))),
    _row("double counting", _TAKES, "f = f0 (1 + q)", _pct("share_pct", 100, "q, share of the edges that count twice"),
         does=lambda s, _: Effects(input=scale(1 + s["share_pct"] / 100))),
    _row("extra pulses from the inverter", _MAKES, "f = f0 + fn while a source drives",
         _size("rate_Hz", "Hz", 20, "fn"), does=lambda s, p: extra_pulses(s["rate_Hz"], p)),
    _row("gate quantisation", _TAKES, "f^ = floor(f Tg + phase) / Tg", _size("gate_s", "s", 0.1, "Tg"),
         does=lambda s, p: gate(s["gate_s"], p)),
    _row("low frequency cut-off", _TAKES, "y = 0 if f < f_min", _pct("cut_off_pct", 12, "f_min, of input span"),
         does=lambda s, _: Effects(input=dead_around_zero(s["cut_off_pct"] / 100))),
    _row("meter resolution", _LAST, "y = q round(y / q)", _pct("step_pct", 0.5, "q, of the span at the tap"),
         does=lambda s, p: level_noise(quantise, s["step_pct"] / 100, p)),
    _row("mains pickup", _LAST, "I + A sin(2 pi f t)", _pct("amplitude_pct", 1, "A, of the span at the tap"),
         _size("frequency_Hz", "Hz", 60, "f; a meter that integrates whole cycles of it, as 20 ms at 50, sees none"),
         does=lambda s, p: level_noise(lambda a: ripple(a, s["frequency_Hz"]), s["amplitude_pct"] / 100, p)),
    _row("inverter pickup", _LAST, "I + bursts, growing with the drive",
         _pct("amplitude_pct", 1, "size of a burst, of the span at the tap"),
         _pct("share_pct", 30, "readings that are hit"),
         does=lambda s, p: level_noise(lambda a: bursts(a, s["share_pct"] / 100), s["amplitude_pct"] / 100, p)),
    _row("intermittent contact", _LAST, "I = 0 with a probability", _pct("share_pct", 3, "probability, of readings"),
         does=lambda s, _: Effects(reading=dropout(s["share_pct"] / 100))),
    _row("lag", _LAST, "y' = (x - y) / tau, beside the unit's own", _size("tau_s", "s", 10, "tau"),
         does=lambda s, _: Effects(lag_s=s["tau_s"])),
    _row("overshoot", _LAST, "y'' = wn^2 (x - y) - 2 z wn y', behind the unit's own lag",
         _size("period_s", "s", 3.4, "of the ringing, 2 pi / (wn sqrt(1 - z^2))"),
         _size("damping", "1", 0.4, "z, from 0.01 to 0.99"),
         does=lambda s, _: swinging(s["period_s"], s["damping"])),
    _row("stale reading", _LAST, "y_k = y_(k-1): what the dwell before ended with",
         _size("gap_s", "s", 5, "pause without a reading that also begins a new dwell"),
         does=lambda s, _: Effects(reading=Stale(s["gap_s"]))),
    _row("square root applied", _LAST, "y = sqrt(x)", does=lambda _, __: Effects(output=square_root())),
    _row("square root missing", _LAST, "y = x where sqrt(x) is due", does=lambda _, __: Effects(shape=power_law(1))),
    _row("square root twice", _LAST, "y = x^(1/4) where sqrt(x) is due",
         does=lambda _, __: Effects(shape=power_law(0.25))),
    _row("reversed action", _LAST, "y = 1 - x", does=lambda _, __: Effects(output=reverse())),
    _row("wrong temperature unit", _SENSOR, "y = (1.8 t + 32 - L) / S", does=lambda _, p: temperature_unit(p)),
    _row("wrong pressure unit", _FIRST, "y = k x",
         _size("factor", "1", 0.980665, "k: 14.504 psi/bar, 0.980665 bar/(kgf/cm2), 6.895 kPa/psi, 0.2491 kPa/inH2O"),
         does=lambda s, _: Effects(value=scale(s["factor"]))),
    _row("gauge against absolute", _FIRST, "y = x + p_atm / S",
         _size("pressure_mbar", "mbar", 1013.25, "p_atm; negative = gauge where absolute is due"),
         does=lambda s, p: absolute(s["pressure_mbar"], p)),
    _row("wrong rtd curve", _SENSOR, "t = inv_B(R_A(t))",
         _size("a", "1/degC", 3.9739e-3, "linear coefficient of the curve it decodes with (0.003916 by default)"),
         _size("b", "1/degC**2", -5.870e-7, "square coefficient of that curve"),
         _size("r0_ohm", "ohm", 100, "resistance at 0 degC that it decodes with"), does=rtd_curve),
    _row("wrong thermocouple type", _SENSOR, "t = inv_B(E_A(t))",
         _size("type", "1", 2, "type it decodes with: 0 to 7 = B E J K N R S T"),
         does=lambda s, p: thermocouple_type(s["type"], p)),
    _row("cold junction error", _SENSOR, "E(t) + E(t_cj) - E(t_cj + d)",
         _size("error_degC", "delta_degC", 3, "d, how much warmer the terminals are than the unit believes"),
         does=lambda s, p: cold_junction(s["error_degC"], p)),
    _row("lead resistance", _SENSOR, "t = inv(R + R_L)", _size("lead_ohm", "ohm", 2, "R_L, both leads"),
         does=lambda s, p: leads(s["lead_ohm"], p)),
    _row("compensating cable reversed", _SENSOR, "t + 2 (t_cable - t_box)",
         _size("difference_degC", "delta_degC", 4, "terminals less junction box"),
         does=lambda s, p: reversed_cable(s["difference_degC"], p)),
    _row("loop compliance", _CURRENT, "I = min(I, (Vs - Vmin) / R)", _SUPPLY, _MINIMUM,
         _size("loop_ohm", "ohm", 800, "R, whole loop"),
         does=lambda s, p: compliance(s["supply_V"], s["minimum_V"], s["loop_ohm"], p)),
    _row("supply effect", _LAST, "y = x + (Vs - 24 V) k, where the bench holds the supply voltage",
         _pct("zero_pct", 0.02, "k at the zero, of output span per V"), _pct("span_pct", 0, "k of the span, per V"),
         _size("reference_V", "V", 24, "supply without effect"),
         does=lambda s, _: influence("supply voltage", s["reference_V"], s)),
    _row("load effect", _LAST, "y = x + (R - 250 ohm) k, where the bench holds the load",
         _pct("zero_pct", 0.0002, "k at the zero, of output span per ohm"),
         _pct("span_pct", 0, "k of the span, per ohm"),
         _size("reference_ohm", "ohm", 250, "load without effect"),
         does=lambda s, _: influence("load", s["reference_ohm"], s)),
    _row("temperature effect", _LAST, "y = x + (T - 23 degC) k, where the bench holds the ambient temperature",
         _pct("zero_pct", 0.01, "k at the zero, of output span per K"), _pct("span_pct", 0.005, "k of the span, per K"),
         _size("reference_degC", "degC", 23, "temperature without effect"),
         does=lambda s, _: influence("ambient temperature", s["reference_degC"], s)),
    _row("supply sag", _CURRENT, "as loop compliance, Vs = V0 - Rs sum(I)", _SUPPLY, _MINIMUM,
         _size("loop_ohm", "ohm", 500, "R, whole loop"), _size("source_ohm", "ohm", 80, "Rs"),
         _size("others_mA", "mA", 60, "current of the other loops"),
         does=supply_sag),
    _row("clamp by design", _CURRENT, "I = clip(low, high)", _size("low_mA", "mA", 3.8, "lower limit"),
         _size("high_mA", "mA", 20.5, "upper limit"),
         does=lambda s, _: Effects(clamp=clamp(s["low_mA"], s["high_mA"]))),
    _row("sensor burnout", _CURRENT, "I = alarm level",
         _size("level_mA", "mA", 3.6, "alarm level: 3.6 and below, or 21 and above"),
         does=lambda s, _: Effects(clamp=constant(s["level_mA"]))),
    _row("open input", _CURRENT, "I = alarm level while no source is on; else I = clip(low, high)",
         _size("level_mA", "mA", 21.5, "alarm level of a broken sensor: 3.6 and below, or 21 and above"),
         _size("low_mA", "mA", 3.8, "lower limit"), _size("high_mA", "mA", 20.5, "upper limit"),
         does=lambda s, _: Effects(clamp=open_input(s["level_mA"], s["low_mA"], s["high_mA"]))),
    _row("slow recovery", _LAST, "y = x + d exp(-t / tau) after an input beyond the range",
         _pct("size_pct", 2, "d, of output span"), _size("tau_s", "s", 3, "tau"),
         does=lambda s, _: Effects(output=Overdriven(s["size_pct"] / 100, s["tau_s"]))),
    _row("stuck output", _LAST, "y = constant", _pct("level_pct", 50, "where it is stuck, of output span"),
         does=lambda s, _: Effects(output=constant(s["level_pct"] / 100))),
    _row("leak across receiver", _CURRENT, "I Rp / (Rp + Rr)", _size("leak_ohm", "ohm", 25000, "Rp"),
         _size("receiver_ohm", "ohm", 250, "Rr"),
         does=lambda s, _: Effects(level=scale(s["leak_ohm"] / (s["leak_ohm"] + s["receiver_ohm"])))),
    _row("leak across transmitter", _CURRENT, "I + (Vs - I R) / Rp", _SUPPLY, _size("loop_ohm", "ohm", 250, "R"),
         _size("leak_ohm", "ohm", 1e5, "Rp"), does=leak_across),
    _row("ground loop", _CURRENT, "I + Ig(t)",
         _pct("size_pct", 0.8, "mean of Ig, of output span; it swings by 30 % of that"),
         _size("period_s", "s", 900, "period of the swing"),
         does=lambda s, p: Effects(level=ground_loop(s["size_pct"] / 100 * abs(p.after.span), s["period_s"]))),
    _row("load resistor wrong", _CURRENT, "I R / R0", _size("actual_ohm", "ohm", 249, "R"),
         _size("nominal_ohm", "ohm", 250, "R0"),
         does=lambda s, _: Effects(reading=scale(s["actual_ohm"] / s["nominal_ohm"]))),
    _row("source error", _FIRST, "T1 = T0 (1 + s) + z", _pct("gain_pct", 0.3, "s, of the range's fraction"),
         _pct("offset_pct", 0.2, "z, of the first tap's span"),
         does=lambda s, _: Effects(source=affine(s["offset_pct"] / 100, s["gain_pct"] / 100))),
    _row("meter gain", _LAST, "I (1 + g) + o", _pct("gain_pct", 0.5, "g, of reading"),
         _pct("offset_pct", 0, "o, of the span at the tap"),
         does=lambda s, p: meter(s["gain_pct"] / 100, s["offset_pct"] / 100, p)),
    _row("meter offset", _LAST, "I + o", _pct("offset_pct", 0.5, "o, of the span at the tap"),
         does=lambda s, p: meter(0, s["offset_pct"] / 100, p)),
    _row("meter fuse blown", _CURRENT, "I = 0, the loop is open", does=lambda _, __: Effects(level=constant(0))),
    _row("meter burden", _CURRENT, "R = R_loop + R_meter", _SUPPLY, _MINIMUM,
         _size("loop_ohm", "ohm", 600, "loop without the meter"), _size("burden_ohm", "ohm", 200, "the meter"),
         does=lambda s, p: compliance(s["supply_V"], s["minimum_V"], s["loop_ohm"] + s["burden_ohm"], p)),
    _row("bow", _LAST, "y = x + c 4 x (1 - x)", _pct("size_pct", 0.8, "c, of output span"),
         does=lambda s, _: Effects(output=bow(s["size_pct"] / 100))),
    _row("s shape", _LAST, "y = x + c sin(2 pi x)", _pct("size_pct", 0.6, "c, of output span"),
         does=lambda s, _: Effects(output=s_shape(s["size_pct"] / 100))),
    _row("hysteresis", _LAST, "y = x - D (h/2) 4 x (1 - x)", _pct("size_pct", 0.8, "h, of output span"),
         does=lambda s, _: Effects(output=Lens(s["size_pct"] / 100))),
    _row("backlash", _LAST, "play operator of width w", _pct("width_pct", 1, "w, of output span"),
         does=lambda s, _: Effects(output=Play(s["width_pct"] / 100))),
    _row("dead band", _LAST, "no output change for less than d after turning back: play at the input",
         _pct("width_pct", 1, "d, of input span"), does=lambda s, _: Effects(input=Play(s["width_pct"] / 100))),
    _row("stiction", _LAST, "hold until |x - p| > w, then jump", _pct("width_pct", 12, "w, of input span"),
         does=lambda s, _: Effects(input=Stiction(s["width_pct"] / 100))),
    _row("drift", _LAST, "y + k t", _pct("rate_pct_per_h", 1, "k, of output span in an hour"),
         does=lambda s, _: Effects(output=drift(s["rate_pct_per_h"] / 100))),
    _row("warm-up", _LAST, "y + d (1 - exp(-t / tau))", _pct("size_pct", 0.8, "d, of output span"),
         _size("tau_s", "s", 900, "tau"), does=lambda s, _: Effects(output=warm_up(s["size_pct"] / 100, s["tau_s"]))),
    _row("flicker", _LAST, "y + 1/f noise", _pct("size_pct", 0.05, "standard deviation over days, of output span"),
         does=lambda s, _: Effects(output=Flicker(s["size_pct"] / 100))),
    _row("missing code", _LAST, "y + d above x0", _pct("size_pct", 0.6, "d, of output span"),
         _pct("place_pct", 45, "x0, of output span"),
         does=lambda s, _: Effects(output=step_at(s["place_pct"] / 100, s["size_pct"] / 100))),
    _row("slip", _SPEED, "n = ns (1 - s load)", _pct("slip_pct", 3, "s, at full load"), _pct("load_pct", 100, "load"),
         does=lambda s, _: Effects(output=scale(1 - s["slip_pct"] * s["load_pct"] / 1e4))),
    _row("drive limits", _SPEED, "n = clip, dead, skip of x", _pct("lowest_pct", 5, "lowest speed, of output span"),
         _pct("highest_pct", 95, "highest speed"), _pct("dead_pct", 0, "input dead band above zero"),
         _pct("skip_from_pct", 0, "skipped band, lower end; none if both ends are alike"),
         _pct("skip_to_pct", 0, "skipped band, upper end"), does=lambda s, _: drive_limits(s)),
    _row("tachometer marks", _SPEED, "T3 = k n at the tachometer alone", _size("factor", "1", 2, "k: 2, 3, 1/2"),
         does=lambda s, _: Effects(reading=scale(s["factor"]))),
    _row("wrong tap", _LAST, "a receiver sees the signal of another tap (nothing, if that is of another kind)",
         _size("sees", "1", 0, "index of the tap it sees"), does=lambda s, p: wrong_tap(s["sees"], p)),
)
# fmt: on

CATALOGUE: Mapping[str, FaultKind] = MappingProxyType({kind.name: kind for kind in _ROWS})


def fault(name: str, *, stage: str | int | None = None, tap: str | int | None = None, **sizes: float) -> Fault:
    """A fault of the catalogue, by name and size.

    Args:
        name: as in CATALOGUE.
        stage: name or index of the stage it acts in; None = where such a fault usually sits.
        tap: name or index of the tap whose receiver it concerns; None = the tap after the stage.
        sizes: by the names of the kind's parameters; one that is left out takes its default.

    Raises:
        InputError: no such fault or size, or a size that is not a finite number.
    """
    kind = CATALOGUE.get(name)
    if kind is None:
        raise InputError(
            f'no fault "{name}" in the catalogue',
            allowed=", ".join(CATALOGUE),
            todo=nearest(name, list(CATALOGUE)),
        )
    known = {parameter.name: parameter for parameter in kind.parameters}
    for size_name, size in sizes.items():
        if size_name not in known:
            raise InputError(
                f'the fault "{name}" has no size "{size_name}"',
                allowed=", ".join(f"{p.name} in {p.unit}" for p in kind.parameters) or "no size at all",
                todo=nearest(size_name, list(known)),
            )
        if not math.isfinite(size):
            raise InputError(f'size "{size_name}" of the fault "{name}" is {size}', allowed="a finite number")
    taken = tuple(
        (parameter.name, float(sizes.get(parameter.name, parameter.default))) for parameter in kind.parameters
    )
    return Fault(kind=kind, sizes=taken, stage=stage, tap=tap)
