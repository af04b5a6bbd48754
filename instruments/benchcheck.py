"""Proves a bench and its descriptions: each instrument talked to, each function and range taken, nothing energised."""

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

import pyvisa

from instruments.bench import backend, connect, connect_driver
from instruments.benchfile import LoadedBench
from instruments.clock import Clock
from instruments.datasheet import DataSheet
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedSource
from instruments.description import Description
from instruments.errors import InstrumentError, LivezeroError, NoReadingError, UnsafeError, shortened
from instruments.functions import RangeEntry
from instruments.simulated.setup import is_simulated
from instruments.texts import counted
from instruments.units import show

__all__ = ["InstrumentCheck", "check"]


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentCheck:
    """What was found at one instrument; `error` is what ended the check of it, None if nothing did."""

    instrument: str
    resource: str
    what: str
    identity: str
    findings: tuple[str, ...]
    error: LivezeroError | None
    is_told_only: bool = False  # nothing was asked of it: it may not even be there


def check(
    loaded: LoadedBench, sheet: DataSheet, *, unsafe: Mapping[str, UnsafeError] = MappingProxyType({})
) -> tuple[InstrumentCheck, ...]:
    """Talk to each instrument of a bench in the order of its file; one that fails does not keep the next from its turn.

    Args:
        loaded: the bench.
        sheet: the unit that a simulated bench takes.
        unsafe: what keeps an instrument from being proved safe, by its name; it is not talked to.

    Raises:
        InputError: a simulated fault that is not in the catalogue.
        InstrumentError: the VISA backend cannot be used.
    """
    manager, clock = backend(loaded, sheet)
    try:
        return tuple(
            _left_out(loaded, name)
            if loaded.file.is_simulated and not _is_there(loaded, sheet, name)
            else _check_one(loaded, name, manager, clock, unsafe.get(name))
            for name in loaded.file.instruments
        )
    finally:
        if manager is not None and loaded.file.is_simulated:  # a real VISA is shared by the whole program
            manager.close()


def _is_there(loaded: LoadedBench, sheet: DataSheet, name: str) -> bool:
    return loaded.descriptions[name].kind == "keyed" or is_simulated(loaded, sheet, name)


def _left_out(loaded: LoadedBench, name: str) -> InstrumentCheck:
    """An instrument of a simulated bench that has nothing to do with the unit."""
    taps = [tap for tap, wiring in loaded.file.taps.items() if name in {wiring.set_by, wiring.read_by}]
    wired = f"wired to {' and '.join(taps)}, which this unit does not have" if taps else "wired to no tap"
    return InstrumentCheck(
        instrument=name,
        resource=loaded.file.instruments[name].resource,
        what=loaded.descriptions[name].instrument,
        identity="",
        findings=(f"{wired}, so it is not simulated: nothing to talk to",),
        error=None,
    )


def _check_one(
    loaded: LoadedBench,
    name: str,
    manager: pyvisa.ResourceManager | None,
    clock: Clock,
    error: LivezeroError | None,
) -> InstrumentCheck:
    description = loaded.descriptions[name]
    findings: list[str] = []
    identity = ""
    if description.kind == "keyed":
        findings.append("set or read by a person: nothing to talk to")
    elif error is None and description.driver:
        try:
            identity = _check_driver(loaded, name, findings, clock)
        except LivezeroError as fault:
            error = fault
    elif error is None:
        assert manager is not None
        try:
            opened = connect(loaded, name, description, manager, clock, lambda _: None)
            try:
                identity = _check_line(loaded, opened, findings, clock)
            finally:
                opened.close()
        except LivezeroError as fault:
            error = fault
    if isinstance(error, InstrumentError) and error.reply.strip() and error.reply.strip() not in error.what:
        findings.append(f'{error.command} was answered "{shortened(error.reply)}"')
    units = loaded.file.units
    if units is not None and units.connected_by == name:
        findings.append(f"connects {len(units.places)} places; no channel was closed")
    elif name not in {use for wiring in loaded.file.taps.values() for use in (wiring.set_by, wiring.read_by)}:
        findings.append("wired to no tap")
    return InstrumentCheck(
        instrument=name,
        resource=loaded.file.instruments[name].resource,
        what=description.instrument,
        identity=identity,
        findings=tuple(findings),
        error=error,
        is_told_only=description.kind == "remote" and error is None and not _is_asked(description),
    )


def _check_driver(loaded: LoadedBench, name: str, findings: list[str], clock: Clock) -> str:
    """The identity of what a driver talks to; its outputs to their safe level, one reading of each function."""
    description = loaded.descriptions[name]
    opened = connect_driver(loaded, name, description, clock)
    try:
        opened.meet()
        for function, spec in description.functions.items():
            level = loaded.safe_level(name, function)
            if spec.sets and level is not None:
                source = opened.source(function, limits=(), safe_level=level, latch=None)
                source.make_safe()
                findings.append(f"{function}: {'at' if source.proves_safe else 'told'} its safe level of {show(level)}")
            elif spec.reads:
                receiver = opened.receiver(function)
                receiver.select(spec.ranges[0], spec.unit)
                findings.append(f"{function}: reads {receiver.read().value:.6g} {spec.unit}")
        return opened.identity
    finally:
        opened.close()


def _is_asked(description: Description) -> bool:
    """True if a check asks an instrument anything at all."""
    if description.driver:
        return True
    asked = (description.identify, description.error_query, description.event_status, description.acknowledge)
    functions = description.functions
    return any(asked) or any(each.reads or description.proves_safe(name) for name, each in functions.items())


def _answered(description: Description) -> str:
    """What an instrument was asked of itself, and has answered."""
    identified = "identified" if description.identify else "not asked who it is"
    return f"{identified}, {'error queue empty' if description.error_query else 'not asked for errors'}"


def _check_line(loaded: LoadedBench, opened: DescribedInstrument, findings: list[str], clock: Clock) -> str:
    """The identity; an output that is on from before goes to its safe level before anything is set up."""
    opened.meet()
    functions = opened.description.functions.items()
    sources = {}
    for function, spec in functions:
        level = loaded.safe_level(opened.name, function)
        if spec.sets and level is not None:
            source = DescribedSource(instrument=opened, function=function, limits=(), safe_level=level, clock=clock)
            source.make_safe()
            sources[function] = source
    opened.set_up()
    findings.append(_answered(opened.description))
    for function, spec in functions:
        if spec.reads:
            findings.append(_receiver(opened, function, clock))
        elif function in sources:
            findings.append(_source(sources[function], function, spec.ranges))
        else:
            findings.append(f"{function}: no safe level is known, so it was not touched")
    return opened.identity


def _source(source: DescribedSource, function: str, ranges: tuple[RangeEntry, ...]) -> str:
    """Each range with the output off, then safe again."""
    for entry in ranges:
        source.select(entry)
    source.make_safe()
    description, level = source.instrument.description, show(source.safe_level)
    spec = description.functions[function]
    taken = "taken" if description.error_query or description.acknowledge else "told"
    said = f"{function}: {counted(len(ranges), 'range')} {taken}, "
    if not source.proves_safe:
        return said + f"told its safe level of {level} and off: told, not proved"
    off = ", output off" if spec.output_query else ", told to switch off" if spec.off else ""
    return said + (f"at its safe level of {level}" if spec.read_back else f"told its safe level of {level}") + off


def _receiver(opened: DescribedInstrument, function: str, clock: Clock) -> str:
    """Each range once, and one reading in it; what nothing is wired to may read anything."""
    receiver = DescribedReceiver(instrument=opened, function=function, clock=clock)
    spec = opened.description.functions[function]
    shown = ""
    for entry in spec.ranges:
        receiver.select(entry, spec.unit)
        try:
            shown = f"{receiver.read().value:.6g} {spec.unit}"
        except NoReadingError as error:
            shown = error.kind
            if error.kind in {"garbled", "empty"}:
                raise
    return f"{function}: {counted(len(spec.ranges), 'range')} taken, reads {shown}"
