"""What each explanation foretells of readings to come, and how surely. It chooses none and names none."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Self

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.causes import memory
from sequencer.diagnosis.model.cause import Sizes
from sequencer.diagnosis.model.fit import Fit
from sequencer.diagnosis.model.healthy_model import imperfections
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series

__all__ = ["Ahead", "Explanation", "Forecast", "Path", "usual_s"]

_FARTHEST = 9.0
# By how much a size is moved to see what it does, as a part of it and at least.
_MOVED, _MOVED_LEAST = 1e-4, 1e-7
_PASSES_N = 4
_WITH_MEMORY = frozenset(each.name for each in memory.CAUSES)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """What may be true of a segment.

    Attributes:
        found: a hypothesis that foretells single readings; None = nothing is wrong.
        free: indices of the sizes that are continuous, for each of its causes.
    """

    found: Hypothesis | None
    free: tuple[tuple[int, ...], ...] = ()

    @classmethod
    def each(cls, found: Sequence[Hypothesis | None], segment: Segment) -> tuple[Self, ...]:
        """Of hypotheses in a segment. Some causes look long for their sizes, so those of one kind are asked once."""
        asked: dict[tuple[Callable[[Segment, int], Sizes], int], tuple[int, ...]] = {}
        explanations = []
        for one in found:
            free = []
            for fit in () if one is None else one.fits:
                key = fit.cause.sizes, fit.stage
                if key not in asked:
                    is_free = fit.cause.sizes_at(segment, fit.stage).is_free
                    asked[key] = tuple(index for index, free in enumerate(is_free) if free)
                free.append(() if fit.cause.has_steps else asked[key])
            explanations.append(cls(found=one, free=tuple(free)))
        return tuple(explanations)


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """Readings to come as one explanation foretells them: normal, and not independent of each other.

    Attributes:
        mean: as fraction of the span at the tap; shape (readings,).
        common: what they share, one standard deviation a column; shape (readings, columns).
        noise: standard deviation of what is of each alone, above 0; shape (readings,).
    """

    mean: FloatArray
    common: FloatArray
    noise: FloatArray

    def every_other(self) -> "Forecast":
        """Those of the second, the fourth and so on: of setpoints without the ends that they are come to from."""
        return Forecast(mean=self.mean[1::2], common=self.common[1::2], noise=self.noise[1::2])

    @property
    def sd(self) -> FloatArray:
        """Standard deviation of each."""
        return np.asarray(np.sqrt((self.common**2).sum(axis=1) + self.noise**2))


@dataclass(frozen=True, slots=True, kw_only=True)
class Path:
    """Where the input goes behind the readings; arrays of shape (visits,).

    Attributes:
        setpoint: as fraction of the input range.
        direction: +1 going up, -1 going down.
        dwells: how long each visit lasts, in those of the readings.
    """

    setpoint: FloatArray
    direction: FloatArray
    dwells: FloatArray

    @classmethod
    def to_each(cls, up: FloatArray, dwells: float) -> Self:
        """To each of some setpoints from the lower end, then to each from the upper end: ends and setpoints in turn.

        Args:
            up: ascending; from the upper end it goes to them in the other order.
            dwells: how long it stands at each, in dwells of the readings; at the ends it stands as usual.
        """
        to_end = np.repeat((0.0, 1.0), up.size)
        way = np.repeat((1.0, -1.0), up.size)
        return cls(
            setpoint=np.stack((to_end, np.concatenate((up, up[::-1]))), axis=1).ravel(),
            direction=np.stack((-way, way), axis=1).ravel(),
            dwells=np.tile((1.0, dwells), 2 * up.size),
        )


class Ahead:
    """The readings of a segment with visits behind them, which nobody has read yet.

    Args:
        segment: what was read.
        path: where the input goes.
        entering: what will be read at the tap before, as fraction, at each visit; None = what a good unit gives.
    """

    def __init__(self, segment: Segment, path: Path, entering: FloatArray | None) -> None:
        self._known_n = segment.series.visits_n
        # Every reading is the next one, so for all of them it is as late; but a memory needs one visit after the other.
        self.segment = _longer(segment, path, entering, np.full(path.dwells.size, 1.0 + path.dwells.max()))
        self._in_turn = _longer(segment, path, entering, np.cumsum(path.dwells))
        is_read = self.segment.is_read
        self._is_known = is_read & (np.arange(is_read.size) < self._known_n)
        self._y = segment.y[self._is_known[: self._known_n]]
        columns = imperfections(self.segment)
        self._columns = np.zeros((is_read.size, columns.shape[1]))
        self._columns[is_read] = columns

    def of(self, explanation: Explanation) -> Forecast:
        """The readings on the path if an explanation is true.

        What a good unit does of itself, and how sure the sizes of a cause are, is learned from what was read.
        """
        found = explanation.found
        if found is None:
            return self._learned(self.segment.ideal, self._columns, self.segment.noise)
        noise = self.segment.noise * max(found.scale, 1.0)
        if found.fits:
            mean, moved = self._tried(found.fits, explanation.free)
            if any(fit.cause.has_steps for fit in found.fits):
                noise = np.hypot(noise, self._jumps(mean))
            return self._learned(mean, np.concatenate((self._columns, moved.T), axis=1), noise)
        assert found.predicted is not None
        mean, blur = self._between(found.predicted)
        return self._learned(mean, self._columns, np.hypot(noise, blur))

    def _tried(self, fits: Sequence[Fit], free: Sequence[tuple[int, ...]]) -> tuple[FloatArray, FloatArray]:
        """What fitted causes give together, and what moving each of their free sizes by all of it would change."""
        rows_n = 1 + sum(map(len, free))
        acts, parts, row = [], np.empty(rows_n - 1), 1
        segment = self._in_turn if any(fit.cause.name in _WITH_MEMORY for fit in fits) else self.segment
        for fit, indices in zip(fits, map(list, free), strict=True):
            steps = np.maximum(_MOVED * np.abs(fit.theta[indices]), _MOVED_LEAST)
            theta = np.repeat(fit.theta[np.newaxis], rows_n, axis=0)
            theta[row + np.arange(len(indices)), indices] += steps
            parts[row - 1 : row - 1 + len(indices)] = np.abs(fit.theta[indices]) / steps
            acts.append(fit.cause.act(theta, segment, fit.stage))
            row += len(indices)
        with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
            found = segment.predict(acts)
        found = np.clip(np.nan_to_num(found, nan=_FARTHEST), -_FARTHEST, _FARTHEST)
        found = np.broadcast_to(found, (rows_n, found.shape[1]))
        return found[0], (found[1:] - found[0]) * parts[:, np.newaxis]

    def _jumps(self, mean: FloatArray) -> FloatArray:
        """Where an output goes in steps, half of what it may be off at once: just where a step lies nobody knows."""
        off = mean - self.segment.ideal
        steps = np.abs(off[2:] - off[:-2])  # every other visit is an end of the range
        return np.asarray(np.maximum(np.pad(steps, (2, 0)), np.pad(steps, (0, 2))) / 2)

    def _between(self, predicted: FloatArray) -> tuple[FloatArray, FloatArray]:
        """What is foretold at the visits that were read, straight between these, where no equation is kept.

        Between two places it may be anything that the two differ by, most so in the middle.
        """
        segment, known = self.segment, self._is_known
        off = predicted - segment.ideal[: self._known_n]
        mean, blur = segment.ideal.copy(), np.zeros(segment.ideal.size)
        mean[: self._known_n] = predicted
        way = segment.series.direction
        for sign in (1.0, -1.0):
            own = known & (way == sign)
            # Where this way was not read, the other stands for it, as at the ends.
            chosen = own | (known & ~np.isin(np.round(segment.x, 3), np.round(segment.x[own], 3)))
            place, index = np.unique(segment.x[chosen], return_inverse=True)
            level = np.bincount(index, off[chosen[: self._known_n]]) / np.bincount(index)
            new = np.flatnonzero(way[self._known_n :] == sign) + self._known_n
            mean[new] += np.interp(segment.x[new], place, level)
            after = np.clip(np.searchsorted(place, segment.x[new]), 1, max(place.size - 1, 1)) % place.size
            gap = np.maximum(np.abs(place[after] - place[after - 1]), _MOVED_LEAST)
            part = np.clip((segment.x[new] - place[after - 1]) / gap, 0.0, 1.0)
            blur[new] = 2 * part * (1 - part) * np.abs(level[after] - level[after - 1])
        return mean, blur

    def _learned(self, mean: FloatArray, columns: FloatArray, noise: FloatArray) -> Forecast:
        known, new = self._is_known, slice(self._known_n, -1)
        size, root = self._sizes(mean, columns, noise)
        for _ in range(_PASSES_N):
            # What an explanation leaves of the readings that were taken it will leave of those to come.
            left = (self._y - mean[known] - columns[known] @ size) / noise[known]
            missed = float(np.sqrt(np.mean(left**2)))
            if missed <= 1:
                break
            noise = noise * missed
            size, root = self._sizes(mean, columns, noise)
        return Forecast(mean=mean[new] + columns[new] @ size, common=columns[new] @ root, noise=noise[new])

    def _sizes(self, mean: FloatArray, columns: FloatArray, noise: FloatArray) -> tuple[FloatArray, FloatArray]:
        """How large what the columns hold is, by what was read, and a root of the covariance of that."""
        known = self._is_known
        white = columns[known] / noise[known, np.newaxis]
        values, vectors = np.linalg.eigh(np.eye(columns.shape[1]) + white.T @ white)
        root = vectors / np.sqrt(np.maximum(values, 1.0))
        return root @ (root.T @ (white.T @ ((self._y - mean[known]) / noise[known]))), root


def _longer(segment: Segment, path: Path, entering: FloatArray | None, at: FloatArray) -> Segment:
    """The readings with the path behind them. An ideal output stands for what will be read: the visits count.

    What follows the clock has its sizes in lengths of the readings, from first to last: so a visit that stands for none
    closes the path, as late as the last that was read.

    Args:
        segment: what was read.
        path: where the input goes.
        entering: as for `Ahead`.
        at: when each visit is read, in dwells after the last reading.
    """
    series, sheet, after = segment.series, segment.sheet, segment.after
    setpoint, direction = np.append(path.setpoint, series.setpoint[-1]), np.append(path.direction, 0.0)
    more = setpoint.size
    given = sheet.taps[0].value(setpoint)
    known: Mapping[str, FloatArray] = series.value
    values = {name: np.concatenate((value, np.full(more, np.nan))) for name, value in known.items()}
    if segment.first >= 0:
        first = sheet.taps[segment.first]
        if entering is None:
            entering = first.fraction(sheet.ideal(given, last=segment.first) if segment.first else given)
        else:
            entering = np.append(entering, entering[-1])
        values[first.name] = np.concatenate((segment.x, entering))
    values[after.name] = np.concatenate((known[after.name], after.fraction(sheet.ideal(given, last=segment.last))))
    empty = {name: np.full((more, text.shape[1]), "") for name, text in series.text.items()}
    longer = replace(
        series,
        setpoint=np.concatenate((series.setpoint, setpoint)),
        direction=np.concatenate((series.direction, direction)),
        is_again=np.concatenate((series.is_again, np.zeros(more, dtype=bool))),
        at_s=np.concatenate((series.at_s, series.at_s[-1] + usual_s(series) * np.append(at, 0.0))),
        to_go=np.concatenate((series.to_go, np.zeros(more))),
        raw={name: np.concatenate((raw, np.full((more, raw.shape[1]), np.nan))) for name, raw in series.raw.items()},
        value=values,
        text={name: np.concatenate((text, empty[name])) for name, text in series.text.items()},
        place={name: np.concatenate((text, empty[name])) for name, text in series.place.items()},
        captured={},
        stated=np.empty(0),
    )
    noise = np.concatenate((segment.noise, np.full(more, segment.noise.mean())))
    return replace(segment, series=longer, noise=noise, allowed=None)


def usual_s(series: Series) -> float:
    """From one visit to the next."""
    return float(np.median(np.diff(series.at_s))) if series.visits_n > 1 else 1.0
