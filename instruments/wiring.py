"""Which function and range of which instrument serves which tap; what the bench cannot do is found here."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from instruments.benchfile import LoadedBench
from instruments.benchmodel import BenchQuantity
from instruments.datasheet import DataSheet, Tap
from instruments.description import Description
from instruments.errors import PlanError
from instruments.functions import RangeEntry
from instruments.units import Quantity, Span, is_alike, magnitude, mismatch, show

__all__ = ["Held", "Port", "Wire", "signal_span", "wire", "wire_held"]

# A receiver must see a little beyond the range: 2.5 % is where NE 43 puts the failure level below 4 mA (from memory).
_BEYOND_FRAC = 0.025


@dataclass(frozen=True, slots=True, kw_only=True)
class Port:
    """One function of one instrument in one range; `proves_safe` of one that sets, as its description says."""

    instrument: str
    function: str
    entry: RangeEntry
    proves_safe: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Wire:
    """A tap and what is wired to it; `safe_level` belongs to the source."""

    tap: str
    source: Port | None
    receiver: Port | None
    safe_level: Quantity | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Held:
    """What else is held on the bench: the wire, named as the quantity is, its reference, and the bench's own limits."""

    wire: Wire
    reference: Quantity
    limits: tuple[tuple[str, Span], ...] = ()

    @property
    def name(self) -> str:
        """Of the quantity."""
        return self.wire.tap


def signal_span(tap: Tap, *, beyond_frac: float = 0.0, as_read: bool = False) -> Span:
    """The range of the signal at a tap in its signal unit, ends in order, a share of the span beyond included.

    With `as_read` it is the range of what an instrument shows, in the reading unit. An end at zero stays there: a
    frequency or a pressure does not go below it.
    """
    fractions = np.array([-beyond_frac, 1 + beyond_frac])
    values = np.where(np.array([tap.low, tap.high]) == 0.0, 0.0, tap.value(fractions))
    signals = tap.to_signal(values)
    if np.isnan(signals).any():  # beyond what the sensor is defined for: its range as it is
        signals = tap.to_signal(np.array([tap.low, tap.high]))
    if as_read:
        signals = tap.shown(signals)
    return Span(float(signals.min()), float(signals.max()), tap.reading_unit if as_read else tap.signal_unit)


def wire(bench: LoadedBench, sheet: DataSheet, *, reach: Span | None = None) -> tuple[Wire, ...]:
    """The wiring of a unit's taps, first to last; a tap without instruments has neither source nor receiver.

    Args:
        bench: its instruments, and what serves which tap.
        sheet: the unit.
        reach: signals of the first tap that are wanted beyond its range; they choose a wider range of the
            source where there is one; a receiver widens its own when it must.

    Raises:
        PlanError: the first tap cannot be set, the last cannot be read, an instrument has no function or range for
            what its tap carries, or no safe level is known; all at once.
    """
    faults: list[PlanError] = []
    wires = []
    for number, tap in enumerate(sheet.taps):
        wiring = bench.file.taps.get(tap.name)
        source = receiver = None
        safe_level = None
        if wiring is not None and wiring.set_by is not None and number == 0:
            source = _port(bench, tap, wiring.set_by, wiring.set_function, faults, sets=True, reach=reach)
            if source is not None:
                safe_level = _safe_level(bench, source, faults)
        if wiring is not None and wiring.read_by is not None:
            receiver = _port(bench, tap, wiring.read_by, wiring.read_function, faults, sets=False)
        if number == 0 and (wiring is None or wiring.set_by is None):
            faults.append(_unwired(bench, tap, "set by", "nothing sets"))
        if number == len(sheet.taps) - 1 and (wiring is None or wiring.read_by is None):
            faults.append(_unwired(bench, tap, "read by", "nothing reads"))
        wires.append(Wire(tap=tap.name, source=source, receiver=receiver, safe_level=safe_level))
    _raise(faults)
    return tuple(wires)


def _safe_level(bench: LoadedBench, source: Port, faults: list[PlanError]) -> Quantity | None:
    """Where a source is left; `faults` takes that nobody says, or that it cannot be set to it."""
    level = bench.safe_level(source.instrument, source.function)
    if level is None:
        faults.append(
            PlanError(
                f'no safe level is known for the output of "{source.instrument}"',
                where=bench.where("instruments", source.instrument),
                todo='add "safe level"; 4 mA and 0 mA can both be unsafe, so it is never assumed',
            )
        )
    elif not bench.descriptions[source.instrument].functions[source.function].can_set(level):
        faults.append(
            PlanError(
                f'"{source.instrument}" cannot be set to its safe level of {show(level)}',
                where=bench.where("instruments", source.instrument, "safe level"),
                allowed=_ranges(bench.descriptions[source.instrument], "sets", source.function),
                todo="correct the safe level",
            )
        )
    return level


def wire_held(bench: LoadedBench, levels: Mapping[str, Sequence[Quantity]]) -> tuple[Held, ...]:
    """What holds each quantity of the bench beside the taps, in a range for its reference and the levels asked for.

    Args:
        bench: its instruments and quantities.
        levels: that a sequence sets, by quantity; those of others, which a person sets, are passed over.

    Raises:
        PlanError: an instrument cannot set one of them, or sets a tap as well, or no safe level is known; all at once.
    """
    faults: list[PlanError] = []
    held = []
    for name, each in bench.file.quantities.items():
        try:
            held.append(_held(bench, name, each, levels.get(name, ()), faults))
        except PlanError as error:
            faults.append(error)
    _raise(faults)
    return tuple(held)


def _held(
    bench: LoadedBench, name: str, each: BenchQuantity, levels: Sequence[Quantity], faults: list[PlanError]
) -> Held:
    """What holds one quantity; raises PlanError, or adds to `faults` what is wrong with its safe level or limits."""
    unit = str(each.reference.units)
    if strange := [level for level in levels if not is_alike(str(level.units), unit)]:
        raise PlanError(
            f"{name} cannot be {show(strange[0])}",
            where=bench.where("quantities", name, "reference"),
            allowed=f"levels like its reference, {show(each.reference)}",
            todo="correct the sequence",
        )
    if each.set_by in {wiring.set_by for wiring in bench.file.taps.values()}:
        raise PlanError(
            f'"{each.set_by}" sets a tap of the unit and {name}',
            where=bench.where("quantities", name, "set by"),
            allowed="an instrument of its own for each",
            todo="wire another source",
        )
    description = bench.descriptions[each.set_by]
    wanted = [magnitude(level, unit) for level in (each.reference, *levels)]
    need = Span(min(wanted), max(wanted), unit)
    found = description.function_for(does="sets", need=need, name=each.set_function)
    if found is None:
        raise PlanError(
            f'"{each.set_by}" sets no {need} for {name}',
            where=bench.where("quantities", name),
            allowed=_ranges(description, "sets") or "nothing: it sets nothing",
            todo="wire another instrument, correct the description, or leave the levels out",
        )
    function, entry = found
    port = Port(instrument=each.set_by, function=function, entry=entry, proves_safe=description.proves_safe(function))
    own = bench.file.instruments[each.set_by].limits
    faults.extend(
        PlanError(
            f"{name} of {show(level)} lies outside the limits in the bench file",
            where=bench.where("instruments", each.set_by, "limits"),
            allowed=str(own),
            todo="leave the level out, or correct the limits if they are wrong",
        )
        for level in (each.reference, *levels)
        if own is not None and not own.holds(magnitude(level, own.unit))
    )
    return Held(
        wire=Wire(tap=name, source=port, receiver=None, safe_level=_safe_level(bench, port, faults)),
        reference=each.reference,
        limits=() if own is None else (("limits in the bench file", own),),
    )


def _raise(faults: list[PlanError]) -> None:
    if faults:
        first, *others = faults
        raise PlanError(first.what, where=first.where, allowed=first.allowed, todo=first.todo, others=tuple(others))


def _both(span: Span, other: Span) -> Span:
    inner = other.within(span.unit)
    return Span(min(span.bottom, inner.bottom), max(span.top, inner.top), span.unit)


def _unwired(bench: LoadedBench, tap: Tap, key: str, what: str) -> PlanError:
    return PlanError(
        f'{what} the tap "{tap.name}" of the unit',
        where=bench.where("taps", tap.name) if tap.name in bench.file.taps else bench.where("taps"),
        allowed=f"taps wired on this bench: {', '.join(bench.file.taps)}",
        todo=f'add "{tap.name}" with "{key}" to the taps of the bench file',
    )


def _ranges(description: Description, does: str, function: str = "") -> str:
    """What an instrument sets or reads, in words; "" is nothing."""
    return "; ".join(
        f"{name}: {', '.join(str(entry.range) for entry in spec.ranges)}"
        for name, spec in description.functions.items()
        if getattr(spec, does) and function in {"", name}
    )


def _port(
    bench: LoadedBench,
    tap: Tap,
    instrument: str,
    function: str,
    faults: list[PlanError],
    *,
    sets: bool,
    reach: Span | None = None,
) -> Port | None:
    does: Literal["sets", "reads"] = "sets" if sets else "reads"
    key = "set by" if sets else "read by"
    need = signal_span(tap, as_read=not sets)
    description = bench.descriptions[instrument]
    if sets:
        wide = need if reach is None else _both(need, reach)
    else:
        wide = signal_span(tap, beyond_frac=_BEYOND_FRAC, as_read=True)
    for each in (wide, need):
        found = description.function_for(does=does, need=each, name=function)
        if found is not None:
            name, entry = found
            return Port(instrument=instrument, function=name, entry=entry, proves_safe=description.proves_safe(name))
    others = [unit for each in description.functions.values() if (unit := getattr(each, does))]
    faults.append(
        PlanError(
            f'"{instrument}" {does} no {need} as tap "{tap.name}" needs',
            where=bench.where("taps", tap.name, key),
            allowed=_ranges(description, does) or f"nothing: it {does} nothing",
            todo="wire another instrument, or correct the description"
            + next(filter(None, (mismatch(unit, need.unit) for unit in others)), ""),
        )
    )
    return None
