"""One SCPI instrument: source, meter, counter and scanner, or several of these in one box, behind one parser."""

import random

from instruments.simulated.instrument import SimulatedInstrument
from instruments.simulated.scpi.interpreter import Interpreter
from instruments.simulated.scpi.meter import ScpiMeter
from instruments.simulated.scpi.scanner import ScpiScanner, Switchboard
from instruments.simulated.scpi.source import ScpiSource
from instruments.simulated.scpi.tree import Tree
from instruments.simulated.wires import Wires

__all__ = ["ScpiInstrument"]


class ScpiInstrument:
    """A SCPI instrument on the plant: source, meter and counter, as far as it is wired to be.

    Raises:
        InputError: it is wired to a tap whose signal no SCPI function carries.
    """

    def __init__(self, spec: SimulatedInstrument, wires: Wires, *, seed: int, board: Switchboard | None = None) -> None:
        tree = Tree()
        rng = random.Random(f"{seed}/{spec.name}")  # noqa: S311  noise, not a secret
        self._source = ScpiSource(wires, tree) if wires.set_unit is not None else None
        self._meter = ScpiMeter(wires, tree, rng) if wires.read_unit is not None else None
        self._scanner = ScpiScanner(board, tree) if board is not None else None
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
        if self._scanner:
            self._scanner.reset()
