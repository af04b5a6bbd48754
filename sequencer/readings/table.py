"""The tidy table of readings: the same whether measured, keyed in or imported. And the one door from it to arrays.

One row is one reading at one tap. Nothing is ever taken out of the table: what was taken again has a higher `attempt`,
what a person corrected a higher `correction`, and `valid_rows` picks the last of each.
"""

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from instruments.texts import as_cell, counted
from sequencer.inputs.step import END_PAIR, JUDGED_ROLES

__all__ = [
    "BY_HAND",
    "COLUMNS",
    "DISCARDED",
    "PLACE",
    "VISIT",
    "Grid",
    "grid",
    "is_tidy",
    "tidy",
    "valid_rows",
    "write_csv",
]

COLUMNS = {
    "serial": "str",
    "number": "Int64",
    "step": "Int64",
    "step_name": "str",
    "cycle": "Int64",
    "direction": "str",
    "point": "Int64",
    "role": "str",
    "attempt": "Int64",
    "correction": "Int64",
    "reading": "Int64",
    "tap": "str",
    "setpoint_pct": "float64",
    "commanded": "float64",
    "value": "float64",
    "unit": "str",
    "signal": "float64",
    "signal_unit": "str",
    "at": "str",
    "at_s": "float64",
    "settling": "str",
    "settle_s": "float64",
    "to_go": "float64",
    "instrument": "str",
    "range": "str",
    "note": "str",
    "raw": "str",
    "stated_pct": "float64",
    "set_at_s": "float64",
    "under": "str",
}
BY_HAND = "by hand"
"""Name of the step that a table by hand is; the range of its readings is the line and column they stand in."""
_RARE = ("stated_pct", "set_at_s", "under")
_MOST_PLACES = 4_000_000
DISCARDED = "discarded"
"""Note of a reading of an attempt during which touch with an instrument was lost."""
PLACE = ("number", "attempt", "reading", "tap")  # what names one reading of a run, whatever was corrected since
VISIT = ["step", "cycle", "direction", "point", "role"]  # what names a visit, however often it was taken
_SETTLED = ("steady", "by the operator", "")
_OF_A_VISIT = ("value", "sd", "highest", "lowest", "readings_n")


def tidy(rows: Iterable[Mapping[str, object]]) -> pd.DataFrame:
    """Rows as a table with the columns and types of `COLUMNS`; what a row lacks is missing."""
    # Where pyarrow is installed pandas would keep texts in it, and it takes no text with half a character, as a reply
    # may hold.
    with pd.option_context("mode.string_storage", "python"):
        table = pd.DataFrame(list(rows), columns=list(COLUMNS))
        for name, kind in COLUMNS.items():
            column = table[name].astype(object)
            table[name] = (column.where(column.notna(), "") if kind == "str" else pd.to_numeric(column)).astype(kind)  # type: ignore[call-overload]  # by name
        table["correction"] = table["correction"].fillna(0)
        return table


def is_tidy(columns: Iterable[object]) -> bool:
    """Whether columns of these names are those of a table that a run wrote."""
    return {"tap", "value", "point", "cycle"} <= set(columns)


def write_csv(table: pd.DataFrame, path: Path) -> None:
    """The table as CSV, numbers to the last digit; no text in it is a formula to a spreadsheet.

    Setpoints that stood in a table by hand, when an input was set whose settling was not waited for, and what else was
    held are columns only where there are any.
    """
    texts = {name: table[name].map(as_cell) for name, kind in COLUMNS.items() if kind == "str"}
    kept = [name for name in table if name not in _RARE or (table[name].notna() & (table[name] != "")).any()]
    table.assign(**texts)[kept].to_csv(path, index=False, lineterminator="\n")


def valid_rows(table: pd.DataFrame) -> pd.DataFrame:
    """The rows that count: of each visited point the last attempt, of each reading the last correction.

    Readings of an attempt that was discarded do not count, whether another came after it or not.

    Raises:
        ReadingsError: a row does not say which reading of which visit it is.
    """
    if table.empty:
        return table
    unplaced = table[[*VISIT, "attempt", "reading"]].isna()
    if unplaced.to_numpy().any():
        names = ", ".join(str(name) for name in unplaced.columns[unplaced.any()])
        raise ReadingsError(
            f"{counted(int(unplaced.any(axis=1).sum()), 'reading')} of {len(table)} without {names}",
            where=f"row {int(unplaced.any(axis=1).to_numpy().argmax()) + 1} of the table first",
            todo="fill the column in, or take the row out",
        )
    table = table[table["note"] != DISCARDED]
    if table.empty or all((table[name] == table[name].iloc[0]).all() for name in ("attempt", "correction")):
        return table  # nothing was taken again, nothing corrected: most runs
    last = table.groupby(VISIT)["attempt"].transform("max")
    kept = table[table["attempt"] == last]
    corrected = kept.groupby([*VISIT, "reading", "tap"])["correction"].transform("max")
    return kept[kept["correction"] == corrected]


@dataclass(frozen=True, slots=True, kw_only=True)
class Grid:
    """Readings of one step as arrays: n readings of each visited point averaged.

    Attributes:
        setpoint_pct: shape (points,), ascending, % of the input range.
        value: mean at each tap, by tap name; shape (1, cycles, 2, points); NaN = not read.
        sd: standard deviation of the n readings, same shape; NaN for fewer than two.
        highest: the highest of the n readings, same shape.
        lowest: the lowest, same shape.
        readings_n: how many valid readings, same shape.
        end_pair: as `value`, of the second readings at the ends.
        to_go: bound of the residual settling error at the last tap when it was read, same shape; NaN = not known.
        is_steady: same shape; False where the point did not settle or gave no reading.
        has_directions: False where the order of the readings tells no direction.
        taken: same shape, which visit of the table it was, from 0; NaN = none.
    """

    setpoint_pct: FloatArray
    value: dict[str, FloatArray]
    sd: dict[str, FloatArray]
    highest: dict[str, FloatArray]
    lowest: dict[str, FloatArray]
    readings_n: dict[str, FloatArray]
    end_pair: dict[str, FloatArray]
    to_go: FloatArray
    is_steady: FloatArray
    has_directions: bool
    taken: FloatArray


def grid(table: pd.DataFrame, *, step: int | None = None) -> Grid:
    """One step of a table as arrays.

    Args:
        table: of one unit.
        step: number of the step; None = the first that was read.

    Raises:
        ReadingsError: no reading in it, or readings of several units.
    """
    serials = sorted(set(table["serial"]) - {""})
    if len(serials) > 1:
        raise ReadingsError(
            f"there are readings of {len(serials)} units in the table",
            allowed=f"one serial, not {', '.join(serials)}",
            todo="evaluate each unit by itself",
        )
    rows = valid_rows(table)
    rows = rows[rows["role"].isin(JUDGED_ROLES)]
    if rows.empty:
        raise ReadingsError("there is no reading in the table", todo="run again, or check the columns of the CSV")
    rows = rows[rows["step"] == (rows["step"].iloc[0] if step is None else step)]
    setpoints = rows.groupby("point")["setpoint_pct"].mean().sort_index()
    cycles, cycle = np.unique(rows["cycle"].to_numpy(dtype=np.int64), return_inverse=True)
    point = np.searchsorted(setpoints.index.to_numpy(dtype=np.int64), rows["point"].to_numpy(dtype=np.int64))
    shape = (1, len(cycles), 2, len(setpoints))
    if math.prod(shape) > _MOST_PLACES:
        raise ReadingsError(
            f"{len(cycles)} cycles of {len(setpoints)} points",
            allowed=f"at most {_MOST_PLACES // 2} points over all cycles",
            todo="check the columns of cycle and input",
        )
    is_down = (rows["direction"] == "down").to_numpy()
    place = np.ravel_multi_index((np.zeros_like(cycle), cycle, is_down.astype(np.int64), point), shape)
    is_pair = (rows["role"] == END_PAIR).to_numpy()
    value = rows["value"].to_numpy(dtype=np.float64)
    filled: dict[str, dict[str, FloatArray]] = {kind: {} for kind in (*_OF_A_VISIT, "end_pair")}
    for tap in dict.fromkeys(rows["tap"]):
        here = (rows["tap"] == tap).to_numpy()
        visits = _visits(place[here & ~is_pair], value[here & ~is_pair], shape)
        for kind, level in visits.items():
            filled[kind][tap] = level
        filled["end_pair"][tap] = _visits(place[here & is_pair], value[here & is_pair], shape)["value"]
    to_go = np.full(math.prod(shape), -np.inf)
    known = rows["to_go"].to_numpy(dtype=np.float64)
    is_known = ~is_pair & ~np.isnan(known)
    np.maximum.at(to_go, place[is_known], known[is_known])
    steady = np.ones(math.prod(shape), dtype=bool)
    steady[place[~is_pair & ~rows["settling"].isin(_SETTLED).to_numpy()]] = False
    places, first_row = np.unique(place[~is_pair], return_index=True)
    taken = np.full(math.prod(shape), np.nan)
    taken[places] = np.argsort(np.argsort(first_row))
    return Grid(
        setpoint_pct=setpoints.to_numpy(dtype=np.float64),
        to_go=np.where(np.isinf(to_go), np.nan, to_go).reshape(shape),
        is_steady=steady.reshape(shape),
        has_directions=bool((rows["direction"] != "").all()),
        taken=taken.reshape(shape),
        **filled,
    )


def _visits(place: npt.NDArray[np.int64], value: FloatArray, shape: tuple[int, ...]) -> dict[str, FloatArray]:
    """Mean, scatter, ends and count of the readings at each place; NaN where nothing was to be read."""
    size = math.prod(shape)
    was_visited = np.zeros(size, dtype=bool)
    was_visited[place] = True
    place, value = place[~np.isnan(value)], value[~np.isnan(value)]
    count = np.bincount(place, minlength=size).astype(np.float64)
    first, highest, lowest = np.full(size, np.nan), np.full(size, -np.inf), np.full(size, np.inf)
    first[place[::-1]] = value[::-1]  # the first one is written last
    np.maximum.at(highest, place, value)
    np.minimum.at(lowest, place, value)
    some = np.where(count > 0, count, np.nan)
    mean = first + np.bincount(place, value - first[place], minlength=size) / some  # exact for a large common part
    squares = np.bincount(place, (value - mean[place]) ** 2, minlength=size)
    found = {
        "value": mean,
        "sd": np.sqrt(squares / np.where(count > 1, count - 1, np.nan)),
        "highest": np.where(count > 0, highest, np.nan),
        "lowest": np.where(count > 0, lowest, np.nan),
        "readings_n": np.where(was_visited, count, np.nan),
    }
    return {kind: level.reshape(shape) for kind, level in found.items()}
