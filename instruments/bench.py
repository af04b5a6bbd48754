"""Opens a bench: the lines to what its wiring needs, and what sets and reads at each tap."""

from collections.abc import Mapping
from pathlib import Path

import pyvisa

from instruments.benchfile import LoadedBench
from instruments.clock import Clock, RealClock, VirtualClock
from instruments.datasheet import DataSheet
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedScanner, DescribedSource
from instruments.description import Description
from instruments.driven import DrivenInstrument
from instruments.errors import InstrumentError, LivezeroError
from instruments.keyed import KeyedReceiver, KeyedSource, Person
from instruments.latch import Latch, LeftOn
from instruments.line import opened_line
from instruments.openbench import Bench
from instruments.roles import Operator, Receiver, Source
from instruments.scanned import Places
from instruments.session import Teller
from instruments.simulated.setup import simulated_bench
from instruments.simulated.visa import resource_manager
from instruments.units import Quantity, Span
from instruments.wiring import Held, Port, Wire

__all__ = ["Bench", "backend", "connect", "connect_driver", "latch_of", "open_bench", "visa_library"]

_SIMULATED = (
    "check the command against SCPI: the simulated bench understands SCPI and the serial tachometer that comes along; "
    "an instrument with other commands cannot be simulated, only run on a real bench"
)


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
    all_names = dict.fromkeys((*names, *([units.connected_by] if units is not None else [])))
    try:
        instruments, driven = _connected(loaded, tuple(all_names), manager, clock, tell)
    except LivezeroError:
        if own is not None:
            own.close()
        raise
    talked_to: dict[str, DescribedInstrument | DrivenInstrument] = {**instruments, **driven}
    sources: dict[str, Source] = {}
    receivers: dict[str, Receiver] = {}
    person = Person(operator)  # one for all, since "back" goes back to what was read at another meter
    for each in wires:
        if each.source is not None:
            sources[each.tap] = _source(each, each.source, loaded, talked_to, limits, person, clock)
        if each.receiver is not None:
            receivers[each.tap] = _receiver(each, each.receiver, loaded, talked_to, person, clock)
    for beside in held:
        assert beside.wire.source is not None
        sources[beside.name] = _source(beside.wire, beside.wire.source, loaded, talked_to, beside.limits, person, clock)
    return Bench(
        manager=own,
        instruments=instruments,
        sources=sources,
        receivers=receivers,
        clock=clock,
        places=_places(loaded, wires, instruments, clock),
        driven=driven,
    )


def _connected(
    loaded: LoadedBench, names: tuple[str, ...], manager: pyvisa.ResourceManager | None, clock: Clock, tell: Teller
) -> tuple[dict[str, DescribedInstrument], dict[str, DrivenInstrument]]:
    """Those with a line, and those with a driver; where one cannot be opened all are closed again."""
    instruments: dict[str, DescribedInstrument] = {}
    driven: dict[str, DrivenInstrument] = {}
    try:
        for name in names:
            description = loaded.descriptions[name]
            if description.driver:
                driven[name] = connect_driver(loaded, name, description, clock)
            elif description.kind == "remote":
                assert manager is not None
                instruments[name] = connect(loaded, name, description, manager, clock, tell)
    except LivezeroError:
        for instrument in instruments.values():
            instrument.session.close()
        for each in driven.values():
            each.close()
        raise
    return instruments, driven


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
        simulation = loaded.file.simulation
        clock = VirtualClock.on(simulation.date if simulation is not None else None)
        return resource_manager(simulated_bench(loaded, sheet, clock)), clock
    if all(description.kind == "keyed" or description.driver for description in loaded.descriptions.values()):
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
    where = loaded.password(name)
    return DescribedInstrument(
        name=name,
        description=description,
        session=session,
        expected_identity=instrument.identity,
        password=where.read(where=loaded.where("instruments", name, "password")) if where else "",
    )


def connect_driver(loaded: LoadedBench, name: str, description: Description, clock: Clock) -> DrivenInstrument:
    """What a driver of an installed package talks to; nothing is set. Raises InputError, InstrumentError."""
    instrument = loaded.file.instruments[name]
    where = loaded.where("instruments", name)
    return DrivenInstrument(
        name=name,
        resource=instrument.resource,
        description=description,
        clock=clock,
        where=where,
        expected_identity=instrument.identity,
    )


def _source(
    each: Wire,
    port: Port,
    loaded: LoadedBench,
    instruments: Mapping[str, DescribedInstrument | DrivenInstrument],
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
    instrument, latch = instruments[port.instrument], latch_of(loaded, port, each.safe_level)
    if isinstance(instrument, DrivenInstrument):
        stated = (("range of the source", port.entry.range), *limits)
        return instrument.source(port.function, limits=stated, safe_level=each.safe_level, latch=latch)
    return DescribedSource(
        instrument=instrument,
        function=port.function,
        limits=limits,
        safe_level=each.safe_level,
        clock=clock,
        latch=latch,
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
            password=loaded.password(port.instrument),
        )
    )


def _receiver(
    each: Wire,
    port: Port,
    loaded: LoadedBench,
    instruments: Mapping[str, DescribedInstrument | DrivenInstrument],
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
    instrument = instruments[port.instrument]
    if isinstance(instrument, DrivenInstrument):
        return instrument.receiver(port.function)
    return DescribedReceiver(instrument=instrument, function=port.function, clock=clock)
