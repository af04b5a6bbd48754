"""Two records, or two tables taken by hand, set side by side."""

import os
from os import PathLike
from pathlib import Path

from instruments.benchfile import LoadedBench
from instruments.errors import InputError, RecordError
from instruments.units import Terms, terms
from sequencer.diagnosis.compared import Comparison, Side
from sequencer.diagnosis.comparison import compare as set_side_by_side
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.by_hand import by_hand
from sequencer.jobs.plan import load_type
from sequencer.readings.raw_table import WORKBOOKS
from sequencer.record.digest import inputs_of
from sequencer.record.layout import SEQUENCE, is_place, type_sheet_of
from sequencer.record.load import load

__all__ = ["compare", "margin_of", "of_sides", "side_of"]


def compare(
    a: PathLike[str] | str,
    b: PathLike[str] | str,
    *,
    type_sheet: TypeSheet | Path | str | None = None,
    bench: LoadedBench | Path | str | None = None,
    margin: str = "",
    same_bench: bool = False,
    results: Path | str = "results",
) -> Comparison:
    """Two records, or readings taken by hand, side by side; B less A.

    Args:
        a: a record, or what `open` takes: its folder, the serial of its unit, its digest; or a table taken by hand.
        b: the other.
        type_sheet: of the unit, for a CSV.
        bench: whose instruments a CSV was taken with; None = not known, so nothing can be told.
        same_bench: the same instruments were used for both, in the same ranges, as a person says.
        margin: within which they are to be equivalent, as a tolerance is written; "" = not asked.
        results: where a serial is looked for.

    Raises:
        InputError: the margin is none, a side is neither, or a CSV has no type sheet.
        ReadingsError: different types or taps, no point in common, or a CSV at fault.
        RecordError: there is no such record, several are meant, or it is damaged.

    Example:
        >>> found = sequencer.compare("GF-104", "GF-108")
        >>> found.result, round(found.mean_pct, 1)
        ('different', 0.4)
        >>> found.points["is_different"].all()
        np.True_
    """
    sides = [_side(_place(each, results), type_sheet, bench) for each in (a, b)]
    return of_sides(*sides, margin=margin, same_bench=same_bench)


def of_sides(a: Side, b: Side, *, margin: str = "", same_bench: bool = False) -> Comparison:
    """Two that were read already, side by side; arguments and errors as of `compare`."""
    return set_side_by_side(a, b, margin=margin_of(a.sheet, margin), is_same_bench=same_bench)


def margin_of(sheet: TypeSheet, margin: str) -> Terms | None:
    """A margin as it is written, None where none is; raises InputError if it is none for such a unit."""
    taps = sheet.datasheet().taps
    units = (taps[-1].unit, taps[0].unit)
    return terms(margin, bases=("span", "reading", "output", "full scale"), like=units) if margin else None


def side_of(folder: Path, *, seeks_causes: bool = True) -> Side:
    """A record as one side of a comparison, causes sought or not; raises RecordError."""
    return Side(
        content=load(folder, seeks_causes=seeks_causes).content,
        sheet=type_sheet_of(folder),
        sequence_digest=inputs_of(folder).get(SEQUENCE, ""),
    )


def _place(named: PathLike[str] | str, results: Path | str) -> Path:
    """Where a side is: a file or a folder as it is named, else the folder of the record that is meant."""
    if not isinstance(named, PathLike | str):
        raise InputError(
            f"a {type(named).__name__} is neither a record nor a table",
            allowed="a record, its folder, the serial of its unit, a file",
        )
    path = Path(named)
    if is_place(path) or path.suffix.casefold() in {".csv", *WORKBOOKS}:
        return path
    from sequencer.jobs.index_jobs import find_record  # noqa: PLC0415  a database is loaded by those alone who ask it

    return find_record(str(path), results).folder


def _side(path: Path, type_sheet: TypeSheet | Path | str | None, bench: LoadedBench | Path | str | None) -> Side:
    if os.path.isdir(path):  # noqa: PTH112  of a name that is too long Path would raise
        return side_of(path)
    if type_sheet is None and os.path.isfile(path):  # noqa: PTH113
        raise InputError("readings taken by hand do not state the type of unit", where=str(path), todo="give --type")
    if type_sheet is None:
        raise RecordError("there is no such record", where=str(path), todo="name a folder in results")
    sheet = type_sheet if isinstance(type_sheet, TypeSheet) else load_type(type_sheet)
    return Side(content=by_hand(path, sheet, serial=path.stem, bench=bench), sheet=sheet)
