"""The simulated bench: one plant, the instruments wired to it, and the mishaps of their connections.

It hands messages to instruments and replies back, the same for both ways in (`visa` on any clock, `server` over real
sockets). It knows no bytes on a wire beyond that, and no VISA.
"""

import difflib
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, TypeAlias

from instruments.clock import Clock
from instruments.datasheet import DataSheet
from instruments.errors import InputError
from instruments.simulated.bank import Bank
from instruments.simulated.faults import Fault
from instruments.simulated.instrument import Device, SimulatedInstrument
from instruments.simulated.physics import Nature, Plant
from instruments.simulated.scpi import ScpiInstrument, Switchboard
from instruments.simulated.serial import SerialInstrument
from instruments.simulated.wires import Wires

__all__ = ["Lines", "Mishap", "MishapKind", "Reply", "SimulatedBench", "SimulatedUnit"]

MishapKind: TypeAlias = Literal[
    "time-out",
    "garbled",
    "late",
    "twice",
    "again, late",
    "empty",
    "dropped",
    "overload",
    "not a number",
    "error",
    "wrong identity",
    "power-cycled",
]
_ON_REPLY: Mapping[str, bytes | None] = MappingProxyType(
    {
        "time-out": None,
        "garbled": b"\xff+1.2\x00\xb5",
        "empty": b"",
        "overload": b"+9.90000000E+37",
        "not a number": b"+9.91000000E+37",
    }
)
_OF_A_READING = {"overload", "not a number"}
_ALTERS_A_REPLY = {*_ON_REPLY, "late", "twice", "again, late"}
_LINE_MAX_N = 65536


@dataclass(frozen=True, slots=True, kw_only=True)
class Mishap:
    """Something that goes wrong between an instrument and whoever talks to it.

    Args:
        kind: "time-out" no reply; "garbled" bytes that are no text; "late" a reply that comes after the time-out, and
            is handed to the next read of a stream; "twice" the reply comes two times, "again, late" the second time
            just before the next one; "empty" the end of line alone; "dropped" the connection; "overload" and "not a
            number" 9.9E37 and 9.91E37; "error" an entry in the error queue; "wrong identity" another instrument answers
            `*IDN?` from then on; "power-cycled" settings lost before the command is done.
        instrument: by name; None = any.
        at_exchange: from which message on it is due, 1 the first; counted for the instrument, or if that is None for
            the whole bench. What alters a reply waits for the next message that has one.
        matching: due only for messages that hold this text, upper or lower case.
        times_n: how often.
        late_s: "late" over a real connection: how much later it comes.
    """

    kind: MishapKind
    instrument: str | None = None
    at_exchange: int = 1
    matching: str = ""
    times_n: int = 1
    late_s: float = 1.0


@dataclass(frozen=True, slots=True)
class Reply:
    """What an instrument sends back, without the end of line; `line` None = nothing; `again` as the mishap."""

    line: bytes | None
    late_s: float = 0.0
    is_dropped: bool = False
    again: MishapKind | None = None


class Lines:
    """Cuts the bytes of a connection into messages; one that is too long is thrown away whole."""

    def __init__(self, ends: bytes) -> None:
        self._ends = ends
        self._held = bytearray()
        self._is_overrun = False

    def feed(self, data: bytes) -> tuple[list[str], int]:
        """The messages that are complete now, without their ends and empty ones, and how many were thrown away."""
        messages, overruns_n = [], 0
        if len(self._ends) > 1:
            data = data.replace(self._ends[1:2], self._ends[:1])
        *whole, rest = data.split(self._ends[:1])
        for part in whole:
            self._hold(part)
            if self._is_overrun:
                overruns_n += 1
            elif message := self.flush().strip("\r\n"):
                messages.append(message)
            self._held.clear()
            self._is_overrun = False
        self._hold(rest)
        return messages, overruns_n

    def flush(self) -> str:
        """What stands there without an end."""
        text = self._held.decode("latin-1")
        self._held.clear()
        return text

    def _hold(self, part: bytes) -> None:
        if len(self._held) + len(part) > _LINE_MAX_N:
            self._held.clear()
            self._is_overrun = True
        elif not self._is_overrun:
            self._held += part


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulatedUnit:
    """A unit at a place of the bench: the channels that connect it, its seed, and what is wrong with it alone."""

    channels: tuple[str, ...]
    seed: int
    faults: tuple[Fault, ...] = ()


class SimulatedBench:
    """A unit on a bench of simulated instruments.

    Args:
        sheet: the ideal unit.
        instruments: as they are wired.
        clock: real, or virtual so that time-outs and apertures cost nothing.
        faults: what is wrong with unit or bench.
        nature: what is ordinarily imperfect; None = the default.
        seed: of all noise.
        mishaps: what goes wrong on the connections.
        units: at the places of the bench, where there are several; None = one, wired as it is.
        is_driven_together: the source is wired to all units; else it drives the one that is connected.
        heard: takes name and message of each exchange in process, once it is obeyed and its reply is on the way; what
            it raises comes out of the exchange, as a Ctrl-C does.

    Raises:
        InputError: an instrument is wired to no tap of the sheet, two drive one tap, or two have one name.
    """

    def __init__(  # noqa: PLR0913  all but the instruments by keyword
        self,
        sheet: DataSheet,
        instruments: Sequence[SimulatedInstrument],
        *,
        clock: Clock,
        faults: tuple[Fault, ...] = (),
        nature: Nature | None = None,
        seed: int = 1,
        mishaps: Sequence[Mishap] = (),
        units: Mapping[int, SimulatedUnit] | None = None,
        is_driven_together: bool = True,
        heard: Callable[[str, str], None] = lambda _, __: None,
    ) -> None:
        self.sheet = sheet
        self.heard = heard
        self.clock = clock
        self.plant: Plant | Bank
        if units is None:
            self.plant = Plant(sheet, faults=faults, nature=nature, seed=seed, start_s=clock.now())
        else:
            plants = {
                place: Plant(
                    sheet,
                    faults=(*faults, *each.faults),
                    nature=nature,
                    seed=each.seed,
                    source_seed=seed,
                    start_s=clock.now(),
                )
                for place, each in units.items()
            }
            channels = {place: each.channels for place, each in units.items()}
            self.plant = Bank(plants, channels, is_driven_together=is_driven_together)
        self.instruments: Mapping[str, SimulatedInstrument] = MappingProxyType({i.name: i for i in instruments})
        _check(sheet, instruments, mishaps)
        self._lock = threading.RLock()
        self.board = Switchboard(self.plant, self._lock, clock) if isinstance(self.plant, Bank) else None
        self._locks = {name: threading.RLock() for name in self.instruments}
        self._devices = {name: self._device(spec, seed) for name, spec in self.instruments.items()}
        self._exchanges_n = dict.fromkeys(self.instruments, 0)
        self._all_n = 0
        self._mishaps = tuple(mishaps)
        self._left_n = [mishap.times_n for mishap in mishaps]

    def exchange(self, name: str, message: str) -> Reply:
        """One message to an instrument, and what it sends back.

        Args:
            name: of the instrument.
            message: without its end.
        """
        device = self._devices[name]
        with self._locks[name]:  # one message at a time; another instrument is not held up while this one integrates
            self._count(name)
            if not self._mishaps:
                line = device.handle(message)
                return Reply(None if line is None else _bytes(line))
            return self._exchange_badly(name, device, message)

    def report(self, name: str, code: int) -> None:
        """An error that the connection found, into an instrument's queue."""
        with self._locks[name]:
            self._devices[name].report(code)

    def status_byte(self, name: str) -> int:
        """Status byte of an instrument, as a serial poll tells it."""
        with self._locks[name]:
            return self._devices[name].status_byte()

    @staticmethod
    def ends(spec: SimulatedInstrument) -> tuple[bytes, bytes]:
        """What ends a message to an instrument, one byte or the other, and what ends its replies."""
        return (b"\r\n", b"\r") if spec.dialect == "serial" else (b"\n", b"\n")

    def _exchange_badly(self, name: str, device: Device, message: str) -> Reply:
        for mishap in self._due(name, message, on_reply=False):
            if mishap.kind == "dropped":
                return Reply(None, is_dropped=True)
            if mishap.kind == "power-cycled":
                device.power_cycle()
            elif mishap.kind == "error":
                device.report(-240, "simulated")
            else:
                device.identity = "ANOTHER,INSTRUMENT,0,0"
        text = device.handle(message)
        if text is None:
            return Reply(None)
        line, late_s = _bytes(text), 0.0
        again: MishapKind | None = None
        for mishap in self._due(name, message, on_reply=True):
            if mishap.kind == "late":
                late_s = mishap.late_s
                continue
            if mishap.kind in {"twice", "again, late"}:
                again = mishap.kind
                continue
            altered = _altered(mishap.kind, line, message)
            if altered is None:
                return Reply(None)
            line = altered
        return Reply(line, late_s, again=again)

    def _count(self, name: str) -> None:
        with self._lock:
            self._exchanges_n[name] += 1
            self._all_n += 1

    def _due(self, name: str, message: str, *, on_reply: bool) -> list[Mishap]:
        due = []
        with self._lock:
            for index, mishap in enumerate(self._mishaps):
                counted_n = self._all_n if mishap.instrument is None else self._exchanges_n[name]
                if (
                    self._left_n[index] > 0
                    and (mishap.kind in _ALTERS_A_REPLY) == on_reply
                    and mishap.instrument in {None, name}
                    and counted_n >= mishap.at_exchange
                    and mishap.matching.upper() in message.upper()
                ):
                    self._left_n[index] -= 1
                    due.append(mishap)
        return due

    def _device(self, spec: SimulatedInstrument, seed: int) -> Device:
        names = [tap.name for tap in self.sheet.taps]
        sets, reads = (None if tap is None else names.index(tap) for tap in (spec.sets, spec.reads))
        wires = Wires(self.plant, self._lock, self.clock, sets=sets, reads=reads, holds=spec.holds)
        if spec.dialect == "serial":
            return SerialInstrument(spec, wires)
        return ScpiInstrument(spec, wires, seed=seed, board=self.board if spec.scans else None)


def _altered(kind: MishapKind, line: bytes, message: str) -> bytes | None:
    """What comes in place of a reply; what was asked before or behind a reading is answered all the same."""
    altered = _ON_REPLY[kind]
    if altered is None or kind not in _OF_A_READING or b";" not in line:
        return altered
    if message.startswith("*"):
        return b"".join((*line.rpartition(b";")[:2], altered))
    return b"".join((altered, *line.partition(b";")[1:]))


def _bytes(line: str) -> bytes:
    return line.encode("latin-1", errors="replace")


def _check(sheet: DataSheet, instruments: Sequence[SimulatedInstrument], mishaps: Sequence[Mishap]) -> None:
    taps = [tap.name for tap in sheet.taps]
    names = [spec.name for spec in instruments]
    drivers: dict[str, str] = {}
    for spec in instruments:
        if names.count(spec.name) > 1:
            raise InputError(f'two simulated instruments are called "{spec.name}"', todo="give each its own name")
        for tap in (spec.sets, spec.reads):
            if tap is not None and tap not in taps:
                close = difflib.get_close_matches(tap, taps, n=1)
                raise InputError(
                    f'no tap "{tap}" on the unit\'s sheet',
                    where=spec.name,
                    allowed=", ".join(taps),
                    todo=f'write "{close[0]}"' if close else "",
                )
        if spec.sets is not None and drivers.setdefault(spec.sets, spec.name) != spec.name:
            raise InputError(f'tap "{spec.sets}" is driven by two', where=f"{drivers[spec.sets]}, {spec.name}")
    for mishap in mishaps:
        if mishap.instrument is not None and mishap.instrument not in names:
            raise InputError(f'no instrument "{mishap.instrument}" for a mishap', allowed=", ".join(names))
