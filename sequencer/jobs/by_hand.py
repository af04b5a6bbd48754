"""Readings that no run took, examined as a run's are."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from instruments.benchfile import LoadedBench
from instruments.errors import ReadingsError
from instruments.wiring import wire
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.result import Content
from sequencer.evaluation.budget import COVERAGE, Basis
from sequencer.evaluation.certificates import with_certified
from sequencer.evaluation.result import Evaluation
from sequencer.inputs.decision_rules import DEFAULT_RULE
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.plan import acceptance, clearance, load_bench, load_type
from sequencer.planning.bench_statements import basis_of
from sequencer.readings.csv_import import Imported, from_frame, read_table
from sequencer.readings.table import is_tidy
from sequencer.record.create import receivers_of, versions

__all__ = ["by_hand", "evaluate"]


def evaluate(
    readings: pd.DataFrame | Path | str,
    type_sheet: TypeSheet | Path | str,
    *,
    serial: str = "",
    bench: LoadedBench | Path | str | None = None,
    worksheet: str = "",
) -> Evaluation:
    """Figures and verdict of readings that a person took.

    Args:
        readings: a DataFrame, headed as a CSV is ("input [Hz]", "mA out", ...), or the path of a CSV or a workbook.
        type_sheet: of the unit; for one that has none see `stated_type`.
        serial: of the unit.
        bench: whose instruments the readings were taken with; None = not known, so a verdict without uncertainty.
        worksheet: of a workbook; "" = its first.

    Raises:
        InputError: the type sheet or the bench file is at fault.
        PlanError: the bench has no instrument for a tap.
        ReadingsError: the readings are at fault.

    Example:
        >>> table = pandas.DataFrame({"input [Hz]": [0, 500, 1000, 500, 0], "mA out": [4.01, 12.02, 20, 12.03, 4.01]})
        >>> found = sequencer.evaluate(table, "pulse-to-current", bench="by-hand")
        >>> found.verdict.result
        'conditional pass'
        >>> round(found.figure("hysteresis").value, 4), found.figure("hysteresis").unit
        (0.0625, '% of span')
    """
    found = by_hand(readings, type_sheet, serial=serial, bench=bench, worksheet=worksheet).evaluation
    assert found is not None
    return found


def by_hand(
    readings: pd.DataFrame | Path | str,
    type_sheet: TypeSheet | Path | str,
    *,
    serial: str = "",
    bench: LoadedBench | Path | str | None = None,
    low_tur_accepted: str = "",
    bench_cleared: str = "",
    monte_carlo: int | None = None,
    worksheet: str = "",
) -> Content:
    """As `evaluate`, with everything a report shows.

    Args:
        readings: a tidy table, one headed as a CSV taken by hand, or the path of a CSV or a workbook.
        type_sheet: of the unit.
        serial: of the unit.
        bench: whose instruments the readings were taken with; None = not known, so a verdict without uncertainty.
        low_tur_accepted: as in `run`.
        bench_cleared: as in `run`.
        monte_carlo: as in `run`.
        worksheet: of a workbook; "" = its first.

    Raises:
        InputError: the type sheet, the bench file or the acceptance is at fault.
        PlanError: the bench has no instrument for a tap.
        ReadingsError: the readings are.
    """
    _refuse_no_table(readings)
    sheet = type_sheet if isinstance(type_sheet, TypeSheet) else load_type(type_sheet)
    now = datetime.now(UTC).isoformat(timespec="seconds")
    loaded = None if bench is None else load_bench(bench)
    cleared = clearance(bench_cleared)
    basis, receivers = Basis(bench_cleared=cleared) if cleared else None, {}
    if loaded is not None:
        wires = wire(loaded, sheet.datasheet())
        receivers = receivers_of(loaded, wires, sheet.datasheet())
        basis = basis_of(
            loaded,
            wires,
            sheet,
            coverage=COVERAGE,
            rule=DEFAULT_RULE,
            date=now,
            low_tur_accepted=acceptance(low_tur_accepted),
            bench_cleared=cleared,
        )
    unit = with_certified(sheet.datasheet(), basis.statements if basis is not None else ())
    if isinstance(readings, pd.DataFrame):
        origin = "a table"
        read = Imported(table=readings) if is_tidy(readings.columns) else from_frame(readings, unit, serial=serial)
    else:
        origin = Path(readings).name
        read = read_table(Path(readings), unit, serial=serial, worksheet=worksheet)
    found = examine(read.table, sheet, basis=basis, receivers=receivers, monte_carlo=monte_carlo)
    return replace(
        found,
        remarks=(*filter(None, [read.understood]), *found.remarks),
        serial=serial,
        sequence=f"readings from {origin}",
        date=now,
        bench=found.bench if loaded is None else loaded.file.bench,
        versions=versions(),
    )


def _refuse_no_table(readings: object) -> None:
    if not isinstance(readings, (pd.DataFrame, str, Path)):
        raise ReadingsError(
            f"readings are not taken from a {type(readings).__name__}",
            allowed="a DataFrame, or the path of a CSV or a workbook",
        )
