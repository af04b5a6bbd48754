"""The readings of a journal as the tidy table."""

from pathlib import Path

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from sequencer.journal.writer import entries
from sequencer.readings.table import COLUMNS, tidy

__all__ = ["from_journal"]


def from_journal(path: Path, sheet: DataSheet) -> pd.DataFrame:
    """Every reading of a journal, and every correction as a row of its own; raises RecordError."""
    rows: list[dict[str, object]] = []
    last: dict[str, dict[str, object]] = {}
    taps = {tap.name: tap for tap in sheet.taps}
    for each in entries(path):
        if each["kind"] == "reading":
            row = {name: each.get(name) for name in COLUMNS}
            rows.append(row)
            last[str(row["tap"])] = row
        elif each["kind"] == "correction" and each["tap"] in last:
            tap = taps[each["tap"]]
            before = last[each["tap"]]
            correction = int(str(before.get("correction") or 0)) + 1
            value = float(tap.from_reading(np.array(each["signal"], dtype=np.float64)))
            changed = {"signal": each["signal"], "value": value, "raw": each["raw"], "correction": correction}
            row = before | changed | {"note": "corrected by the operator"}
            rows.append(row)
            last[each["tap"]] = row
    return tidy(rows)
