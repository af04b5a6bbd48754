"""The tables of an evaluation: visits, points and end pairs, made of arrays."""

import math

import numpy as np
import pandas as pd

from instruments.datasheet import FloatArray
from sequencer.evaluation.figures.conformity import Verdict as PointVerdict
from sequencer.evaluation.figures.per_point import per_point
from sequencer.evaluation.judgement import NEGLIGIBLE_FRAC, BoolArray, Judgement, Uncertainty
from sequencer.readings.table import Grid

__all__ = ["points_table", "used_pct", "visited", "visits_table", "with_uncertainty"]

_WITHIN_PCT = 100 * (1 + 1e-9)  # a hair of rounding must not fail a unit that sits on its limit to the last bit


def visited(readings: Grid) -> BoolArray:
    """Where any tap was read, or was to be read and gave no value; shape of the readings."""
    return np.asarray(np.any([~np.isnan(count) for count in readings.readings_n.values()], axis=0))


def used_pct(error: FloatArray, tolerance: FloatArray, span: float) -> FloatArray:
    """Error in % of its tolerance; NaN where there is none."""
    return np.asarray(100 * error / np.where(tolerance > NEGLIGIBLE_FRAC * span, tolerance, np.nan))


def visits_table(
    readings: Grid, last: str, is_visited: BoolArray, columns: dict[str, FloatArray], judgement: Judgement, span: float
) -> pd.DataFrame:
    """One row a visit, as `Evaluation.visits` describes it, without what needs an uncertainty.

    Args:
        readings: as arrays.
        last: name of the last tap.
        is_visited: the places that were visited, shape of the readings.
        columns: arrays of that shape by the name of their column.
        judgement: of the visited places, in order.
        span: of the output.
    """
    _, cycle, direction, point = np.nonzero(is_visited)
    values = {name: each[is_visited] for name, each in columns.items()}
    table = pd.DataFrame(
        {
            "cycle": cycle + 1,
            "direction": np.where(direction == 1, "down", "up" if readings.has_directions else ""),
            "point": point,
            "setpoint_pct": readings.setpoint_pct[point],
            **values,
            "error_pct": 100 * values["error"] / span,
            "used_pct": used_pct(values["error"], values["tolerance"], span),
            "sd": readings.sd[last][is_visited],
            "readings_n": np.nan_to_num(readings.readings_n[last][is_visited]).astype(int),
            "is_steady": readings.is_steady[is_visited],
        }
    )
    order = ["cycle", "direction", "point", "setpoint_pct", "input", "input_pct", "ideal", "output", "error"]
    table = table[[*order, "error_pct", "tolerance", "used_pct", "sd", "readings_n", "is_steady"]]
    is_out = judgement.result == PointVerdict.FAIL
    # What lies below the digits of readings by hand is not judged; what U exceeds is, by its rule.
    is_told = ~judgement.is_unresolved | is_out
    table["is_judged"] = table["used_pct"].notna() & (is_told | (judgement.conformity is not None))
    table["is_within"] = (table["used_pct"].abs() <= _WITHIN_PCT) & ~(judgement.is_unresolved & is_out)
    return table


def with_uncertainty(visits: pd.DataFrame, known: Uncertainty, judgement: Judgement) -> pd.DataFrame:
    """The visits with uncertainty and verdict."""
    found = judgement.conformity
    assert found is not None
    return visits.assign(
        U=known.U,
        k=known.k,
        dof=known.dof,
        tur=found.tur,
        p_conform=found.probability,
        verdict=[PointVerdict(int(each)).text for each in judgement.result],
    )


def points_table(visits: pd.DataFrame, is_out: BoolArray, span: float) -> pd.DataFrame:
    """One row a setpoint and direction, over all cycles.

    Args:
        visits: as in `Evaluation`.
        is_out: in their order, what is outside.
        span: of the output.
    """
    rows = []
    for (point, direction), part in visits.assign(is_out=is_out).groupby(["point", "direction"], sort=True):
        means = {name: float(part[name].mean()) for name in ("setpoint_pct", "input", "ideal", "output", "error")}
        over_cycles = per_point(part["output"].to_numpy(), axis=0)
        width = float(part["tolerance"].mean())
        is_told = bool(part["is_judged"].any()) or bool(part["is_out"].any())
        rows.append(
            {"point": point, "direction": direction}
            | means
            | {
                "error_pct": 100 * means["error"] / span,
                "sd": _pooled(part["sd"].to_numpy()) if len(part) == 1 else float(over_cycles.sd),
                "readings_n": int(part["readings_n"].sum()),
                "cycles_n": len(part),
                "tolerance": width,
                "tolerance_pct": 100 * width / span,
                "used_pct": float(part["used_pct"].abs().max()),
                "is_within": bool(part["is_within"].all()) if is_told else None,
                "is_steady": bool(part["is_steady"].all()),
            }
        )
    return pd.DataFrame(rows)


def _pooled(sd: FloatArray) -> float:
    known = sd[~np.isnan(sd)]
    return float(np.sqrt((known**2).mean())) if known.size else math.nan
