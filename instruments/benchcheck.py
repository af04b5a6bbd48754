"""Proves a bench and its descriptions: every instrument is talked to, every function and range selected, nothing energised."""

from dataclasses import dataclass

from instruments.bench import backend, connect
from instruments.benchfile import LoadedBench
from instruments.clock import Clock
from instruments.datasheet import DataSheet
from instruments.described import DescribedInstrument, DescribedReceiver, DescribedSource
from instruments.errors import LivezeroError, NoReadingError
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


def check(loaded: LoadedBench, sheet: DataSheet) -> tuple[InstrumentCheck, ...]:
    """Talk to each instrument of a bench in the order of its file; one that fails does not keep the next from its turn.

    Args:
        loaded: the bench.
        sheet: the unit that a simulated bench takes.

    Raises:
        InputError: a simulated fault that is not in the catalogue.
        InstrumentError: the VISA backend cannot be used.
    """
    manager, clock = backend(loaded, sheet)
    wired = {use for wiring in loaded.file.taps.values() for use in (wiring.set_by, wiring.read_by)}
    found = []
    for name, instrument in loaded.file.instruments.items():
        description = loaded.descriptions[name]
        findings: list[str] = []
        error: LivezeroError | None = None
        identity = ""
        if description.kind == "keyed":
            findings.append("set or read by a person: nothing to talk to")
        else:
            assert manager is not None
            try:
                opened = connect(loaded, name, description, manager, clock, lambda _: None)
                try:
                    opened.meet()
                    identity = opened.identity
                    opened.set_up()
                    findings.append("identified, error queue empty")
                    for function, spec in description.functions.items():
                        one = _source if spec.sets else _receiver
                        findings.append(one(loaded, opened, function, clock))
                finally:
                    opened.session.close()
            except LivezeroError as fault:
                error = fault
        if name not in wired:
            findings.append("wired to no tap")
        found.append(
            InstrumentCheck(
                instrument=name,
                resource=instrument.resource,
                what=description.instrument,
                identity=identity,
                findings=tuple(findings),
                error=error,
            )
        )
    if manager is not None:
        manager.close()
    return tuple(found)


def _source(loaded: LoadedBench, opened: DescribedInstrument, function: str, clock: Clock) -> str:
    """Safe level first, then each range with the output off, then safe again."""
    level = loaded.safe_level(opened.name, function)
    if level is None:
        return f"{function}: no safe level is known, so it was not touched"
    source = DescribedSource(instrument=opened, function=function, limits=(), safe_level=level, clock=clock)
    source.make_safe()
    ranges = opened.description.functions[function].ranges
    for entry in ranges:
        source.select(entry)
    source.make_safe()
    return f"{function}: {len(ranges)} ranges taken, at its safe level of {show(level)}, output off"


def _receiver(loaded: LoadedBench, opened: DescribedInstrument, function: str, clock: Clock) -> str:
    """Each range once, and one reading in it; what nothing is wired to may read anything."""
    del loaded
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
    return f"{function}: {len(spec.ranges)} ranges taken, reads {shown}"
