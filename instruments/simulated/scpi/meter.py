"""The measuring half of a simulated SCPI instrument: ranges, integration, readings, and the counter for pulses."""

import math
import random

from instruments.simulated.scpi.functions import FUNCTIONS, Function, add_number, carried, number_told, range_for
from instruments.simulated.scpi.message import Arguments, ScpiError
from instruments.simulated.scpi.tree import Tree, plain
from instruments.simulated.wires import Wires

__all__ = ["ScpiMeter"]

_NOISE = 5e-7  # standard deviation at one power line cycle, of the range
_GAIN = 1e-5  # standard deviation of the gain error, drawn once an instrument, never beyond two of them
_OVER_RANGE = 1.2
_FIRST_OFF = 2e-4  # the first reading after a change of range or function is off by this much of the range ...
_NEXT_OFF = 0.05  # ... and each one after it by this part of the one before
_OVERLOAD = 9.9e37
_NAN = 9.91e37
_LINE_HZ = 50.0
_CLOCK_S = 1e-8  # a reciprocal counter's clock period, interpolated
_NO_SIGNAL_S = 1.0


class ScpiMeter:
    """The measuring half of a SCPI instrument: meter and counter.

    Args:
        wires: to the tap that it reads.
        tree: the commands of the instrument; those of a meter are added.
        rng: of its noise and its own gain error.

    Raises:
        InputError: no SCPI function carries the signal of the tap.
    """

    def __init__(self, wires: Wires, tree: Tree, rng: random.Random) -> None:
        assert wires.read_unit is not None
        self._wires, self._rng = wires, rng
        self._wired, self._factor = carried(wires.read_unit)
        self._counter = _Counter(wires, rng)
        self._gain = 1 + _GAIN * min(2.0, max(-2.0, rng.gauss(0, 1)))
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
        self._counter.add(tree)

    def reset(self) -> None:
        """Function as wired is not known to a meter: it wakes up on voltage, ranges automatic, one line cycle."""
        self._function = "VOLT"
        self._fixed: dict[str, float | None] = dict.fromkeys(FUNCTIONS)
        self._cycles = dict.fromkeys(FUNCTIONS, 1.0)
        self._counter.reset()
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
        chosen = range_for(FUNCTIONS[word].meter_ranges, wanted)
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
        low, high, default = _ends(function)
        self._fix(function.word, arguments.number(unit=function.unit, low=low, high=high, default=default))

    def _add(self, tree: Tree, function: Function) -> None:
        forms = [f"{function.form}[:DC]" if function.is_bipolar else function.form]
        if function.word == "RES":
            forms.append("FRESistance")

        def configure(arguments: Arguments) -> None:
            self._configure(function, arguments)

        def measure(arguments: Arguments) -> str:
            self._configure(function, arguments)
            return self._read()

        for form in forms:
            tree.add(f"CONFigure[:SCALar]:{form}", configure)
            tree.add(f"MEASure[:SCALar]:{form}?", measure)
            node = f"[SENSe]:{form}"
            self._add_range(tree, f"{node}:RANGe", function)
            if function.word != "FREQ":
                self._add_integration(tree, node, function.word)

    def _add_range(self, tree: Tree, header: str, function: Function) -> None:
        word, high = function.word, function.meter_ranges[-1]

        def range_now() -> float:
            return self._range_now if word == self._function else high

        def set_auto(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            if arguments.boolean():
                self._fixed[word] = None
            else:
                self._fix(word, range_now())

        add_number(
            tree,
            f"{header}[:UPPer]",
            ask=lambda: self._fixed[word] or range_now(),
            take=lambda wanted: self._fix(word, wanted),
            named=lambda: _ends(function),
            unit=function.unit,
        )
        tree.add(f"{header}:AUTO", set_auto)
        tree.add(f"{header}:AUTO?", plain(lambda: str(int(self._fixed[word] is None))))

    def _add_integration(self, tree: Tree, node: str, word: str) -> None:
        def set_cycles(cycles: float) -> None:
            self._cycles[word] = cycles

        def set_aperture(aperture_s: float) -> None:
            self._cycles[word] = aperture_s * _LINE_HZ

        add_number(
            tree,
            f"{node}:NPLCycles",
            ask=lambda: self._cycles[word],
            take=set_cycles,
            named=lambda: (0.01, 100.0, 1.0),
        )
        add_number(
            tree,
            f"{node}:APERture",
            ask=lambda: self._cycles[word] / _LINE_HZ,
            take=set_aperture,
            named=lambda: (0.01 / _LINE_HZ, 100 / _LINE_HZ, 1 / _LINE_HZ),
            unit="S",
        )

    # Readings

    def _initiate(self) -> None:
        self._readings = tuple(self._sample() for _ in range(self._samples_n))

    def _fetch(self) -> str:
        if not self._readings:
            raise ScpiError(-230)
        return ",".join(number_told(reading) for reading in self._readings)

    def _read(self) -> str:
        self._initiate()
        return self._fetch()

    def _sample(self) -> float:
        if self._function == "FREQ":
            return self._counter.count(self._factor if self._wired == "FREQ" else 0.0, self._gain)
        word = self._function
        cycles = self._cycles[word]
        level = self._wires.see(cycles / _LINE_HZ) * self._factor if word == self._wired else 0.0
        if word != self._wired:
            self._wires.see(cycles / _LINE_HZ)
        fixed = self._fixed[word]
        chosen = range_for(FUNCTIONS[word].meter_ranges, level, over=_OVER_RANGE) if fixed is None else fixed
        if chosen != self._range_now:
            self._off, self._range_now = 1.0, chosen
        if math.isnan(level):
            return _NAN
        if abs(level) > _OVER_RANGE * chosen:
            return math.copysign(_OVERLOAD, level)
        level = level * self._gain + self._rng.gauss(0.0, chosen * _NOISE) / math.sqrt(cycles)
        level += self._off * _FIRST_OFF * chosen
        self._off = self._off * _NEXT_OFF if self._off > 1e-3 else 0.0
        step = chosen * (1e-6 if cycles >= 1 else 1e-5 if cycles >= 0.1 else 1e-4)
        return step * round(level / step)


class _Counter:
    """What counts pulses in a gate; its settings belong to no range."""

    def __init__(self, wires: Wires, rng: random.Random) -> None:
        self._wires, self._rng = wires, rng
        self.reset()

    def reset(self) -> None:
        """A gate of 0.1 s, reciprocal."""
        self._gate_s = 0.1
        self._is_reciprocal = True

    def add(self, tree: Tree) -> None:
        """Its commands into the tree of the instrument."""

        def set_gate(gate_s: float) -> None:
            self._gate_s = gate_s

        def set_mode(arguments: Arguments) -> None:
            arguments.expect(1, 1)
            self._is_reciprocal = arguments.word(["RECiprocal", "DIRect"]) == "REC"

        for form in ("APERture", "GATE:TIME"):
            add_number(
                tree,
                f"[SENSe]:FREQuency:{form}",
                ask=lambda: self._gate_s,
                take=set_gate,
                named=lambda: (1e-3, 100.0, 0.1),
                unit="S",
            )
        tree.add("[SENSe]:FREQuency:MODE", set_mode)
        tree.add("[SENSe]:FREQuency:MODE?", plain(lambda: "REC" if self._is_reciprocal else "DIR"))

    def count(self, factor: float, gain: float) -> float:
        """A rate in Hz: what is seen, times its `factor` to Hz and the `gain` of this counter; 0 for no signal."""
        rate_Hz = self._wires.see(self._gate_s) * factor * gain
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


def _ends(function: Function) -> tuple[float, float, float]:
    """What a meter can be told as a range, and takes by default: 0 means the smallest."""
    return 0.0, function.meter_ranges[-1], function.meter_ranges[-1]
