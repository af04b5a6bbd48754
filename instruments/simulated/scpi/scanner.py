"""The switching half of a simulated SCPI instrument: channels that close and open."""

import threading

from instruments.channels import as_list, channels_of
from instruments.clock import Clock
from instruments.errors import InputError
from instruments.simulated.bank import Bank
from instruments.simulated.scpi.message import Arguments, ScpiError
from instruments.simulated.scpi.tree import Tree, plain

__all__ = ["ScpiScanner", "Switchboard"]


class Switchboard:
    """The channels as the scanner moves them: the units behind them, the time, and relays that do not move any more."""

    def __init__(self, bank: Bank, lock: threading.RLock, clock: Clock) -> None:
        self.bank, self._lock, self._clock = bank, lock, clock
        self.stuck: set[str] = set()

    def switch(self, channels: tuple[str, ...], *, is_closed: bool) -> None:
        """Close or open channels; those that are stuck stay as they are."""
        with self._lock:
            moved = [each for each in channels if each not in self.stuck]
            self.bank.switch(self._clock.now(), moved, is_closed=is_closed)


class ScpiScanner:
    """The switching half of a SCPI instrument.

    Args:
        board: what it switches.
        tree: the commands of the instrument; those of a scanner are added.
    """

    def __init__(self, board: Switchboard, tree: Tree) -> None:
        self._board = board
        self.reset()
        tree.add("ROUTe:CLOSe", lambda given: self._switch(given, is_closed=True))
        tree.add("ROUTe:OPEN", lambda given: self._switch(given, is_closed=False))
        tree.add("ROUTe:OPEN:ALL", plain(self.reset))
        tree.add("ROUTe:CLOSe?", lambda given: self._states(given, is_closed=True))
        tree.add("ROUTe:OPEN?", lambda given: self._states(given, is_closed=False))
        tree.add("ROUTe:CLOSe:STATe?", plain(lambda: f"(@{as_list(tuple(sorted(self._board.bank.closed)))})"))

    def reset(self) -> None:
        """Everything opens."""
        self._board.switch(tuple(self._board.bank.closed), is_closed=False)

    def _switch(self, arguments: Arguments, *, is_closed: bool) -> None:
        self._board.switch(self._channels(arguments), is_closed=is_closed)

    def _states(self, arguments: Arguments, *, is_closed: bool) -> str:
        closed = self._board.bank.closed
        return ",".join(str(int((each in closed) == is_closed)) for each in self._channels(arguments))

    def _channels(self, arguments: Arguments) -> tuple[str, ...]:
        arguments.expect(1, 1)
        text = arguments.texts[0]
        if not text.startswith("(@"):
            raise ScpiError(-104)
        try:
            channels = channels_of(text)
        except InputError as error:
            raise ScpiError(-171) from error  # invalid expression
        if not self._board.bank.known.issuperset(channels):
            raise ScpiError(-222)
        return channels
