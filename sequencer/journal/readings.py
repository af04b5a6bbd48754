"""The readings of a journal as the tidy table."""

from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from sequencer.readings.table import COLUMNS, DISCARDED, tidy

__all__ = ["from_lines"]


def from_lines(lines: Iterable[Mapping[str, Any]], sheet: DataSheet) -> pd.DataFrame:
    """Every reading in the lines of a journal, and every correction as a row of its own.

    Readings of an attempt during which touch with an instrument was lost say so: nobody has confirmed since they were
    taken that the source stood.
    """
    rows: list[dict[str, object]] = []
    last: dict[object, dict[str, object]] = {}  # of a reading, and of each tap
    taps = {tap.name: tap for tap in sheet.taps}
    for each in lines:
        if each["kind"] == "reading":
            row = {name: each.get(name) for name in COLUMNS}
            rows.append(row)
            last[row["tap"]] = last[_which(row)] = row
        elif each["kind"] == "discarded":
            for row in rows:
                if (row["number"], row["attempt"]) == (each["number"], each["attempt"]):
                    row["note"] = DISCARDED
        elif each["kind"] == "correction" and each["tap"] in last:
            tap = taps[each["tap"]]
            before = last.get(_which(each), last[each["tap"]])
            is_latest = before is last[each["tap"]]
            correction = int(str(before.get("correction") or 0)) + 1
            value = float(tap.from_reading(np.array(each["signal"], dtype=np.float64)))
            changed = {"signal": each["signal"], "value": value, "raw": each["raw"], "correction": correction}
            row = before | changed | {"note": "corrected by the operator"}
            rows.append(row)
            last[_which(row)] = row
            if is_latest:
                last[each["tap"]] = row
    return tidy(rows)


def _which(line: Mapping[str, Any]) -> tuple[object, ...]:
    """The reading of a line, or the one that it corrects."""
    return tuple(line.get(name) for name in ("tap", "number", "attempt", "reading"))
