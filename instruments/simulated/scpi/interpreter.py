"""One instrument's side of SCPI-1999 and IEEE 488.2: replies, error queue, status registers (rules from memory).

The current-node rule of `;` and the common commands. It knows no instrument: those add their commands to a `Tree`.
Macros are not understood.
"""

import csv
import functools
from collections import deque
from collections.abc import Callable

from instruments.shipped import shipped
from instruments.simulated.scpi.message import Arguments, ScpiError, message_unit, split
from instruments.simulated.scpi.tree import Act, Tree, plain

__all__ = ["Interpreter", "error_text"]

_QUEUE_N = 20
_COMMAND_ERROR, _EXECUTION_ERROR, _DEVICE_ERROR, _QUERY_ERROR = 32, 16, 8, 4
_OPERATION_COMPLETE, _POWER_ON = 1, 128


@functools.cache
def _texts() -> dict[int, str]:
    lines = shipped("shared", "scpi-standard-errors.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return {int(row["code"]): row["text"] for row in rows}


def error_text(code: int, info: str = "") -> str:
    """An error queue entry as it is sent, such as -222,"Data out of range"."""
    text = _texts().get(code, "Device specific error")
    quoted = f"{text};{info}" if info else text
    return f'{code},"{quoted.replace(chr(34), chr(39))[:255]}"'


class Interpreter:
    """One instrument's parser, output of replies, error queue and status registers.

    Args:
        tree: the instrument's own commands; the common ones and the error queue are added here.
        identity: reply to `*IDN?`.
        reset: what `*RST` does.
    """

    def __init__(self, tree: Tree, *, identity: str, reset: Callable[[], None]) -> None:
        self.identity = identity
        self._tree = tree
        self._reset = reset
        self._errors: deque[int | tuple[int, str]] = deque()
        self._esr = _POWER_ON
        self._ese = self._sre = 0
        self._add_common()

    def handle(self, message: str) -> str | None:
        """The reply to one program message, without its end; None if there is nothing to say."""
        replies: list[str] = []
        path: tuple[str, ...] = ()
        try:
            units = split(message, ";")
        except ScpiError as error:
            self.report(error.code, error.info)
            return None
        for text in units:
            bare = text.strip()
            if not bare:
                continue
            try:
                path = self._execute(bare, path, replies)
            except ScpiError as error:
                self.report(error.code, error.info)
                if -199 <= error.code <= -100:  # the rest of the message cannot be trusted
                    break
        return ";".join(replies) if replies else None

    def _execute(self, text: str, path: tuple[str, ...], replies: list[str]) -> tuple[str, ...]:
        unit = message_unit(text)
        if unit.mnemonics[0][0] == "*":  # a common command leaves the current node alone
            full, after = unit.mnemonics, path
        else:
            full = unit.mnemonics if unit.is_absolute else path + unit.mnemonics
            after = full[:-1]
        reply = self._tree.find(full, is_query=unit.is_query)(unit.arguments)
        if reply is not None:
            replies.append(reply)
        return after

    def report(self, code: int, info: str = "") -> None:
        """An error into the queue and its bit into the event register."""
        if len(self._errors) >= _QUEUE_N:
            self._errors[-1] = -350
        else:
            self._errors.append((code, info))
        bits = {1: _COMMAND_ERROR, 2: _EXECUTION_ERROR, 3: _DEVICE_ERROR, 4: _QUERY_ERROR}
        self._esr |= bits.get(-code // 100, _DEVICE_ERROR)

    def power_on(self) -> None:
        """What a power cycle leaves: an empty queue and the power-on bit."""
        self._errors.clear()
        self._esr, self._ese, self._sre = _POWER_ON, 0, 0

    @property
    def status_byte(self) -> int:
        """Bits: 4 error queue not empty, 32 event summary, 64 master summary; 16, a reply waits, is the session's."""
        byte = (4 if self._errors else 0) | (32 if self._esr & self._ese else 0)
        return byte | (64 if byte & self._sre else 0)

    def _next_error(self, arguments: Arguments) -> str:
        arguments.expect(0, 0)
        if not self._errors:
            return error_text(0)
        entry = self._errors.popleft()
        return error_text(entry) if isinstance(entry, int) else error_text(*entry)

    def _all_errors(self, arguments: Arguments) -> str:
        replies = [self._next_error(arguments)]
        while self._errors:
            replies.append(self._next_error(arguments))
        return ",".join(replies)

    def _clear(self) -> None:
        self._errors.clear()
        self._esr = 0

    def _read_events(self) -> str:
        events, self._esr = self._esr, 0
        return str(events)

    def _complete(self) -> None:
        self._esr |= _OPERATION_COMPLETE

    def _add_common(self) -> None:
        add = self._tree.add

        def enable(name: str) -> Act:
            def act(arguments: Arguments) -> None:
                arguments.expect(1, 1)
                setattr(self, name, round(arguments.number(low=0, high=255, default=0)))

            return act

        add("*IDN?", plain(lambda: self.identity))
        add("*RST", plain(self._reset))
        add("*CLS", plain(self._clear))
        add("*ESR?", plain(self._read_events))
        add("*ESE", enable("_ese"))
        add("*ESE?", plain(lambda: str(self._ese)))
        add("*SRE", enable("_sre"))
        add("*SRE?", plain(lambda: str(self._sre)))
        add("*STB?", plain(lambda: str(self.status_byte)))
        add("*OPC", plain(self._complete))
        add("*OPC?", plain(lambda: "1"))  # all here is done before the next command is looked at
        add("*WAI", plain(lambda: None))
        add("*TST?", plain(lambda: "0"))
        add("SYSTem:ERRor[:NEXT]?", self._next_error)
        add("SYSTem:ERRor:ALL?", self._all_errors)
        add("SYSTem:ERRor:COUNt?", plain(lambda: str(len(self._errors))))
        add("SYSTem:VERSion?", plain(lambda: "1999.0"))
        for word in ("REMote", "LOCal", "RWLock", "BEEPer[:IMMediate]"):
            add(f"SYSTem:{word}", plain(lambda: None))
        add("STATus:PRESet", plain(lambda: None))
        for register in ("OPERation", "QUEStionable"):
            for part in ("[:EVENt]", ":CONDition"):
                add(f"STATus:{register}{part}?", plain(lambda: "0"))
