"""Times of samples as text: how many digits they have, and the one interval that rounding alone keeps them from."""

import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from sequencer.readings.waveform import is_even
from sequencer.readings.waveform_head import Head, cells_of

__all__ = ["Digits", "digits_of", "refuse_falling", "restore"]

_FIT_N = 20_000  # samples that the regular interval is fitted to
_ROUNDED = 1.0  # of the last digit: half by its own rounding, the rest by that of the ends
_ALL_DIGITS = 30
_MANTISSA = re.compile(r"[+-]?0*(?P<whole>\d*)[.,]?(?P<part>\d*)(?:[eE](?P<power>[+-]?\d+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Digits:
    """Digits that numbers are written with: significant ones, and places after the mark."""

    significant_n: int
    places_n: int

    def step(self, sizes: FloatArray) -> FloatArray:
        """Value of the last digit of each number; shape as `sizes`, all >= 0."""
        least = 10.0**-self.places_n
        power = np.floor(np.log10(np.maximum(sizes, least)) + 1e-9)
        return np.maximum(10.0 ** (power + 1 - self.significant_n), least)


def digits_of(ends: tuple[bytes, bytes], head: Head, time_at: int) -> Digits:
    """Digits of the times, from the first and the last lines."""
    significant, places = 1, 0
    for end in ends:
        for line in end.decode("latin-1").split("\n")[1:-1]:
            cells = cells_of(line, head.divider)
            if head.stamp_s is not None:  # all digits before the mark are there
                split = re.split(r"[.,]", cells[time_at])[1:] if time_at < len(cells) else []
                significant, places = _ALL_DIGITS, max(places, len(split[0].rstrip("Z")) if split else 0)
                continue
            match = _MANTISSA.fullmatch(cells[time_at]) if time_at < len(cells) else None
            if match is not None:
                whole, part = match["whole"], match["part"]
                significant = max(significant, len(whole) + len(part if whole else part.lstrip("0")))
                places = max(places, len(part) - int(match["power"] or 0))
    return Digits(significant_n=significant, places_n=places)


def restore(times: FloatArray, digits: Digits) -> None:
    """Put evenly spaced times back where rounding alone moved them, in place; in the unit that they are written in."""
    n = len(times)
    if n < 3 or is_even(times):
        return
    at = np.unique(np.linspace(0, n - 1, _FIT_N).astype(np.int64))
    seen = np.isfinite(times[at])
    if np.count_nonzero(seen) < 3:
        return
    middle, said = (n - 1) / 2, times[at][seen]
    # With a power of ten small times have more places than large ones, and tell the interval better.
    last = np.maximum(digits.step(np.abs(said)), 1e-290)
    weights = np.maximum(last.min() / last, 1e-6)
    slope, shift = np.polynomial.polynomial.polyfit(at[seen] - middle, said, 1, w=weights)[::-1]
    if not slope > 0:
        return
    for start in range(0, n, _FIT_N):
        part = times[start : start + _FIT_N]
        regular = shift + slope * (np.arange(start, start + len(part)) - middle)
        # NaN is not away: it has a place too.
        if (np.abs(part - regular) > _ROUNDED * digits.step(np.abs(regular))).any():
            return
    for start in range(0, n, _FIT_N):
        part = times[start : start + _FIT_N]
        part[:] = shift + slope * (np.arange(start, start + len(part)) - middle)


def refuse_falling(path: Path, head: Head, times_s: FloatArray, kept: slice | npt.NDArray[np.int64]) -> None:
    """Raises ReadingsError, with its line as far as no line was passed over, where the time does not rise."""
    rising = times_s[kept]
    for start in range(0, len(rising) - 1, _FIT_N):
        steps = np.diff(rising[start : start + _FIT_N + 1])
        if (steps <= 0).any():
            place = start + int(np.flatnonzero(steps <= 0)[0]) + 1
            row = place if isinstance(kept, slice) else int(kept[place])
            raise ReadingsError(
                "the time does not rise here",
                where=f"{path}:{head.first + 1 + row}",
                todo="put the samples in order, or write more digits of the time",
            )
