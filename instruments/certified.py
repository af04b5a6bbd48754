"""The errors of an instrument at the points of its calibration certificate, as numbers: what corrects it, and how well.

Between the points errors go straight; beyond them nothing was calibrated, so the error of the nearest one is held.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Certified", "certified_from"]

FloatArray = npt.NDArray[np.float64]

# What lies beyond the outermost points by so little of their distance counts as inside: 3.99 mA at a point at 4 mA.
_SLACK_FRAC = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class Certified:
    """Errors at points, in the unit of the signal at a tap.

    Of a meter an error is what it shows less what is true; of a source what it gives less what it is set to.

    Attributes:
        points: (true or set, error, expanded uncertainty of the error), the first rising; two or more.
        is_set: True of a source, False of a meter.
        correlation: of the errors at two neighbouring points; 1 = one standard served all, so they are off together.
        number: of the certificate.
    """

    points: tuple[tuple[float, float, float], ...]
    is_set: bool = False
    correlation: float = 1.0
    number: str = ""

    def _columns(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        at, error, U = np.array(self.points, dtype=np.float64).T
        return at, error, U

    def true(self, indicated: FloatArray) -> FloatArray:
        """The true signal for what a meter shows or a source is set to; same shape."""
        at, error, _ = self._columns()
        if self.is_set:
            return np.asarray(indicated + np.interp(indicated, at, error))
        return np.asarray(indicated - np.interp(indicated, at + error, error))

    def shown(self, signal: FloatArray) -> FloatArray:
        """What a meter shows, or a source is set to, for a true signal: the inverse of `true`; same shape."""
        at, error, _ = self._columns()
        if self.is_set:
            return np.asarray(signal - np.interp(signal, at + error, error))
        return np.asarray(signal + np.interp(signal, at, error))

    def U(self, signal: FloatArray) -> FloatArray:
        """Expanded uncertainty of the error at a signal, with the correlation of the two points beside it; same shape.

        Source: GUM 5.2.2, equation 16, for the weights of the interpolation.
        """
        at, _, U = self._columns()
        inside = np.clip(signal, at[0], at[-1])
        before = np.clip(np.searchsorted(at, inside, side="right") - 1, 0, len(at) - 2)
        share = (inside - at[before]) / (at[before + 1] - at[before])
        low, high = (1 - share) * U[before], share * U[before + 1]
        return np.asarray(np.sqrt(low**2 + high**2 + 2 * self.correlation * low * high))

    def is_inside(self, signal: FloatArray) -> npt.NDArray[np.bool_]:
        """True where the certificate has points on both sides of a signal, or as good as; same shape."""
        at, _, _ = self._columns()
        slack = _SLACK_FRAC * (at[-1] - at[0])
        return np.asarray((signal >= at[0] - slack) & (signal <= at[-1] + slack))

    def told(self, unit: str) -> str:
        """What is corrected by how much, as a report says it."""
        at, error, U = self._columns()
        rows = ", ".join(f"{e:+.3g} at {a:.6g}" for a, e in zip(at, error, strict=True))
        many = len(self.points) > 5
        rows = f"{error.min():+.3g} .. {error.max():+.3g} at {len(at)} points {at[0]:g} .. {at[-1]:g}" if many else rows
        by = f"certificate {self.number}" if self.number else "its certificate"
        how = "added to what it is set to" if self.is_set else "taken off what it shows"
        return f"error of {rows} {unit} by {by} (U {U.max():.2g} {unit} at most) {how}"


def certified_from(values: Mapping[str, Any] | None) -> Certified | None:
    """The errors from JSON values, as `dataclasses.asdict` gives them; raises KeyError, TypeError if they are none."""
    return None if values is None else Certified(**{**values, "points": tuple(map(tuple, values["points"]))})
