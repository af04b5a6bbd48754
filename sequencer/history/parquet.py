"""Hundreds of thousands of records as Parquet, and the sums of the units of a type from them by DuckDB.

The files are a copy for questions over many records: they are made from the index, and can be thrown away. duckdb is
an extra of the package, since nothing else needs it. Nothing here judges.
"""

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, Self

import pandas as pd

from instruments.errors import InputError, RecordError

if TYPE_CHECKING:
    import duckdb

__all__ = ["NOT_FINISHED", "TABLES", "Store", "write_part"]

NOT_FINISHED = "of a run that did not finish"
"""What is wrong with a record that is whole and does not count."""

_TEXT, _NUMBER = "VARCHAR", "DOUBLE"
TABLES: Mapping[str, Mapping[str, str]] = {
    "records": {
        "record": "BIGINT",
        **dict.fromkeys(("serial", "type", "state", "verdict", "status", "condition", "bench"), _TEXT),
        "started_at": "TIMESTAMP",
        "is_simulated": "BOOLEAN",
    },
    "figures": {
        "record": "BIGINT",
        **dict.fromkeys(("stage", "figure", "unit"), _TEXT),
        **dict.fromkeys(("value", "U", "limit_high"), _NUMBER),
    },
    "errors": {
        "record": "BIGINT",
        **dict.fromkeys(("stage", "direction"), _TEXT),
        **dict.fromkeys(("setpoint_pct", "error", "U", "tolerance_pct"), _NUMBER),
        "cycle": "INTEGER",
    },
}
"""Columns of each table, with their kinds."""

_OF_TYPE = """
    SELECT record, serial, is_simulated FROM records
    WHERE type = $type AND condition = 'whole' AND status IN ('complete', 'by hand')
      AND (NOT $good OR verdict IN ('pass', 'conditional pass')) AND ($state = '' OR state = $state)
"""
_LEFT_OUT = """
    SELECT CASE WHEN condition = 'whole' THEN $other ELSE condition END AS what, count(*) FROM records
    WHERE type = $type AND NOT (condition = 'whole' AND status IN ('complete', 'by hand'))
      AND ($state = '' OR state = $state)
    GROUP BY what ORDER BY what
"""
# One pass over the rows, one over their sums. Between parts it is a difference of large sums: six digits are lost where
# values spread by a millionth of themselves, which no unit under test does.
_SUMS = """
    WITH chosen AS ({chosen}),
    part AS (
      SELECT {keys}, serial, t.record, count(*) AS n, avg({value}) AS mean, var_pop({value}) * count(*) AS squares,
             avg(U) AS U, max({limit}) AS high
      FROM {table} AS t JOIN chosen USING (record) WHERE {where} AND isfinite({value})
      GROUP BY ALL
    )
    SELECT {keys}, serial, CAST(sum(n) AS DOUBLE) AS n, sum(n * mean) / sum(n) AS mean,
           CAST(count(*) AS DOUBLE) AS parts_n,
           greatest(sum(n * mean * mean) - sum(n * mean) ^ 2 / sum(n), 0) AS between_parts,
           sum(squares) AS within_parts, CAST(sum(n * n) AS DOUBLE) AS counts_squared,
           avg(U) AS U, max(high) AS "limit", count(*) AS records
    FROM part GROUP BY ALL ORDER BY ALL
"""


def _connected() -> "duckdb.DuckDBPyConnection":
    try:
        import duckdb  # noqa: PLC0415  an extra
    except ImportError as error:
        raise InputError(
            "questions over many records need the package duckdb, which is not installed",
            todo='install it: python -m pip install "livezero[types]"',
        ) from error
    # It looks for nothing on the network.
    return duckdb.connect(config={"autoinstall_known_extensions": False, "autoload_known_extensions": False})


def write_part(folder: Path, name: str, frames: Mapping[str, pd.DataFrame]) -> None:
    """Write one part of the tables, each to a file of its own.

    Args:
        folder: of the store; made if it is not there.
        name: of the part; the same name replaces it.
        frames: by the names of `TABLES`, with at least their columns.

    Raises:
        InputError: duckdb is not installed.
        RecordError: a file cannot be written.
    """
    connection = _connected()
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for table, columns in TABLES.items():
            frame = frames[table]
            picked = ", ".join(f'CAST("{column}" AS {kind}) AS "{column}"' for column, kind in columns.items())
            connection.register("frame", frame[list(columns)])
            path = folder / f"{table}-{name}.parquet"
            half = path.with_suffix(".half")
            connection.execute(f"COPY (SELECT {picked} FROM frame) TO '{_quoted(half)}' (FORMAT parquet)")  # noqa: S608
            half.replace(path)
    except OSError as error:
        raise RecordError(
            f"cannot be written: {error.strerror}", where=str(folder), todo="check disk and rights"
        ) from error
    finally:
        connection.close()


def _quoted(path: Path) -> str:
    return str(path).replace("'", "''")


class Store:
    """A folder of Parquet files, open for questions; a context manager.

    Args:
        folder: that `write_part` wrote.

    Raises:
        InputError: duckdb is not installed, or the folder holds no such files.
    """

    def __init__(self, folder: Path) -> None:
        self._connection = _connected()
        for table in TABLES:
            files = sorted(map(str, folder.glob(f"{table}-*.parquet")))
            if not files:
                raise InputError(
                    f"holds no table of {table}", where=str(folder), todo="name a folder that livezero envelope wrote"
                )
            self._connection.read_parquet(files).create_view(table)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    def records_n(self, type_: str, *, is_good: bool = False, state: str = "") -> int:
        """Records of a type that count."""
        asked = {"type": type_, "good": is_good, "state": state}
        found = self._connection.execute(f"SELECT count(*) FROM ({_OF_TYPE})", asked).fetchone()  # noqa: S608  own text
        return int(found[0]) if found else 0

    def simulated_n(self, type_: str, *, is_good: bool = False, state: str = "") -> int:
        """How many of those are of a simulated bench."""
        asked = {"type": type_, "good": is_good, "state": state}
        chosen = f"SELECT count(*) FROM ({_OF_TYPE}) WHERE is_simulated"  # noqa: S608  own text
        found = self._connection.execute(chosen, asked).fetchone()
        return int(found[0]) if found else 0

    def left_out(self, type_: str, *, state: str = "") -> dict[str, int]:
        """Records of a type that do not count, by what is wrong with them."""
        rows = self._connection.execute(_LEFT_OUT, {"type": type_, "state": state, "other": NOT_FINISHED}).fetchall()
        return {str(what): int(number) for what, number in rows}

    def types(self) -> tuple[str, ...]:
        """Every type there is a record of."""
        rows = self._connection.execute("SELECT DISTINCT type FROM records ORDER BY type").fetchall()
        return tuple(str(row[0]) for row in rows)

    def points(self, type_: str, *, is_good: bool = False, state: str = "") -> pd.DataFrame:
        """Sums a point and unit, as `envelope` takes them."""
        return self._sums(
            "errors",
            "error",
            "tolerance_pct",
            ("setpoint_pct", "direction"),
            "t.stage = ''",
            {"type": type_, "good": is_good, "state": state},
        )

    def figures(self, type_: str, *, is_good: bool = False, state: str = "") -> pd.DataFrame:
        """Sums a figure and unit, as `envelope` takes them."""
        return self._sums(
            "figures",
            "value",
            "limit_high",
            ("stage", "figure", "unit"),
            "true",
            {"type": type_, "good": is_good, "state": state},
        )

    def _sums(
        self, table: str, value: str, limit: str, keys: tuple[str, ...], where: str, asked: Mapping[str, Any]
    ) -> pd.DataFrame:
        text = _SUMS.format(chosen=_OF_TYPE, table=table, value=value, limit=limit, keys=", ".join(keys), where=where)
        return self._connection.execute(text, dict(asked)).df()
