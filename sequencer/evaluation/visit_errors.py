"""Single readings of a step as errors in % of the output span: each with when it was taken and what stood at the input.

Where the input was read along with the output, the error is against the input as read, so that what the source does is
no error of the unit; else against the input as it was set.
"""

import math
from collections.abc import Mapping

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from sequencer.evaluation.judgement import steps_shown
from sequencer.readings.table import valid_rows

__all__ = ["resolution_pct", "visit_errors"]

_READING = ["number", "attempt", "reading"]
_PLACE = ["step", "cycle", "direction", "point", "role", "setpoint_pct", "commanded"]


def visit_errors(rows: pd.DataFrame, sheet: DataSheet) -> pd.DataFrame:
    """One row for each reading of the output, in the order taken.

    Args:
        rows: tidy, of one unit, of the roles that are wanted.
        sheet: of the unit.

    Returns:
        Columns of the place, `at_s`, `set_at_s` (run time, s; NaN where not known), `output` (unit of the last tap),
        `error_pct` (% of the output span); readings that failed are left out.
    """
    first, last = sheet.taps[0], sheet.taps[-1]
    rows = valid_rows(rows)
    outputs = rows[rows["tap"] == last.name].dropna(subset=["value"])
    inputs = rows[rows["tap"] == first.name].drop_duplicates(_READING, keep="last").set_index(_READING)["value"]
    found = outputs[[*_READING, *_PLACE, "at_s", "set_at_s"]].assign(output=outputs["value"])
    read = inputs.reindex(pd.MultiIndex.from_frame(found[_READING])).to_numpy(dtype="float64")
    stood = first.given(found["commanded"].to_numpy(dtype="float64"))
    at_input = pd.Series(read, index=found.index).fillna(pd.Series(stood, index=found.index)).to_numpy()
    error = found["output"].to_numpy(dtype="float64") - sheet.ideal(at_input)
    found = found.assign(error_pct=100 * error / abs(last.span))
    return found.sort_values(["at_s", "number", "reading"], kind="stable").reset_index(drop=True)


def resolution_pct(rows: pd.DataFrame, sheet: DataSheet, receivers: Mapping[str, Mapping[str, float]]) -> float:
    """One step of the last digit at the output in % of its span; 0 where nothing says it."""
    last = sheet.taps[-1]
    step = receivers.get(last.name, {}).get("resolution", math.nan)
    if math.isfinite(step):
        low, high = last.to_signal(np.array([last.low, last.high]))
        return 100 * step / abs(float(high - low))
    shown = steps_shown(rows).get(last.name, 0.0)
    return 100 * shown / abs(last.span) if shown < 1 else 0.0  # whole numbers tell nothing of a resolution
