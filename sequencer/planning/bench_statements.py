"""What a bench states of its instruments, as plain numbers: the basis that a verdict will rest on."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from instruments.benchfile import LoadedBench
from instruments.certificate import Certificate, CertifiedErrors
from instruments.certified import Certified
from instruments.datasheet import Correction, Tap
from instruments.sensor import Thermocouple
from instruments.units import DIGITS, Quantity, Span, Terms, is_alike, magnitude, width
from instruments.wiring import Port, Wire
from sequencer.evaluation.budget import Basis, Limits, Statement
from sequencer.inputs.type_sheet import CorrectionSheet, TypeSheet

__all__ = ["basis_of", "reaction_s", "statements"]

_TELLING_S = 1.0  # from when a fault is known, until every source that takes commands was told


def reaction_s(bench: LoadedBench, wires: Sequence[Wire]) -> float | None:
    """From a fault to the command "safe level, off" at most: 1 s, and one time-out of the source, for silence.

    None where a person sets the source. A reader is waited for as `Bench` does: its readings may take longer. An answer
    without sense is a fault once it came as often as it is asked for.
    """
    ports = [port for each in wires for port in (each.source, each.receiver) if port is not None]
    used = [bench.descriptions[port.instrument] for port in ports]
    sources = [bench.descriptions[each.source.instrument] for each in wires if each.source is not None]
    if any(description.kind == "keyed" for description in sources):
        return None
    shortest_s = min(each.timeout for each in sources)
    readers_s = [min(each.timeout, shortest_s + each.takes) for each in used if each.kind == "remote"]
    return _TELLING_S + max(*readers_s, *(each.timeout for each in sources))


def basis_of(
    bench: LoadedBench,
    wires: Sequence[Wire],
    type_sheet: TypeSheet,
    *,
    coverage: float,
    rule: str,
    date: str,
    low_tur_accepted: str = "",
    bench_cleared: str = "",
) -> Basis:
    """What a verdict on this bench will rest on; arguments as in `Basis` and `statements`."""
    return Basis(
        statements=statements(bench, wires, type_sheet, date=date),
        correlations=tuple((*each.between, each.coefficient) for each in bench.file.correlations),
        coverage=coverage,
        rule=rule,
        date=date,
        low_tur_accepted=low_tur_accepted,
        bench_cleared=bench_cleared,
    )


def statements(
    bench: LoadedBench, wires: Sequence[Wire], type_sheet: TypeSheet, *, date: str = ""
) -> tuple[Statement, ...]:
    """What the bench states of each tap that is read, and of the first even if it is only set.

    Args:
        bench: with its descriptions and certificates.
        wires: what serves which tap.
        type_sheet: of the unit, for allowances at its taps.
        date: ISO date of the readings, until which instruments drift; "" = not known, so until they are due.
    """
    sheet = type_sheet.datasheet()
    found = []
    for number, (wired, tap, (_, tap_sheet)) in enumerate(zip(wires, sheet.taps, type_sheet.tap_sheets, strict=True)):
        port = wired.receiver or (wired.source if number == 0 else None)
        if port is not None:
            allowances = tuple((name, _allowance(each, tap)) for name, each in tap_sheet.allowances.items())
            stated = _statement(bench, port, tap, allowances, is_read=wired.receiver is not None, date=date)
            given = tap_sheet.correction
            if given is not None and (wired.receiver is not None or given.junction is not None):
                stated = replace(stated, correction=_corrected(given, tap), correction_k=given.k)
            found.append(stated)
    return tuple(found)


def _corrected(given: CorrectionSheet, tap: Tap) -> tuple[str, Limits]:
    """Name of a correction, and its expanded uncertainty in the unit of the tap's signal."""
    if given.measured is not None:
        share = magnitude(given.uncertainty, "ohm") / magnitude(given.measured, "ohm")
        return "shunt", Limits(of_reading=share, floor=0.0)
    if given.lead is not None:
        return "lead", Limits(of_reading=0.0, floor=magnitude(given.uncertainty, tap.signal_unit))
    return "cold junction", Limits(of_reading=0.0, floor=_allowance(given.uncertainty, tap))


def _allowance(given: Quantity, tap: Tap) -> float:
    """Half width in the unit of the tap's signal; in degC it is that of a cold junction, so the EMF made there."""
    if isinstance(tap.sensor, Thermocouple) and is_alike(str(given.units), "degC"):
        return float(tap.to_signal(np.array(tap.sensor.junction_degC + magnitude(given, "delta_degC"))))
    return width(given, tap.signal_unit)


def _statement(
    bench: LoadedBench, port: Port, tap: Tap, allowances: tuple[tuple[str, float], ...], *, is_read: bool, date: str
) -> Statement:
    correction = tap.correction if is_read else None
    unit = tap.reading_unit if is_read else tap.signal_unit

    def limits(stated: Terms | None) -> Limits | None:
        """Of the reading, carried to the signal behind a shunt or a lead."""
        found = _limits(stated, entry.range, unit, digit=function.resolution(entry, unit))
        if found is None or correction is None:
            return found
        floor = (found.of_reading * abs(correction.shift) + found.floor) / abs(correction.factor)
        return Limits(of_reading=found.of_reading, floor=floor)

    description = bench.descriptions[port.instrument]
    function = description.functions[port.function]
    entry = port.entry
    loaded = bench.certificates.get(port.instrument)
    certificate, item = (loaded.file, loaded.item) if loaded is not None else (Certificate(), None)
    errors = certificate.errors_of(port.function, entry.range)
    return Statement(
        tap=tap.name,
        instrument=port.instrument,
        # What the unit shows itself is what is judged: it has digits, and no accuracy beside its error.
        accuracy=Limits(of_reading=0.0, floor=0.0) if description.under_test else limits(entry.accuracy),
        resolution=function.resolution(entry, unit) / (abs(correction.factor) if correction else 1.0),
        certificate=limits(certificate.uncertainty.get(port.function)) if errors is None else None,
        certificate_k=certificate.k,
        certificate_due=certificate.due.isoformat() if certificate.due else "",
        certificate_doubt="; ".join(loaded.doubts) if loaded is not None else "",
        certificate_item=str(item) if item is not None else "",
        certificate_numbers=item.numbers if item is not None else (),
        certificate_unsettled=loaded.doubts[0] if loaded is not None and item is not None else "",
        temperature=limits(entry.temperature_coefficient),
        outside_K=_outside_K(bench.file.ambient, description.reference_temperature),
        allowances=allowances,
        measures=f"{port.function}, {entry.range}" if is_read else "",
        certified=None
        if errors is None
        else _certified(errors, unit, correction, is_read=is_read, number=certificate.number),
        drift=limits(errors.drift) if errors is not None else None,
        drift_years=certificate.years(date) if errors is not None and errors.drift is not None else 0.0,
    )


def _certified(
    errors: CertifiedErrors, unit: str, correction: Correction | None, *, is_read: bool, number: str
) -> Certified:
    """Errors at points, carried from the reading to the signal behind a shunt or a lead."""
    factor, shift = (correction.factor, correction.shift) if correction is not None else (1.0, 0.0)
    return Certified(
        points=tuple(
            (
                (magnitude(each.at, unit) - shift) / factor,
                width(each.error, unit) / factor,
                width(each.U, unit) / factor,
            )
            for each in errors.points
        ),
        is_set=not is_read,
        correlation=errors.correlation,
        number=number,
    )


def _outside_K(ambient: Span | None, reference: Span | None) -> float:
    """How far the warmest or coldest moment on the bench lies outside the instrument's reference temperatures."""
    if ambient is None or reference is None:
        return 0.0
    here, allowed = ambient.within("degC"), reference.within("degC")
    return max(0.0, here.top - allowed.top, allowed.bottom - here.bottom)


def _limits(stated: Terms | None, range_: Span, unit: str, *, digit: float) -> Limits | None:
    if stated is None:
        return None
    shares = [part.value / 100 for part in stated.parts if part.base == "reading"]
    rest = tuple(part for part in stated.parts if part.base != "reading")
    within = range_.within(unit)
    end = max(abs(within.low), abs(within.high))
    bases = {"range": end, "full_scale": end, DIGITS: digit}
    return Limits(of_reading=sum(shares), floor=Terms(rest).half_width(unit, **bases) if rest else 0.0)
