"""An open bench: instruments on their lines, sources and receivers by tap; safe on leaving `with`, whatever happens.

Sources are made safe in the order of the bench file before anything else is done.
"""

import contextlib
import math
from collections.abc import Mapping
from functools import partial
from pathlib import Path
from types import TracebackType
from typing import Self

import pyvisa

from instruments.benchfile import LoadedBench
from instruments.clock import Clock, RealClock, VirtualClock
from instruments.datasheet import DataSheet
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedScanner, DescribedSource
from instruments.description import Description
from instruments.errors import InstrumentError, LivezeroError, UnsafeError
from instruments.feedback import Feedback
from instruments.interrupts import held_off
from instruments.keyed import KeyedReceiver, KeyedSource, Person
from instruments.latch import Latch, LeftOn
from instruments.line import opened_line
from instruments.roles import Operator, Receiver, Source
from instruments.scanned import Places
from instruments.session import Teller
from instruments.simulated.setup import simulated_bench
from instruments.simulated.visa import resource_manager
from instruments.units import Quantity, Span, show
from instruments.wiring import Held, Port, Wire

__all__ = ["Bench", "backend", "connect", "latch_of", "open_bench", "visa_library"]

_SIMULATED = (
    "check the command against SCPI: the simulated bench understands SCPI and the serial tachometer that comes along; "
    "an instrument with other commands cannot be simulated, only run on a real bench"
)


class Bench:
    """Every instrument that the wiring needs, opened.

    Args:
        manager: VISA, closed with the bench; None where there is none, or other benches use it too.
        instruments: those with a line, by name.
        sources: by tap.
        receivers: by tap.
        clock: real, or virtual where the bench is simulated in process.
        places: where the units are, and what connects them; None = one unit, wired as it is.
    """

    def __init__(
        self,
        *,
        manager: pyvisa.ResourceManager | None,
        instruments: dict[str, DescribedInstrument],
        sources: dict[str, Source],
        receivers: dict[str, Receiver],
        clock: Clock,
        places: Places | None = None,
    ) -> None:
        self._manager = manager
        self.instruments = instruments
        self.sources = sources
        self.receivers = receivers
        self.clock = clock
        self._places = places
        self._is_safe = False
        self._is_known_unsafe = False
        self._unreached: list[InstrumentError] = []
        self._feedback = {
            tap: Feedback(source, receiver, clock)
            for tap, source in sources.items()
            if isinstance(source, DescribedSource)
            and isinstance(receiver := receivers.get(tap), DescribedReceiver)
            and receiver.instrument is not source.instrument
        }
        for each in receivers.values():
            if isinstance(each, DescribedReceiver):
                each.instrument.session.longest_s = partial(self._longest_s, each.instrument.description.takes)
        if places is not None:
            scanner = places.scanner.instrument
            scanner.session.longest_s = partial(self._longest_s, scanner.description.takes)
        self.told: set[str] = set()  # sources made safe by word alone: nothing proves it

    def prepare(self) -> dict[str, str]:
        """Identify each instrument, clear its error queue, bring each output to its safe level.

        Returns:
            Identity by instrument name.

        Raises:
            InstrumentError: one does not answer, is another, or reports an error.
            UnsafeError: an output cannot be brought to its safe level.
        """
        for instrument in self.instruments.values():
            instrument.meet()
        # Before any set-up: an output may still be on from a run that was cut off.
        if set(self.make_safe()) < {source.name for source in self.sources.values()}:
            raise self._unreached[0]
        for instrument in self.instruments.values():
            instrument.set_up()
        if self._places is not None:
            self._places.scanner.open_all()
        self._is_safe = False
        return {name: instrument.identity for name, instrument in self.instruments.items()}

    @property
    def exchange_s(self) -> dict[str, float]:
        """What a question and its answer took lately, by instrument: once it is prepared, what its line takes."""
        found = {name: instrument.session.exchange_s for name, instrument in self.instruments.items()}
        return {name: each for name, each in found.items() if math.isfinite(each)}

    def _longest_s(self, takes_s: float) -> float:
        """How long a reader may be silent: with an output on no longer than a source may, beyond what a reading takes.

        So the time-out of the source alone says how soon it is told off, however patient its readers are.
        """
        sources = (each for each in self.sources.values() if isinstance(each, DescribedSource) and each.is_on)
        return takes_s + min((each.instrument.description.timeout for each in sources), default=math.inf)

    def tell_off(self) -> None:
        """Send every source that was driven its safe level and off, none of them waited for and nothing proved."""
        with held_off():
            for source in self.sources.values():
                with contextlib.suppress(Exception):  # a fault of a driver must not keep the next source on
                    source.tell_off()

    def make_safe(self) -> dict[str, str]:
        """Bring every output to its safe level, in order; every one is tried, whatever becomes of the others.

        No signal interrupts it: one that comes in between counts afterwards. Every wait in it ends.

        Returns:
            The safe level by instrument name; a source that cannot be reached, and that this bench never set, is not
            in it.

        Raises:
            UnsafeError: one or more could not be made safe.
        """
        done: dict[str, str] = {}
        failed: list[UnsafeError] = []
        self._unreached = []
        self.told = {source.name for source in self.sources.values() if not source.proves_safe}
        if len(self.sources) > 1:  # one that is silent, and waited for, must not keep the others on
            self.tell_off()
        with held_off():
            for source in self.sources.values():
                try:
                    source.make_safe()
                    done[source.name] = show(source.safe_level)
                except UnsafeError as error:
                    failed.append(error)
                except InstrumentError as error:
                    self._unreached.append(error)
                except Exception as error:  # noqa: BLE001  a fault of a driver must not keep the next source on
                    what = f"{source.name} could not be brought to its safe level of {show(source.safe_level)}"
                    failed.append(UnsafeError(what, where=source.name, todo=f"switch it off by hand, now ({error})"))
            for tap, feedback in self._feedback.items():
                name = feedback.source.name
                try:
                    if name in done and feedback.hear(tap):
                        self.told.discard(name)
                except UnsafeError as error:
                    failed.append(error)
        if failed:
            self._is_known_unsafe = True
            first, *others = failed
            raise UnsafeError(first.what, where=first.where, todo=first.todo, others=tuple(others))
        self._is_safe = True
        return done

    def seen_at(self, place: int | None) -> Mapping[str, Receiver]:
        """The receivers by tap, as the unit at a place sees them; None = the first place, or the only unit."""
        return self.receivers if self._places is None else self._places.receivers(place, self.receivers)

    def connect(self, place: int | None) -> None:
        """Connect the unit at a place, source and all; nothing to do where one is wired. Raises InstrumentError."""
        if self._places is not None:
            self._places.connect(place)

    def moved(self) -> None:
        """The input leaves its level."""
        if self._places is not None:
            self._places.moved()

    def recover_receivers(self) -> None:
        """After touch was lost: scanner and receivers back on their lines; raises InstrumentError."""
        if self._places is not None:
            self._places.scanner.recover()
        for receiver in self.receivers.values():
            receiver.recover()

    def took(self, tap: str, reading: float) -> None:
        """A reading at a tap, in the unit selected: what tells later whether a source there is off."""
        if tap in self._feedback:
            self._feedback[tap].take(reading)

    def driven_by(self, *, serial: str, record: Path) -> None:
        """Name the run that will drive the sources, for who finds them left on."""
        for source in self.sources.values():
            if isinstance(source, DescribedSource) and source.latch is not None:
                source.latch.belongs_to(serial=serial, record=record)

    def close(self) -> None:
        """Give front panels back and close every line, the last opened first."""
        if self._places is not None and self._places.scanner.instrument.was_met:
            with contextlib.suppress(InstrumentError):  # nothing is read any more, and the outputs are off
                self._places.scanner.open_all()
        for instrument in reversed(self.instruments.values()):
            instrument.close()
        if self._manager is not None:
            self._manager.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        was_known = self._is_known_unsafe
        try:
            if not self._is_safe:
                self.make_safe()
        except UnsafeError:
            if not was_known:  # it was raised once: tried again here, it must not hide what the caller made of it
                raise
        finally:
            self.close()


def open_bench(
    loaded: LoadedBench,
    *,
    sheet: DataSheet,
    wires: tuple[Wire, ...],
    limits: tuple[tuple[str, Span], ...],
    operator: Operator,
    tell: Teller,
    held: tuple[Held, ...] = (),
) -> Bench:
    """Open what the wiring needs; nothing is set and nothing is asked yet.

    Args:
        loaded: the bench file with its descriptions.
        sheet: the unit, which the simulated bench takes as its model.
        wires: what serves which tap.
        limits: of the unit and the bench, as signals of the first tap.
        operator: whom keyed instruments ask.
        tell: takes each exchange.
        held: what else is held while the unit is tested; its sources stand behind that of the unit, by its name.

    Raises:
        InputError: a simulated fault that is not in the catalogue.
        InstrumentError: no such VISA backend, or a resource that cannot be opened.
    """
    manager, clock = backend(loaded, sheet)
    # A real VISA is one for the whole program: closing its manager would close the lines of every other bench.
    own = manager if loaded.file.is_simulated else None
    all_wires = (*wires, *(each.wire for each in held))
    names = [port.instrument for each in all_wires for port in (each.source, each.receiver) if port is not None]
    units = loaded.file.units
    instruments: dict[str, DescribedInstrument] = {}
    try:
        for name in (*names, *([units.connected_by] if units is not None else [])):
            description = loaded.descriptions[name]
            if name not in instruments and description.kind == "remote":
                assert manager is not None
                instruments[name] = connect(loaded, name, description, manager, clock, tell)
    except LivezeroError:
        for instrument in instruments.values():
            instrument.session.close()
        if own is not None:
            own.close()
        raise
    sources: dict[str, Source] = {}
    receivers: dict[str, Receiver] = {}
    person = Person(operator)  # one for all, since "back" goes back to what was read at another meter
    for each in wires:
        if each.source is not None:
            sources[each.tap] = _source(each, each.source, loaded, instruments, limits, person, clock)
        if each.receiver is not None:
            receivers[each.tap] = _receiver(each, each.receiver, loaded, instruments, person, clock)
    for beside in held:
        assert beside.wire.source is not None
        sources[beside.name] = _source(
            beside.wire, beside.wire.source, loaded, instruments, beside.limits, person, clock
        )
    return Bench(
        manager=own,
        instruments=instruments,
        sources=sources,
        receivers=receivers,
        clock=clock,
        places=_places(loaded, wires, instruments, clock),
    )


def _places(
    loaded: LoadedBench, wires: tuple[Wire, ...], instruments: Mapping[str, DescribedInstrument], clock: Clock
) -> Places | None:
    """Where the units are, where there are several."""
    units = loaded.file.units
    if units is None:
        return None
    scanner = DescribedScanner(instrument=instruments[units.connected_by], clock=clock)
    ranges = {
        each.tap: loaded.descriptions[each.receiver.instrument].functions[each.receiver.function].ranges
        for each in wires
        if each.receiver is not None
    }
    return Places(units, scanner, first_tap=wires[0].tap, ranges=ranges, clock=clock)


def backend(loaded: LoadedBench, sheet: DataSheet) -> tuple[pyvisa.ResourceManager | None, Clock]:
    """VISA and the clock of a bench; no VISA where every instrument is keyed.

    Raises:
        InputError: a simulated fault that is not in the catalogue.
        InstrumentError: no such backend.
    """
    if loaded.file.is_simulated:
        clock = VirtualClock()
        return resource_manager(simulated_bench(loaded, sheet, clock)), clock
    if all(description.kind == "keyed" for description in loaded.descriptions.values()):
        return None, RealClock()
    try:
        return pyvisa.ResourceManager(visa_library(loaded)), RealClock()
    except Exception as error:  # backends let out whatever their files and libraries raise
        what, todo = _unusable(visa_library(loaded))
        raise InstrumentError(
            f'VISA backend "{loaded.file.backend}" cannot be used: {what}',
            where=loaded.where("backend"),
            allowed='"@py", "@ivi" for the system\'s VISA library, "file.yaml@sim", or "simulated"',
            todo=todo,
        ) from error


def _unusable(library: str) -> tuple[str, str]:
    """What is wrong with a backend that cannot be used, and what to do."""
    path, at, name = library.rpartition("@")
    if not at or (name == "ivi" and path):
        what = "it is no VISA library of this computer" if Path(path or name).is_file() else "there is no such library"
        return what, 'write the path of the VISA library that is installed, or "@py", which comes along'
    if name == "ivi":
        return "no VISA library is installed on this computer", 'install one, or write "@py", which comes along'
    if name == "sim" and path:
        if not Path(path).is_file():
            return f"there is no file {path}", "correct the name; it is taken from the folder of the bench file"
        return f"{path} describes no simulated instruments", "correct the file, by the manual of pyvisa-sim"
    return f'there is no backend named "{name}"', f'install pyvisa-{name or "NAME"}, or write "@py", which comes along'


def visa_library(loaded: LoadedBench) -> str:
    """The backend of a bench as VISA takes it, wherever the bench file lies."""
    library = loaded.file.backend
    path, at, name = library.rpartition("@")
    if path and at:  # a file of pyvisa-sim lies beside the bench file
        return f"{(loaded.path.parent / path).resolve()}@{name}"
    if library and not at and not loaded.file.is_simulated:  # the path of a system VISA library
        return str(Path(library).expanduser())
    return library


def connect(
    loaded: LoadedBench,
    name: str,
    description: Description,
    manager: pyvisa.ResourceManager,
    clock: Clock,
    tell: Teller,
) -> DescribedInstrument:
    """Open the line to one instrument; nothing is sent. Raises InstrumentError."""
    instrument = loaded.file.instruments[name]
    session = opened_line(
        name,
        instrument.resource,
        description,
        manager,
        clock,
        tell,
        hint=_SIMULATED if loaded.file.is_simulated else "",
    )
    return DescribedInstrument(
        name=name, description=description, session=session, expected_identity=instrument.identity
    )


def _source(
    each: Wire,
    port: Port,
    loaded: LoadedBench,
    instruments: dict[str, DescribedInstrument],
    limits: tuple[tuple[str, Span], ...],
    operator: Operator,
    clock: Clock,
) -> Source:
    assert each.safe_level is not None
    if port.instrument not in instruments:
        return KeyedSource(
            name=port.instrument,
            function=port.function,
            limits=(("range of the source", port.entry.range), *limits),
            safe_level=each.safe_level,
            operator=operator,
        )
    return DescribedSource(
        instrument=instruments[port.instrument],
        function=port.function,
        limits=limits,
        safe_level=each.safe_level,
        clock=clock,
        latch=latch_of(loaded, port, each.safe_level),
    )


def latch_of(loaded: LoadedBench, port: Port, safe_level: Quantity) -> Latch | None:
    """What says that a source was driven, and is not proved safe yet; None of a simulated one, which hurts nobody."""
    if loaded.file.is_simulated:
        return None
    return Latch(
        LeftOn(
            name=port.instrument,
            resource=loaded.file.instruments[port.instrument].resource,
            library=visa_library(loaded),
            function=port.function,
            safe_level=str(safe_level),
            description=loaded.descriptions[port.instrument],
        )
    )


def _receiver(
    each: Wire,
    port: Port,
    loaded: LoadedBench,
    instruments: dict[str, DescribedInstrument],
    operator: Operator,
    clock: Clock,
) -> Receiver:
    if port.instrument not in instruments:
        return KeyedReceiver(
            name=port.instrument,
            function=port.function,
            spec=loaded.descriptions[port.instrument].functions[port.function],
            tap=each.tap,
            operator=operator,
            clock=clock,
        )
    return DescribedReceiver(instrument=instruments[port.instrument], function=port.function, clock=clock)
