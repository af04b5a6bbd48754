"""What is asked of all records of a type: its envelope, from memory or, of very many, from Parquet by DuckDB."""

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from instruments.errors import InputError, RecordError, shortened
from sequencer.history.envelope import Envelope, envelope, units_of
from sequencer.history.parquet import NOT_FINISHED, Store, write_part
from sequencer.history.simulated import simulated_n
from sequencer.index.database import Database
from sequencer.index.filters import Filters
from sequencer.index.frames import Frames
from sequencer.index.parts import parts, types_of
from sequencer.inputs.serials import serial_key
from sequencer.jobs.index_jobs import index_of, records
from sequencer.reports.display import show_envelopes_in_notebooks

__all__ = ["PARQUET", "Sums", "envelope_of", "export_parquet", "sums_of", "type_envelope", "type_named"]

PARQUET = "parquet"
"""Folder beside the index that holds the copy of all records."""

_IN_MEMORY_N = 5000
_PART_N = 2000
_POINT, _FIGURE = ["setpoint_pct", "direction"], ["stage", "figure", "unit"]
_COUNTS = {"complete", "by hand"}
_GOOD = {"pass", "conditional pass"}


@dataclass(frozen=True, slots=True)
class Sums:
    """Sums a unit at each point and of each figure, as `envelope` takes them.

    Attributes:
        records_n: records they are of.
        left_out: records of the type that do not count, by what is wrong with them.
        simulated_n: of those that count, how many are of a simulated bench.
    """

    points: pd.DataFrame
    figures: pd.DataFrame
    records_n: int
    left_out: Mapping[str, int]
    simulated_n: int = 0


def type_named(name: str, database: Database) -> str:
    """The one type whose name is, or holds, what was given.

    Raises:
        RecordError: there is none.
        InputError: there are several.
    """
    known = types_of(database)
    if name in known:
        return name
    found = [each for each in known if name.casefold() in each.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        raise RecordError(
            f'there is no record of a type "{name}"',
            allowed="; ".join(f"{each} ({number})" for each, number in list(known.items())[:8]) or "none is kept here",
            todo="give the name of the type sheet, or a part of it",
        )
    raise InputError(f'"{name}" stands in the names of {len(found)} types', allowed="; ".join(found[:8]))


def type_envelope(
    name: str,
    *,
    results: Path | str = "results",
    index: str = "",
    state: str = "",
    is_good: bool = False,
    store: Path | None = None,
) -> Envelope:
    """The envelope of a type over all its units.

    Args:
        name: of the type, or a part of it.
        results: folder of the records.
        index: URL or path of the index; "" = that of the folder.
        state: "as found" or "as left" alone; "" = any.
        is_good: those alone that passed.
        store: folder of Parquet files to ask, which is made and brought up to date; None = only where there are many.

    Raises:
        InputError: several types have that name, or duckdb is not installed and needed.
        RecordError: there is no record of it.
    """
    database = index_of(results, index)
    records(results, index=index)  # what is new is looked at
    whole = type_named(name, database)
    return _envelope(whole, sums_of(whole, database, Path(results), state=state, is_good=is_good, store=store))


def _envelope(type_: str, sums: Sums) -> Envelope:
    return envelope(
        type_,
        sums.points,
        sums.figures,
        records_n=sums.records_n,
        left_out=sums.left_out,
        simulated_n=sums.simulated_n,
    )


def sums_of(
    type_: str,
    database: Database,
    results: Path,
    *,
    state: str = "",
    is_good: bool = False,
    store: Path | None = None,
) -> Sums:
    """The sums of the units of a type; arguments as of `type_envelope`."""
    if store is None and types_of(database).get(type_, 0) <= _IN_MEMORY_N:
        return _in_memory(type_, Frames(database, Filters(type=type_, state=state)), is_good=is_good)
    folder = store or results / ".index" / PARQUET
    export_parquet(database, folder)
    with Store(folder) as opened:
        return Sums(
            opened.points(type_, is_good=is_good, state=state),
            opened.figures(type_, is_good=is_good, state=state),
            opened.records_n(type_, is_good=is_good, state=state),
            opened.left_out(type_, state=state),
            opened.simulated_n(type_, is_good=is_good, state=state),
        )


def envelope_of(found: Frames) -> Envelope:
    """The envelope of the one type that the records are of; those that are whole and went to their end count.

    Args:
        found: as `sequencer.records` gives them.

    Raises:
        InputError: they are of several types, or no records.
        RecordError: there is none.
        ReadingsError: none has errors to go by.

    Example:
        >>> found = sequencer.envelope_of(sequencer.records(serial="GF-108"))
        >>> found.units_n
        1
        >>> found.curve["mean"].round(1).tolist()[:3]
        [0.4, 0.4, 0.4]
    """
    _refuse_other(found)
    types = sorted(set(found.records["type"]) - {""})
    if not types:
        raise RecordError("there is no record to go by", todo="livezero records lists what there is")
    if len(types) > 1:
        raise InputError(
            f"the records are of {len(types)} types", allowed="; ".join(types[:8]), todo='name one: records(type="...")'
        )
    return _envelope(types[0], _in_memory(types[0], found, is_good=False))


def _refuse_other(found: object) -> None:
    if not isinstance(found, Frames):
        given = f'records(type="{shortened(found)}")' if isinstance(found, str) else "what sequencer.records gives"
        raise InputError(f"a {type(found).__name__} is no table of records", todo=f"give {given}")


def _in_memory(type_: str, frames: Frames, *, is_good: bool) -> Sums:
    of_type = frames.records[frames.records["type"] == type_]
    is_whole, is_over = of_type["condition"] == "whole", of_type["status"].isin(_COUNTS)
    left_out = Counter(of_type.loc[~is_whole, "condition"]) + Counter({NOT_FINISHED: int((is_whole & ~is_over).sum())})
    chosen = of_type[is_whole & is_over]
    if is_good:
        chosen = chosen[chosen["verdict"].isin(_GOOD)]
    units = _units(chosen)
    errors = frames.errors[frames.errors["stage"] == ""].rename(columns={"error": "value", "tolerance_pct": "limit"})
    figures = frames.figures.rename(columns={"limit_high": "limit"})
    return Sums(
        units_of(errors.merge(units, on="record"), _POINT),
        units_of(figures.merge(units, on="record"), _FIGURE),
        len(chosen),
        left_out,
        simulated_n(chosen),
    )


def _units(found: pd.DataFrame) -> pd.DataFrame:
    """Record and unit; one unit has one name, however its serial was written."""
    units = found[["record", "serial"]].copy()
    units["serial"] = [serial_key(each).upper() for each in units["serial"]]
    return units


def export_parquet(database: Database, folder: Path) -> int:
    """Bring a copy of all records up to date as Parquet; returns how many parts were written anew.

    Raises:
        InputError: duckdb is not installed.
        RecordError: it cannot be written.
    """
    wanted = {part.name: part for part in parts(database, _PART_N)}
    there = {path.name.removeprefix("records-").removesuffix(".parquet") for path in folder.glob("records-*.parquet")}
    for name in sorted(wanted.keys() - there):
        frames = Frames(database, wanted[name])
        found = frames.records.copy()
        found["serial"] = _units(found)["serial"]
        write_part(folder, name, {"records": found, "figures": frames.figures, "errors": frames.errors})
    for name in there - wanted.keys():
        for path in folder.glob(f"*-{name}.parquet"):
            path.unlink()
    return len(wanted.keys() - there)


show_envelopes_in_notebooks()
