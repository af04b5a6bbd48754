"""The extra reading that would best tell the two leading causes apart, by what each expects there."""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray
from sequencer.diagnosis.model.healthy_model import imperfections
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series

__all__ = ["Extra", "extra_readings"]

_FINE_N = 41
_DWELLS = 5.0
_TELLING_SDS = 4.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """One reading worth taking.

    Attributes:
        setpoint_pct: input, % of range.
        direction: "up" or "down": from which side the point is approached.
        wait_s: how long the input stands before it is read; 0 = as usual.
        expected: output that each of the two causes expects, in its unit.
        sds: how far these are apart, in standard deviations of a reading: the larger, the more it tells.
    """

    setpoint_pct: float
    direction: str
    wait_s: float
    expected: tuple[float, float]
    sds: float


def extra_readings(one: Hypothesis, other: Hypothesis, segment: Segment, *, most: int = 3) -> tuple[Extra, ...]:
    """The readings that tell two causes in one segment apart, the most telling first; () where none does.

    Each cause with its fitted sizes foretells a fine traverse up and down that would follow the readings, once with the
    usual dwell and once with a long one. Information grows with the square of the distance between the two.

    Args:
        one: the leading cause.
        other: the runner-up.
        segment: what was read.
        most: how many at most.
    """
    if one.fit is None or other.fit is None:
        return ()
    found: list[Extra] = []
    usual_s = _usual_s(segment.series)
    for dwells in (1.0, _DWELLS) if segment.series.has_times else (1.0,):
        ahead = _ahead(segment, dwells)
        new = slice(segment.series.visits_n, None)
        foretold = [_predicted(each, ahead) for each in (one, other)]
        expected = [each[new] for each in foretold]
        apart = _news(foretold[0] - foretold[1], ahead, segment.series.visits_n)
        setpoint, direction = ahead.series.setpoint[new], ahead.series.direction[new]
        for index in np.argsort(-apart)[: 4 * most]:
            levels = segment.after.value(np.array([expected[0][index], expected[1][index]]))
            found.append(
                Extra(
                    setpoint_pct=round(100 * float(setpoint[index]), 6),
                    direction="up" if direction[index] > 0 else "down",
                    wait_s=dwells * usual_s if dwells > 1 else 0.0,
                    expected=(float(levels[0]), float(levels[1])),
                    sds=float(apart[index]),
                )
            )
    # A long wait costs time: it must tell clearly more.
    found.sort(key=lambda each: -each.sds / (2.0 if each.wait_s else 1.0))
    return tuple(_apart(found, most))


def _news(difference: FloatArray, ahead: Segment, known_n: int) -> FloatArray:
    """How far apart two causes are at each visit to come, in standard deviations, once what is read already is known.

    What a good unit may do of itself, such as a small zero error, is common to both, and learned from the readings.
    """
    columns, noise = imperfections(ahead), ahead.noise[ahead.is_read]
    is_known = np.arange(ahead.series.visits_n)[ahead.is_read] < known_n
    d = difference[ahead.is_read]
    known = columns[is_known] @ columns[is_known].T + np.diag(noise[is_known] ** 2)
    along = columns[~is_known] @ columns[is_known].T
    weights = np.linalg.solve(known, along.T).T
    left = d[~is_known] - weights @ d[is_known]
    variance = noise[~is_known] ** 2 + (columns[~is_known] ** 2).sum(axis=1) - (weights * along).sum(axis=1)
    return np.asarray(np.abs(left) / np.sqrt(np.maximum(variance, noise[~is_known] ** 2)))


def _apart(found: Sequence[Extra], most: int) -> list[Extra]:
    """The best of them, no two at neighbouring places."""
    chosen: list[Extra] = []
    for each in found:
        if each.sds < _TELLING_SDS or len(chosen) == most:
            break
        if all(abs(each.setpoint_pct - other.setpoint_pct) > 100 / _FINE_N * 1.5 for other in chosen):
            chosen.append(each)
    return chosen


def _predicted(hypothesis: Hypothesis, ahead: Segment) -> FloatArray:
    fit = hypothesis.fit
    assert fit is not None
    with np.errstate(invalid="ignore", over="ignore", divide="ignore"):
        found = ahead.predict((fit.cause.act(fit.theta[np.newaxis], ahead, fit.stage),))[0]
    return np.asarray(np.clip(np.nan_to_num(found, nan=9.0), -9.0, 9.0))


def _usual_s(series: Series) -> float:
    """From one visit to the next."""
    return float(np.median(np.diff(series.at_s))) if series.visits_n > 1 else 1.0


def _ahead(segment: Segment, dwells: float) -> Segment:
    """The readings with a fine traverse behind them, whose outputs are not known."""
    series = segment.series
    half = np.linspace(0.0, 1.0, _FINE_N)
    setpoint = np.concatenate((half, half[::-1]))
    usual = _usual_s(series)
    more = setpoint.size
    values = {name: np.concatenate((value, np.full(more, np.nan))) for name, value in series.value.items()}
    if segment.first >= 0:
        first = segment.sheet.taps[segment.first]
        start = segment.sheet.taps[0]
        ideal = (
            segment.sheet.ideal(start.value(setpoint), last=segment.first) if segment.first else start.value(setpoint)
        )
        values[first.name] = np.concatenate((segment.x, first.fraction(ideal)))
    # What will be read is not known; an ideal output stands for it, so that the visits count as read.
    output = segment.sheet.ideal(segment.sheet.taps[0].value(setpoint), last=segment.last)
    after = segment.after
    values[after.name] = np.concatenate((series.value[after.name], after.fraction(output)))
    longer = Series(
        setpoint=np.concatenate((series.setpoint, setpoint)),
        direction=np.concatenate((series.direction, np.repeat((1.0, -1.0), half.size))),
        is_again=np.concatenate((series.is_again, np.zeros(more, dtype=bool))),
        at_s=np.concatenate((series.at_s, series.at_s[-1] + dwells * usual * np.arange(1, more + 1))),
        has_times=series.has_times,
        to_go=np.concatenate((series.to_go, np.zeros(more))),
        raw={name: np.concatenate((raw, np.full((more, raw.shape[1]), np.nan))) for name, raw in series.raw.items()},
        value=values,
        sd=series.sd,
        is_keyed=series.is_keyed,
        text={name: np.concatenate((text, np.full((more, text.shape[1]), ""))) for name, text in series.text.items()},
        place={name: np.concatenate((text, np.full((more, text.shape[1]), ""))) for name, text in series.place.items()},
    )
    return replace(segment, series=longer, noise=np.concatenate((segment.noise, np.full(more, segment.noise.mean()))))
