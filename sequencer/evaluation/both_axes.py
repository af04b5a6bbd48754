"""The line through readings whose input and output are both uncertain, with the uncertainty that all readings share.

The line itself is set by what is of each reading alone: rounding, settling and scatter. What an instrument shares by
all readings moves the whole line, so it is in the uncertainty of offset and gain, and in no weight and in no test.
"""

from dataclasses import dataclass

import numpy as np
from scipy import special

from instruments.datasheet import FloatArray
from sequencer.evaluation.covariance import Covariance
from sequencer.evaluation.figures.curves import BoolArray
from sequencer.evaluation.figures.errors_in_variables import fit_line_with_uncertainties
from sequencer.evaluation.figures.uncertainty import Budget

__all__ = ["BothAxes", "both_axes"]

_DOUBT_LEVEL = 0.05


@dataclass(frozen=True, slots=True, kw_only=True)
class BothAxes:
    """Line output = offset + gain * ideal output, both in % of span from the lower end of the range.

    Attributes:
        offset: in % of span.
        gain: as a number.
        U_offset: expanded uncertainty with all that is known.
        U_gain: the same of the gain.
        u_scatter: standard uncertainties of offset and gain from scatter alone.
        said: what the test of the line says, in one sentence.
        definition: whose.
    """

    offset: float
    gain: float
    U_offset: float
    U_gain: float
    u_scatter: tuple[float, float]
    said: str
    definition: str


def both_axes(
    ideal_pct: FloatArray,
    output_pct: FloatArray,
    stated: Budget,
    known: Covariance,
    is_visited: BoolArray,
    *,
    scale: float,
) -> BothAxes | None:
    """The line of one unit; None where fewer than two readings have an uncertainty of their own.

    Args:
        ideal_pct: ideal output at the visits, % of span.
        output_pct: output at the visits.
        stated: uncertainty of each error.
        known: covariance of the errors at the visits, % of span.
        is_visited: their places.
        scale: % of span for each unit of the output.
    """
    first = stated.contributions[0].tap
    u_x, u_y = (scale * _own(stated, is_visited, first, is_input=is_input) for is_input in (True, False))
    is_used = np.isfinite(ideal_pct + output_pct + u_x + u_y) & (u_x + u_y > 0)
    if is_used.sum() < 2 or np.ptp(ideal_pct[is_used]) == 0:
        return None
    x, y, u_x, u_y = (each[is_used] for each in (ideal_pct, output_pct, u_x, u_y))
    line = fit_line_with_uncertainties(x[None], y[None], u_y=u_y[None], u_x=u_x[None])
    if np.isnan(line.gain[0]):
        return None
    offset, gain = float(line.offset[0]), float(line.gain[0])
    w = 1 / (u_y**2 + gain**2 * u_x**2)
    design = np.vander(x, 2, increasing=True)
    weights = np.zeros((2, is_used.size))
    weights[:, is_used] = np.linalg.solve(design.T @ (w[:, None] * design), design.T * w)
    spread = known.of(weights)
    left = np.full(is_used.size, np.nan)
    left[is_used] = y - offset - gain * x
    for each in np.unique(known.cycle) if known.between_dof else ():  # a shift of a cycle is no bend of the unit
        here = (known.cycle == each) & is_used
        left[here] -= left[here].mean()
    return BothAxes(
        offset=offset,
        gain=gain,
        U_offset=float(spread.U[0]),
        U_gain=float(spread.U[1]),
        u_scatter=(float(spread.u_scatter[0]), float(spread.u_scatter[1])),
        said=_test(left, known, is_visited),
        definition=line.definition,
    )


def _own(stated: Budget, is_visited: BoolArray, first: str, *, is_input: bool) -> FloatArray:
    """What is of each reading alone, at the input or at the output, as its effect at the output."""
    squares = np.zeros(int(is_visited.sum()))
    for line, effect in zip(stated.contributions, stated.effect, strict=True):
        if line.origin in {"resolution", "settling", "scatter"} and (line.tap == first) == is_input:
            own = effect[is_visited] ** 2
            # Weights from a few readings each would follow the noise: scatter weighs all alike.
            squares = squares + (np.nanmean(own) if line.origin == "scatter" else own)
    return np.asarray(np.sqrt(squares))


def _test(left: FloatArray, known: Covariance, is_visited: BoolArray) -> str:
    """Whether the means of the cycles lie on the line: an F test against what each mean has of its own."""
    _, _, direction, point = np.nonzero(is_visited)
    place = direction * (point.max() + 1) + point
    places = np.unique(place[np.isfinite(left)])
    dof = len(places) - 2
    if dof < 1:
        return "The line cannot be tested: 3 points are needed."
    means, variances = [], []
    for each in places:
        here = (place == each) & np.isfinite(left)
        means.append(left[here].mean())
        rounding = float((known.factors[known.is_rounding][:, here].mean(axis=-1) ** 2).sum())
        variances.append(float(known.scatter[here].mean()) / int(here.sum()) + rounding)
    variance = np.array(variances)
    if not known.is_scatter_known or not (variance > 0).all():
        return "The line cannot be tested: nothing is known of what each reading has of its own."
    statistic = float((np.array(means) ** 2 / variance).sum()) / dof
    below = float(np.min(known.scatter_dof[np.isfinite(left)]))
    p = float(special.fdtrc(dof, below, statistic) if np.isfinite(below) else special.chdtrc(dof, dof * statistic))
    found = f"F = {statistic:.3g} for {dof} and {'many' if np.isinf(below) else f'{below:.3g}'} degrees of freedom"
    if p < _DOUBT_LEVEL:
        return (
            f"The means lie farther off the line than scatter and rounding explain ({found}): it is no line, up and "
            "down differ, or one of these is stated too small."
        )
    return f"The means lie on the line within scatter and rounding ({found})."
