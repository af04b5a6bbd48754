"""Records as tidy tables, one fact a row: for notebooks, and for whatever judges over time. Times are UTC.

It computes nothing. Every table has the column `record`, by which they are joined.
"""

from collections import defaultdict
from collections.abc import Callable, Mapping
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from sqlalchemy import Connection, Select, select

from sequencer.index.database import Database
from sequencer.index.filters import Filters
from sequencer.index.models import Base, Baseline, Cause, Deed, Figure, Instrument, Place, PointError, Record, Repair
from sequencer.inputs.serials import serial_key

__all__ = ["Frames"]

_COLUMNS: tuple[Any, ...] = (
    Record.id.label("record"),
    (Place.path + "/" + Record.folder).label("folder"),
    Record.serial,
    Record.tag,
    Record.type,
    Record.sequence,
    Record.bench,
    Record.operator,
    Record.state,
    Record.started_at,
    Record.verdict,
    Record.sealed_verdict,
    Record.status,
    Record.condition,
    Record.digest,
    Record.before,
    Record.revision,
    Record.is_simulated,
    Record.standard,
    Record.tolerance,
    Record.output_unit,
    Record.output_span,
    Record.batch,
)
_statements: dict[tuple[str, tuple[tuple[str, bool], ...]], Select[Any]] = {}


class Frames:
    """The records that are asked for; each table is read when it is first asked for.

    Args:
        database: the index.
        filters: which records; all by default.
    """

    def __init__(self, database: Database, filters: Filters | None = None) -> None:
        self._database = database
        self._filters = filters or Filters()

    def __repr__(self) -> str:
        asked = ", ".join(f"{name}={value!r}" for name, value in self._filters.given.items())
        return (
            f"records({asked}): {len(self.records)} found; .records, .figures, .errors, .instruments, .causes, .deeds"
        )

    def _repr_html_(self) -> str:
        return str(self.records._repr_html_())  # type: ignore[operator]

    @cached_property
    def records(self) -> pd.DataFrame:
        """In order of time.

        Columns: record, folder, serial, tag, type, sequence, bench, operator, state ("as found", "as left", ""),
        started_at, verdict, sealed_verdict (before corrections), status, condition ("whole", "altered", "unreadable",
        "missing", "copied"), digest, before (digest of its as-found record), revision, is_simulated, standard,
        tolerance, output_unit, output_span, batch, instruments (list of names with identities), causes (list of those
        that are named).
        """
        with self._database.reading() as connection:
            used = _lists(connection, self._once("used", self._of_used), self._filters.values)
            named = _lists(connection, self._once("named", self._of_named), self._filters.values)
            asked = self._once("records", self._of_records)
            return _frame(connection, asked, self._filters.values, lists={"instruments": used, "causes": named})

    @cached_property
    def figures(self) -> pd.DataFrame:
        """A row a figure, a stage, or a result of a step.

        Columns: record, stage ("" = the whole unit, "step: NAME" = the result of a step), figure, value, U, low, high
        (ends of its interval), unit, limit_low, limit_high, verdict ("" = not judged by itself).
        """
        return self._part(Figure)

    @cached_property
    def errors(self) -> pd.DataFrame:
        """A row a visit.

        Columns: record, stage, setpoint_pct, direction, cycle, input (in its unit), error, U, k, dof, unit
        ("% of span"), tolerance_pct, is_judged.
        """
        return self._part(PointError)

    @cached_property
    def instruments(self) -> pd.DataFrame:
        """Columns: record, name, what, resource, identity, use, certificate, calibrated, due."""
        return self._part(Instrument).drop(columns="key")

    @cached_property
    def causes(self) -> pd.DataFrame:
        """Columns: record, cause, place, weight (0 to 1), is_named; ranked."""
        return self._part(Cause)

    @cached_property
    def deeds(self) -> pd.DataFrame:
        """Columns: record, at, by, what, text, revision (0 = none was made), replaces: who did what when."""
        return self._part(Deed)

    @cached_property
    def repairs(self) -> pd.DataFrame:
        """Columns: id, serial, at, part, by, text: in order of time, of the units asked for by serial, or of all."""
        return self._of_units(Repair)

    @cached_property
    def baselines(self) -> pd.DataFrame:
        """Columns: id, name, serial ("" = of the type), type, folder, digest, at, by, why; likewise."""
        return self._of_units(Baseline)

    def _once(self, name: str, made: Callable[[], Select[Any]]) -> Select[Any]:
        """A statement, made once for all filters of one shape: to make one costs more than to ask it of one unit."""
        key = (name, self._filters.shape)
        if key not in _statements:
            _statements[key] = made()
        return _statements[key]

    def _of_records(self) -> Select[Any]:
        asked = select(*_COLUMNS).join(Place).where(self._filters.condition_of)
        return asked.order_by(Record.started_at, Record.folder)

    def _of_used(self) -> Select[Any]:
        return self._of(Instrument, Instrument.name, Instrument.identity)

    def _of_named(self) -> Select[Any]:
        return self._of(Cause, Cause.cause).where(Cause.is_named)

    def _of(self, table: Any, *columns: Any) -> Select[Any]:  # noqa: ANN401  a part, and its columns
        """Rows that hang on the records asked for, in order."""
        asked = select(table.record_id.label("record"), *columns).join(Record, Record.id == table.record_id)
        asked = asked.where(self._filters.condition_of)
        return asked.order_by(table.record_id, table.number)

    def _part(self, table: type[Base]) -> pd.DataFrame:
        columns = [each for each in table.__table__.columns if each.name not in {"record_id", "number"}]
        asked = self._once(table.__tablename__, lambda: self._of(table, *columns))
        with self._database.reading() as connection:
            return _frame(connection, asked, self._filters.values)

    def _of_units(self, table: type[Repair] | type[Baseline]) -> pd.DataFrame:
        columns = [each for each in table.__table__.columns if each.name not in {"place_id", "serial_key"}]
        asked = select(*columns).order_by(table.at, table.id)
        if self._filters.serial:
            wanted = [serial_key(self._filters.serial)] + ([""] if table is Baseline else [])
            asked = asked.where(table.serial_key.in_(wanted))
        with self._database.reading() as connection:
            return _frame(connection, asked)


def _frame(
    connection: Connection,
    asked: Select[Any],
    values: Mapping[str, Any] | None = None,
    *,
    lists: Mapping[str, Mapping[int, list[str]]] | None = None,
) -> pd.DataFrame:
    """What is asked for as columns, each of the type of its column in the table: what is empty has it too.

    Args:
        connection: of the index.
        asked: its first column is the record, where there are lists.
        values: bound by name.
        lists: more columns, with the words of each record.
    """
    columns = {column.name: column.type.python_type for column in asked.selected_columns}
    # What the driver gives is taken as it is: to make rows of it that know their names costs as much as to fetch it.
    rows = connection.execute(asked, values or {}).cursor.fetchall()
    found = dict(zip(columns, zip(*rows, strict=True), strict=True)) if rows else dict.fromkeys(columns, ())
    # An array of text costs a tenth of a millisecond however short it is: so all columns of text are made as one.
    of_text = [name for name, kind in columns.items() if kind is str]
    texts = pd.array([each for name in of_text for each in found[name]], dtype="str")
    made: dict[str, Any] = {
        name: texts[place * len(rows) : (place + 1) * len(rows)] for place, name in enumerate(of_text)
    }
    made |= {name: _numbers(found[name], kind) for name, kind in columns.items() if kind is not str}
    made = {name: made[name] for name in columns}
    for name, words in (lists or {}).items():
        made[name] = pd.Series([words.get(row[0], []) for row in rows], dtype=object)
    return pd.DataFrame(made, copy=False)


def _numbers(values: tuple[Any, ...], kind: type) -> Any:  # noqa: ANN401  what pandas takes
    if kind is datetime:
        return pd.DatetimeIndex(np.array(values, dtype="datetime64[us]")).tz_localize("UTC")
    return np.array(values, dtype={int: np.int64, float: np.float64, bool: np.bool_}[kind])


def _lists(connection: Connection, asked: Select[Any], values: Mapping[str, Any]) -> dict[int, list[str]]:
    found: dict[int, list[str]] = defaultdict(list)
    for record, *words in connection.execute(asked, values):
        found[record].append(": ".join(filter(None, words)))
    return found
