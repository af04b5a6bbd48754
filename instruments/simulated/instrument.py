"""Simulated instruments: text in, text out, with the plant behind them.

One generic SCPI instrument is source, meter, counter, or all of these as a calibrator; one instrument speaks a serial
dialect of short lines. They know how they are wired to the taps, not what the taps mean, and not who talks to them.
"""

import math
import random
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, Protocol

from instruments.clock import Clock
from instruments.errors import InputError
from instruments.simulated.faults import PRESSURE_MBAR
from instruments.simulated.physics import Plant
from instruments.simulated.scpi import NAN, OVERLOAD, Act, Arguments, Interpreter, ScpiError, Tree, plain

__all__ = [
    "FUNCTIONS",
    "Device",
    "Function",
    "ScpiInstrument",
    "SerialInstrument",
    "SimulatedInstrument",
    "Wires",
    "is_simulated",
]

MARK = "LIVEZERO,SIMULATED"  # how the identity of every simulated instrument begins


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedInstrument:
    """An instrument of the simulated bench, as it is wired.

    Args:
        name: by which the bench calls it.
        resource: its VISA resource.
        dialect: "scpi", or "serial" for the dialect of short lines.
        sets: name of the tap it drives, None = none.
        reads: name of the tap it reads, None = none.
        identity: what it says when it is asked who it is.
    """

    name: str
    resource: str
    dialect: Literal["scpi", "serial"] = "scpi"
    sets: str | None = None
    reads: str | None = None
    identity: str = f"{MARK},0,0.1"


def is_simulated(identity: str) -> bool:
    """True if it is that of an instrument of the simulated bench, wherever that is served."""
    return identity.startswith(MARK)


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """A quantity that an instrument can source or measure, in its SCPI unit.

    `source_ranges` and `meter_ranges` are full scales, ascending. A source goes down to minus full scale if
    `is_bipolar`, else to `lowest`.
    """

    form: str
    unit: str
    source_ranges: tuple[float, ...]
    meter_ranges: tuple[float, ...]
    is_bipolar: bool = False
    lowest: float = 0.0

    @property
    def word(self) -> str:
        """Short form."""
        return "".join(letter for letter in self.form if letter.isupper())


FUNCTIONS: Mapping[str, Function] = MappingProxyType(
    {
        function.word: function
        for function in (
            Function(
                form="CURRent",
                unit="A",
                source_ranges=(0.025, 0.1),
                meter_ranges=(1e-3, 1e-2, 0.1, 1.0),
                is_bipolar=True,
            ),
            Function(
                form="VOLTage",
                unit="V",
                source_ranges=(0.1, 1.0, 10.0, 50.0),
                meter_ranges=(0.1, 1.0, 10.0, 100.0, 1000.0),
                is_bipolar=True,
            ),
            Function(form="FREQuency", unit="HZ", source_ranges=(1e3, 1e5), meter_ranges=(1e6,)),
            Function(
                form="RESistance", unit="OHM", source_ranges=(400.0, 4000.0), meter_ranges=(1e2, 1e3, 1e4, 1e5, 1e6)
            ),
            Function(
                form="PRESsure",
                unit="PA",
                source_ranges=(2.5e5, 2.5e6),
                meter_ranges=(2.5e4, 2.5e5, 2.5e6, 2.5e7),
                lowest=-1e5,
            ),
            Function(form="TEMPerature", unit="CEL", source_ranges=(1300.0,), meter_ranges=(1300.0,), lowest=-200.0),
        )
    }
)

# Signal unit of a tap: the function that carries it, and how much of its SCPI unit one of it is.
_CARRIED: Mapping[str, tuple[str, float]] = MappingProxyType(
    {
        "A": ("CURR", 1.0),
        "mA": ("CURR", 1e-3),
        "µA": ("CURR", 1e-6),
        "uA": ("CURR", 1e-6),
        "V": ("VOLT", 1.0),
        "mV": ("VOLT", 1e-3),
        "Hz": ("FREQ", 1.0),
        "kHz": ("FREQ", 1e3),
        "ohm": ("RES", 1.0),
        "Ω": ("RES", 1.0),
        "kohm": ("RES", 1e3),
        "kΩ": ("RES", 1e3),
        "degC": ("TEMP", 1.0),
        "°C": ("TEMP", 1.0),
        **{unit: ("PRES", 100 * mbar) for unit, mbar in PRESSURE_MBAR.items()},
    }
)
_SOURCE_STEP = 1e-6  # resolution of a source, of its range
_METER_NOISE = 5e-7  # standard deviation at one power line cycle, of the range
_METER_GAIN = 1e-5  # standard deviation of the gain error, drawn once an instrument, never beyond two of them
_OVER_RANGE = 1.2
_FIRST_OFF = 2e-4  # the first reading after a change of range or function is off by this much of the range ...
_NEXT_OFF = 0.05  # ... and each one after it by this part of the one before
_LINE_HZ = 50.0
_CLOCK_S = 1e-8  # a reciprocal counter's clock period, interpolated
_NO_SIGNAL_S = 1.0


class Wires:
    """What connects one instrument to the plant: the tap it drives, the tap it reads, and the time."""

    def __init__(
        self, plant: Plant, lock: threading.RLock, clock: Clock, *, sets: int | None, reads: int | None
    ) -> None:
        self._plant, self._lock, self._clock = plant, lock, clock
        self._sets, self._reads = sets, reads

    @property
    def set_unit(self) -> str | None:
        """Signal unit of the tap it drives; None if it drives none."""
        return None if self._sets is None else self._plant.sheet.taps[self._sets].signal_unit

    @property
    def read_unit(self) -> str | None:
        """Reading unit of the tap it reads; None if it reads none."""
        return None if self._reads is None else self._plant.sheet.taps[self._reads].reading_unit

    @property
    def highest(self) -> float:
        """Larger end of the wired taps' ranges, in the tap's unit."""
        taps = [self._plant.sheet.taps[index] for index in (self._sets, self._reads) if index is not None]
        return max(abs(end) for tap in taps for end in (tap.low, tap.high))

    def drive(self, signal: float, *, enabled: bool) -> None:
        """Give a signal, in the tap's signal unit, from now on."""
        assert self._sets is not None
        with self._lock:
            self._plant.drive(self._clock.now(), signal, tap=self._sets, enabled=enabled)

    def see(self, aperture_s: float) -> float:
        """Mean over an aperture that begins now, through shunt or lead if there is one; returns when it is over."""
        assert self._reads is not None
        begin_s = self._clock.now()
        self._clock.sleep(aperture_s)
        with self._lock:
            seen = self._plant.seen(self._reads, begin_s, self._clock.now())
        correction = self._plant.sheet.taps[self._reads].correction
        return seen if correction is None else correction.factor * seen + correction.shift


class Device(Protocol):
    """A simulated instrument, whatever it speaks."""

    identity: str

    def handle(self, message: str) -> str | None:
        """Reply to one message, both without their ends; None if there is nothing to say."""

    def report(self, code: int, info: str = "") -> None:
        """An error into the queue, where there is one."""

    def power_cycle(self) -> None:
        """As after a loss of power: settings lost, output off."""

    def status_byte(self) -> int:
        """The status byte of a serial poll."""


class _Source:
    """The sourcing half of a SCPI instrument."""

    def __init__(self, wires: Wires, tree: Tree) -> None:
        assert wires.set_unit is not None
        self._wires = wires
        self._wired, self._factor = _carried(wires.set_unit)
        self.reset(quiet=True)
        tree.add("OUTPut[:STATe]", self._set_output)
        tree.add("OUTPut[:STATe]?", plain(lambda: str(int(self._is_on))))
        tree.add("[SOURce]:FUNCtion[:MODE]", self._set_function)
        tree.add("[SOURce]:FUNCtion[:MODE]?", plain(lambda: self._function))
        for function in FUNCTIONS.values():
            self._add(tree, function)

    def reset(self, *, quiet: bool = False) -> None:
        """Output off, level 0, ranges automatic, limits wide."""
        self._is_on = False
        self._function = self._wired
        self._level = dict.fromkeys(FUNCTIONS, 0.0)
        self._fixed: dict[str, float | None] = dict.fromkeys(FUNCTIONS)
        self._limit = {word: _reach(function) for word, function in FUNCTIONS.items()}
        if not quiet:
            self._apply()

    def _apply(self) -> None:
        # A function that is not wired to the tap drives nothing there.
        level = self._level[self._wired] / self._factor if self._function == self._wired else 0.0
        self._wires.drive(level, enabled=self._is_on and self._function == self._wired)

    def _set_output(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        self._is_on = arguments.boolean()
        self._apply()

    def _set_function(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        self._function = arguments.word([function.form for function in FUNCTIONS.values()])
        self._apply()

    def _add(self, tree: Tree, function: Function) -> None:
        word = function.word
        low, high = _reach(function)
        level = f"[SOURce]:{function.form}[:LEVel][:IMMediate][:AMPLitude]"
        node = f"[SOURce]:{function.form}"

        def allowed() -> tuple[float, float]:
            lower, upper = self._limit[word]
            fixed = self._fixed[word]
            return (lower, upper) if fixed is None else (max(lower, -fixed), min(upper, fixed))

        def set_level(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            lower, upper = allowed()
            wanted = arguments.number(unit=function.unit, low=lower, high=upper, default=0.0)
            step = (self._fixed[word] or _range_for(function.source_ranges, wanted)) * _SOURCE_STEP
            self._level[word] = step * round(wanted / step)
            self._apply()

        def set_range(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            wanted = arguments.number(unit=function.unit, low=low, high=high, default=high)
            chosen = _range_for(function.source_ranges, wanted)
            if abs(self._level[word]) > chosen:
                raise ScpiError(-221)
            self._fixed[word] = chosen

        def set_auto(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            is_auto = arguments.boolean()
            self._fixed[word] = None if is_auto else _range_for(function.source_ranges, self._level[word])

        def set_limit(arguments: Arguments, *, is_upper: bool) -> None:
            arguments.expect(1, 1)
            lower, upper = self._limit[word]
            limit = arguments.number(unit=function.unit, low=low, high=high, default=high if is_upper else low)
            if not (lower <= self._level[word] <= limit if is_upper else limit <= self._level[word] <= upper):
                raise ScpiError(-221)
            self._limit[word] = (lower, limit) if is_upper else (limit, upper)

        tree.add(level, set_level)
        tree.add(f"{level}?", _query(lambda: self._level[word], lambda: (*allowed(), 0.0)))
        tree.add(f"{node}:RANGe", set_range)
        ranges = (function.source_ranges[0], function.source_ranges[-1], function.source_ranges[-1])
        tree.add(
            f"{node}:RANGe?",
            _query(lambda: self._fixed[word] or _range_for(function.source_ranges, self._level[word]), lambda: ranges),
        )
        tree.add(f"{node}:RANGe:AUTO", set_auto)
        tree.add(f"{node}:RANGe:AUTO?", plain(lambda: str(int(self._fixed[word] is None))))
        tree.add(f"{node}:LIMit[:UPPer]", lambda arguments: set_limit(arguments, is_upper=True))
        tree.add(f"{node}:LIMit[:UPPer]?", _query(lambda: self._limit[word][1], lambda: (low, high, high)))
        tree.add(f"{node}:LIMit:LOWer", lambda arguments: set_limit(arguments, is_upper=False))
        tree.add(f"{node}:LIMit:LOWer?", _query(lambda: self._limit[word][0], lambda: (low, high, low)))


class _Meter:
    """The measuring half of a SCPI instrument: meter and counter."""

    def __init__(self, wires: Wires, tree: Tree, rng: random.Random) -> None:
        assert wires.read_unit is not None
        self._wires, self._rng = wires, rng
        self._wired, self._factor = _carried(wires.read_unit)
        self._gain = 1 + _METER_GAIN * min(2.0, max(-2.0, rng.gauss(0, 1)))
        self.reset()
        tree.add("READ?", plain(self._read))
        tree.add("FETCh?", plain(self._fetch))
        tree.add("INITiate[:IMMediate]", plain(self._initiate))
        tree.add("*TRG", plain(self._initiate))
        tree.add("ABORt", plain(lambda: None))
        tree.add("CONFigure?", plain(lambda: f'"{self._function} {self._range_now:.6E}"'))
        tree.add("[SENSe]:FUNCtion[:ON]", self._set_function)
        tree.add("[SENSe]:FUNCtion[:ON]?", plain(lambda: f'"{self._function}"'))
        tree.add("TRIGger:SOURce", self._set_trigger)
        tree.add("TRIGger:SOURce?", plain(lambda: "IMM"))
        tree.add("SAMPle:COUNt", self._set_samples)
        tree.add("SAMPle:COUNt?", plain(lambda: str(self._samples_n)))
        tree.add("[SENSe]:ZERO:AUTO", self._set_auto_zero)
        tree.add("[SENSe]:ZERO:AUTO?", plain(lambda: str(int(self._is_auto_zero))))
        tree.add("SYSTem:LFRequency?", plain(lambda: f"{_LINE_HZ:.0f}"))
        for function in FUNCTIONS.values():
            self._add(tree, function)
        self._add_counter(tree)

    def reset(self) -> None:
        """Function as wired is not known to a meter: it wakes up on voltage, ranges automatic, one line cycle."""
        self._function = "VOLT"
        self._fixed: dict[str, float | None] = dict.fromkeys(FUNCTIONS)
        self._cycles = dict.fromkeys(FUNCTIONS, 1.0)
        self._gate_s = 0.1
        self._is_reciprocal = True
        self._samples_n = 1
        self._is_auto_zero = True
        self._range_now = FUNCTIONS["VOLT"].meter_ranges[-1]
        self._readings: tuple[float, ...] = ()
        self._off = 1.0

    # Settings

    def _select(self, word: str) -> None:
        if word != self._function:
            self._function = word
            self._readings = ()
            self._off = 1.0
            self._range_now = self._fixed[word] or FUNCTIONS[word].meter_ranges[-1]

    def _fix(self, word: str, wanted: float) -> None:
        chosen = _range_for(FUNCTIONS[word].meter_ranges, wanted)
        if word == self._function and chosen != self._range_now:
            self._off, self._range_now = 1.0, chosen
        self._fixed[word] = chosen

    def _set_function(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        quoted = arguments.texts[0]
        if quoted[:1] not in {'"', "'"}:
            raise ScpiError(-104)
        word = quoted[1:-1].upper().removesuffix(":DC").replace("FRES", "RES")
        self._select(Arguments((word,)).word([function.form for function in FUNCTIONS.values()]))

    def _set_trigger(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        arguments.word(["IMMediate", "BUS"])  # *TRG works with either

    def _set_samples(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        self._samples_n = round(arguments.number(low=1, high=1000, default=1))

    def _set_auto_zero(self, arguments: Arguments) -> None:
        arguments.expect(1, 1)
        self._is_auto_zero = arguments.boolean()

    def _configure(self, function: Function, arguments: Arguments) -> None:
        arguments.expect(0, 2)  # the second one, the resolution, is read and has no effect
        self._select(function.word)
        if not arguments.texts or arguments.texts[0].upper() in {"AUTO", "DEF", "DEFAULT"}:
            self._fixed[function.word] = None
            return
        low, high = _ends(function)
        self._fix(function.word, arguments.number(unit=function.unit, low=low, high=high, default=high))

    def _add(self, tree: Tree, function: Function) -> None:
        word = function.word
        low, high = _ends(function)
        forms = [f"{function.form}[:DC]" if function.is_bipolar else function.form]
        if word == "RES":
            forms.append("FRESistance")

        def configure(arguments: Arguments) -> None:
            self._configure(function, arguments)

        def measure(arguments: Arguments) -> str:
            self._configure(function, arguments)
            return self._read()

        def set_range(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            self._fix(word, arguments.number(unit=function.unit, low=low, high=high, default=high))

        def set_auto(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            if arguments.boolean():
                self._fixed[word] = None
            else:
                self._fix(word, self._range_now if word == self._function else high)

        for form in forms:
            tree.add(f"CONFigure[:SCALar]:{form}", configure)
            tree.add(f"MEASure[:SCALar]:{form}?", measure)
            node = f"[SENSe]:{form}"
            tree.add(f"{node}:RANGe[:UPPer]", set_range)
            tree.add(
                f"{node}:RANGe[:UPPer]?",
                _query(
                    lambda: self._fixed[word] or (self._range_now if word == self._function else high),
                    lambda: (low, high, high),
                ),
            )
            tree.add(f"{node}:RANGe:AUTO", set_auto)
            tree.add(f"{node}:RANGe:AUTO?", plain(lambda: str(int(self._fixed[word] is None))))
            if word != "FREQ":
                self._add_integration(tree, node, word)

    def _add_integration(self, tree: Tree, node: str, word: str) -> None:
        def set_cycles(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            self._cycles[word] = arguments.number(low=0.01, high=100, default=1)

        def set_aperture(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            aperture_s = arguments.number(unit="S", low=0.01 / _LINE_HZ, high=100 / _LINE_HZ, default=1 / _LINE_HZ)
            self._cycles[word] = aperture_s * _LINE_HZ

        tree.add(f"{node}:NPLCycles", set_cycles)
        tree.add(f"{node}:NPLCycles?", _query(lambda: self._cycles[word], lambda: (0.01, 100.0, 1.0)))
        tree.add(f"{node}:APERture", set_aperture)
        tree.add(
            f"{node}:APERture?",
            _query(lambda: self._cycles[word] / _LINE_HZ, lambda: (0.01 / _LINE_HZ, 100 / _LINE_HZ, 1 / _LINE_HZ)),
        )

    def _add_counter(self, tree: Tree) -> None:
        def set_gate(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            self._gate_s = arguments.number(unit="S", low=1e-3, high=100, default=0.1)

        def set_mode(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            self._is_reciprocal = arguments.word(["RECiprocal", "DIRect"]) == "REC"

        for form in ("APERture", "GATE:TIME"):
            tree.add(f"[SENSe]:FREQuency:{form}", set_gate)
            tree.add(f"[SENSe]:FREQuency:{form}?", _query(lambda: self._gate_s, lambda: (1e-3, 100.0, 0.1)))
        tree.add("[SENSe]:FREQuency:MODE", set_mode)
        tree.add("[SENSe]:FREQuency:MODE?", plain(lambda: "REC" if self._is_reciprocal else "DIR"))

    # Readings

    def _initiate(self) -> None:
        self._readings = tuple(self._sample() for _ in range(self._samples_n))

    def _fetch(self) -> str:
        if not self._readings:
            raise ScpiError(-230)
        return ",".join(_show(reading) for reading in self._readings)

    def _read(self) -> str:
        self._initiate()
        return self._fetch()

    def _sample(self) -> float:
        if self._function == "FREQ":
            return self._count()
        word = self._function
        cycles = self._cycles[word]
        level = self._wires.see(cycles / _LINE_HZ) * self._factor if word == self._wired else 0.0
        if word != self._wired:
            self._wires.see(cycles / _LINE_HZ)
        fixed = self._fixed[word]
        chosen = _auto_range(FUNCTIONS[word].meter_ranges, level) if fixed is None else fixed
        if chosen != self._range_now:
            self._off, self._range_now = 1.0, chosen
        if math.isnan(level):
            return NAN
        if abs(level) > _OVER_RANGE * chosen:
            return math.copysign(OVERLOAD, level)
        level = level * self._gain + self._rng.gauss(0.0, chosen * _METER_NOISE) / math.sqrt(cycles)
        level += self._off * _FIRST_OFF * chosen
        self._off = self._off * _NEXT_OFF if self._off > 1e-3 else 0.0
        step = chosen * (1e-6 if cycles >= 1 else 1e-5 if cycles >= 0.1 else 1e-4)
        return step * round(level / step)

    def _count(self) -> float:
        rate_Hz = self._wires.see(self._gate_s)
        rate_Hz = rate_Hz * self._factor * self._gain if self._wired == "FREQ" else 0.0
        if not self._is_reciprocal:
            return math.floor(max(0.0, rate_Hz) * self._gate_s + self._rng.random()) / self._gate_s
        periods_s = 1 / rate_Hz if rate_Hz > 0 else math.inf
        if periods_s > self._gate_s + _NO_SIGNAL_S:
            self._wires.see(_NO_SIGNAL_S)
            return 0.0
        if periods_s > self._gate_s:
            self._wires.see(periods_s - self._gate_s)
        step = rate_Hz * _CLOCK_S / max(self._gate_s, periods_s)
        return step * round(rate_Hz / step + self._rng.uniform(-1, 1))


class ScpiInstrument:
    """A SCPI instrument on the plant: source, meter and counter, as far as it is wired to be.

    Raises:
        InputError: it is wired to a tap whose signal no SCPI function carries.
    """

    def __init__(self, spec: SimulatedInstrument, wires: Wires, *, seed: int) -> None:
        tree = Tree()
        rng = random.Random(f"{seed}/{spec.name}")  # noqa: S311  noise, not a secret
        self._source = _Source(wires, tree) if wires.set_unit is not None else None
        self._meter = _Meter(wires, tree, rng) if wires.read_unit is not None else None
        self.interpreter = Interpreter(tree, identity=spec.identity, reset=self._reset)

    @property
    def identity(self) -> str:
        """Reply to `*IDN?`."""
        return self.interpreter.identity

    @identity.setter
    def identity(self, identity: str) -> None:
        self.interpreter.identity = identity

    def handle(self, message: str) -> str | None:
        """Reply to one program message."""
        return self.interpreter.handle(message)

    def report(self, code: int, info: str = "") -> None:
        """An error into the queue."""
        self.interpreter.report(code, info)

    def power_cycle(self) -> None:
        """Settings lost, output off, queue empty, power-on bit set."""
        self._reset()
        self.interpreter.power_on()

    def status_byte(self) -> int:
        """The status byte of a serial poll."""
        return self.interpreter.status_byte

    def _reset(self) -> None:
        if self._source:
            self._source.reset()
        if self._meter:
            self._meter.reset()


class SerialInstrument:
    """An instrument that speaks lines of its own, ended by CR: a tachometer, a drive, a plain source.

    `S 12.000` sets the level, `S?` tells it, `O1` and `O0` switch the output, `O?` tells it, `R` reads, `V` names the
    instrument, `Z` resets; levels are in the signal unit of the tap. What is done is answered `OK`, what is not
    `E1` (no such command), `E2` (no number), `E3` (out of range) or `E4` (not wired to do that). `E?` tells and clears
    the last of these as a figure, 0 for none.
    """

    _READ_S = 0.1

    def __init__(self, spec: SimulatedInstrument, wires: Wires) -> None:
        self.identity = spec.identity
        self._wires = wires
        self._highest = 1.25 * wires.highest
        self._decimals_n = max(0, 5 - math.ceil(math.log10(self._highest)))
        self._level, self._is_on, self._error = 0.0, False, 0
        self._acts: Mapping[str, Callable[[], str]] = {
            "V": lambda: self.identity,
            "R": self._read,
            "S?": lambda: self._show(self._level, self._wires.set_unit) if self._wires.set_unit else self._fail(4),
            "O0": lambda: self._switch(is_on=False),
            "O1": lambda: self._switch(is_on=True),
            "O?": lambda: str(int(self._is_on)),
            "E?": self._tell_error,
            "Z": self._reset,
        }

    def handle(self, message: str) -> str | None:
        """Reply to one line; an empty one has none."""
        line = message.strip().upper()
        if not line:
            return None
        if line[0] == "S" and line != "S?":
            return self._set(line[1:].strip())
        act = self._acts.get(line)
        return act() if act else self._fail(1)

    def report(self, code: int, info: str = "") -> None:  # noqa: ARG002  the dialect has no texts
        """The last error, as one figure: 9 for what the instrument itself reports."""
        del code
        self._error = 9

    def power_cycle(self) -> None:
        """Level 0, output off."""
        self._reset()

    def status_byte(self) -> int:
        """Nothing to poll on a serial line."""
        return 0

    def _fail(self, number: int) -> str:
        self._error = number
        return f"E{number}"

    def _tell_error(self) -> str:
        number, self._error = self._error, 0
        return str(number)

    def _reset(self) -> str:
        self._level, self._is_on, self._error = 0.0, False, 0
        return self._applied()

    def _applied(self) -> str:
        if self._wires.set_unit is not None:
            self._wires.drive(self._level, enabled=self._is_on)
        return "OK"

    def _set(self, text: str) -> str:
        if self._wires.set_unit is None:
            return self._fail(4)
        try:
            level = float(text)
        except ValueError:
            return self._fail(2)
        if not 0 <= level <= self._highest:  # NaN too
            return self._fail(3)
        self._level = round(level, self._decimals_n)
        return self._applied()

    def _switch(self, *, is_on: bool) -> str:
        if self._wires.set_unit is None:
            return self._fail(4)
        self._is_on = is_on
        return self._applied()

    def _read(self) -> str:
        if self._wires.read_unit is None:
            return self._fail(4)
        level = self._wires.see(self._READ_S)
        if abs(level) > self._highest:
            return f"+OVER {self._wires.read_unit.upper()}"
        return self._show(level, self._wires.read_unit)

    def _show(self, level: float, unit: str | None) -> str:
        width = 6 + (self._decimals_n > 0)
        shown = round(level, self._decimals_n) + 0.0  # no minus before a zero
        return f"{shown:+0{width}.{self._decimals_n}f} {(unit or '').upper()}"


def _carried(unit: str) -> tuple[str, float]:
    if unit not in _CARRIED:
        raise InputError(
            f"no SCPI function carries a signal in {unit}",
            allowed=", ".join(_CARRIED),
            todo='give the simulated instrument the dialect "serial"',
        )
    return _CARRIED[unit]


def _reach(function: Function) -> tuple[float, float]:
    """Lowest and highest level that a source gives."""
    high = function.source_ranges[-1]
    return (-high if function.is_bipolar else function.lowest, high)


def _ends(function: Function) -> tuple[float, float]:
    """What a meter can be told as a range: 0 means the smallest."""
    return 0.0, function.meter_ranges[-1]


def _range_for(ranges: tuple[float, ...], level: float) -> float:
    """Smallest range that holds a level."""
    return next((full for full in ranges if abs(level) <= full), ranges[-1])


def _auto_range(ranges: tuple[float, ...], level: float) -> float:
    return next((full for full in ranges if abs(level) <= _OVER_RANGE * full), ranges[-1])


def _show(value: float) -> str:
    return f"{value:+.8E}"


def _query(ask: Callable[[], float], named: Callable[[], tuple[float, float, float]]) -> Act:
    """A query that also answers MIN, MAX and DEF."""

    def run(arguments: Arguments) -> str:
        arguments.expect(0, 1)
        if not arguments.texts:
            return _show(ask())
        low, high, default = named()
        return _show(arguments.number(low=low, high=high, default=default))

    return run
