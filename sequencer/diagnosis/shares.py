"""What each part of the chain brings in of the largest error end to end, and which of it a finding explains."""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from instruments.datasheet import DataSheet
from sequencer.diagnosis.account import Largest, StageShare
from sequencer.diagnosis.diagnose import Finding
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.order_of_work import Turn, turn_of

__all__ = ["brought_in_by", "segments_ahead_n", "stage_shares"]


def stage_shares(weighing: Weighing, sheet: DataSheet) -> tuple[Largest | None, tuple[StageShare, ...]]:
    """The error end to end where it is largest, and what each part of the chain brings in of it, as `StageShare` says.

    Readings count as they are judged: the mean of all of a visit.
    """
    segments = [each for each in weighing.segments[: weighing.chain_n] if each.first >= 0]
    if not segments:
        return None, ()
    series, last = segments[0].series, len(sheet.taps) - 1

    def at_output(frac: NDArray[np.float64], tap: int) -> NDArray[np.float64]:
        value = sheet.taps[tap].value(frac)
        return (sheet.ideal(value, first=tap, last=last) if tap < last else value) / abs(sheet.taps[last].span)

    given = series.setpoint if segments[0].is_set_only else _means(series.raw[sheet.taps[segments[0].first].name])
    read = [_means(series.raw[each.after.name]) for each in segments]
    ends = [segments[0].first, *(each.last for each in segments)]
    whole = np.stack([at_output(frac, tap) for frac, tap in zip((given, *read), ends, strict=True)])
    total = np.where(series.is_again | ~np.isfinite(whole).all(axis=0), np.nan, whole[-1] - whole[0])
    if not np.isfinite(total).any():
        return None, ()
    at = int(np.nanargmax(np.abs(total)))
    largest = Largest(
        setpoint_pct=100 * float(series.setpoint[at]),
        direction={1.0: "up", -1.0: "down"}.get(float(series.direction[at]), ""),
        error_pct=100 * float(total[at]),
    )
    shares = tuple(
        StageShare(name=each.name, error_pct=100 * float(error), share_pct=100 * float(_share(error, total[at])))
        for each, error in zip(segments, np.diff(whole[:, at]), strict=True)
    )
    return largest, shares


def _means(raw: NDArray[np.float64]) -> NDArray[np.float64]:
    """Mean of the readings of each visit; NaN where there is none."""
    count = np.isfinite(raw).sum(axis=1)
    return np.where(count > 0, np.nansum(raw, axis=1) / np.maximum(count, 1), np.nan)


def _share(error: float, total: float) -> float:
    return error / total if total else 0.0


def brought_in_by(
    finding: Finding, weighing: Weighing, shares: Sequence[StageShare], sheet: DataSheet
) -> Sequence[StageShare]:
    """The shares that are of a finding."""
    if finding.best.place in {tap.name for tap in sheet.taps[1:-1]} and turn_of(finding) <= Turn.MISREAD:
        return ()  # what is misread there changes nothing of what comes out
    ahead_n = segments_ahead_n(weighing)
    return shares[max(finding.first - ahead_n, 0) : max(finding.end - ahead_n, 0)]


def segments_ahead_n(weighing: Weighing) -> int:
    """How many segments lie before the first tap, so that they have no share."""
    return sum(each.first < 0 for each in weighing.segments[: weighing.chain_n])
