"""A waveform as an oscilloscope or a sound card recorded it: times and values."""

from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray

__all__ = ["TraceFile", "is_even", "room_for", "step_of"]

_EVEN = 0.02  # of a step, from the shortest to the longest
_MOST_STEPS = 1_000_000  # that the median is taken of
_DOUBLE_N = 2**22  # samples, of more of which the values are of single precision: 24 bits are no digitiser's
_PART_N = 2**16  # looked at together; all at once would take as much room as the trace


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceFile:
    """A trace as it was read.

    Attributes:
        times_s: shape (n,), rising.
        values: shape (n,), finite; of a long trace in single precision.
        name: of the column, or of the channel.
        unit: as written; "" if none was.
        left_out_n: samples without a number, or overloaded.
        ends: lowest and highest value that the file's format can hold; None where it has no ends.
        lacking_n: samples that the file speaks of, and does not hold: it was cut off.
    """

    times_s: FloatArray
    values: FloatArray
    name: str
    unit: str
    left_out_n: int
    ends: tuple[float, float] | None = None
    lacking_n: int = 0

    @property
    def interval_s(self) -> float:
        """Mean time from sample to sample where they are even, else the median; of a long trace, of some of them."""
        if self.is_even:
            return float(self.times_s[-1] - self.times_s[0]) / (len(self.times_s) - 1)
        return step_of(self.times_s)

    @property
    def is_even(self) -> bool:
        """Samples at one interval, to a hundredth of it."""
        return is_even(self.times_s)


def room_for(samples_n: int) -> FloatArray:
    """Values not yet written, shape (samples_n,), of the precision that as many have."""
    values: FloatArray = np.empty(samples_n, dtype=np.float64 if samples_n <= _DOUBLE_N else np.float32)
    return values


def step_of(times: FloatArray) -> float:
    """Median step, of a long trace that of some; shape (n,), two at least, any unit."""
    apart = -(-len(times) // _MOST_STEPS)
    return float(np.median(times[1::apart] - times[:-1:apart], overwrite_input=True))


def is_even(times: FloatArray) -> bool:
    """Whether times rise by one step, to a hundredth of it to each side; shape (n,), any unit. False with a NaN."""
    low, high = np.inf, -np.inf
    for start in range(0, len(times) - 1, _PART_N):
        steps = np.diff(times[start : start + _PART_N + 1])
        low, high = min(low, float(steps.min())), max(high, float(steps.max()))
    mean = float(times[-1] - times[0]) / max(len(times) - 1, 1)
    return bool(high - low <= _EVEN * mean)
