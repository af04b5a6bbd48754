"""An instrument that speaks lines of its own, as a tachometer or a drive does; it knows no SCPI."""

import math
from collections.abc import Callable, Mapping

from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.wires import Wires

__all__ = ["SerialInstrument"]


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
