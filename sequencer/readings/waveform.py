"""A waveform as an oscilloscope or a sound card recorded it: times and values."""

from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray

__all__ = ["TraceFile"]


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFile:
    """A trace as it was read.

    Attributes:
        times_s: shape (n,), rising.
        values: shape (n,), finite.
        name: of the column, or of the channel.
        unit: as written; "" if none was.
        left_out_n: samples without a number, or overloaded.
        ends: lowest and highest value that the file's format can hold; None where it has no ends.
    """

    times_s: FloatArray
    values: FloatArray
    name: str
    unit: str
    left_out_n: int
    ends: tuple[float, float] | None = None

    @property
    def interval_s(self) -> float:
        """Median time from sample to sample."""
        return float(np.median(np.diff(self.times_s)))

    @property
    def is_even(self) -> bool:
        """Samples at one interval, to a hundredth of it."""
        steps = np.diff(self.times_s)
        return bool(np.ptp(steps) <= 0.02 * float(np.median(steps)))
