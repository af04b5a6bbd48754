"""Readings of one stage, 4 to 20 mA in and out, put together by hand for tests of the model."""

import numpy as np

from sequencer import core
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series

UP_DOWN = np.concatenate((np.linspace(0, 1, 11), np.linspace(0.9, 0, 10)))
ISOLATOR = core.load("current-isolator").sheet.datasheet()
INPUT, OUTPUT = (tap.name for tap in ISOLATOR.taps)


def series_with(y, x=UP_DOWN, **given):
    """`y` of shape (visits,) or (visits, readings), fractions of the output range; at inputs `x`, up then down."""
    x, raw = np.asarray(x, float), np.asarray(y, float).reshape(len(x), -1)
    several = raw.shape[1] > 1
    return Series(
        **{
            "setpoint": x,
            "direction": np.sign(np.diff(x, prepend=x[0] - 1e-9)),
            "is_again": np.zeros(x.size, bool),
            "at_s": np.arange(x.size) * 60.0,
            "has_times": True,
            "to_go": np.zeros(x.size),
            "raw": {INPUT: x[:, np.newaxis], OUTPUT: raw},
            "value": {INPUT: x, OUTPUT: raw.mean(axis=1)},
            "sd": {INPUT: 0.0, OUTPUT: float(np.sqrt(raw.var(axis=1, ddof=1).mean())) if several else 0.0},
            "is_keyed": False,
            "text": {name: np.full((x.size, 1), "", object) for name in (INPUT, OUTPUT)},
            "place": {name: np.full((x.size, 1), "", object) for name in (INPUT, OUTPUT)},
        }
        | given
    )


def segment_with(y, x=UP_DOWN, *, tolerance=0.002, noise=1e-4, resolution=0.0, **given):
    """A segment of these readings; `noise` of the mean of a visit, as fraction."""
    series = series_with(y, x, **given)
    return Segment(
        sheet=ISOLATOR, series=series, first=0, last=1, tolerance=tolerance, resolution=resolution,
        noise=np.full(series.visits_n, noise),
    )  # fmt: skip


def caused(name, number=0):
    """A cause of the catalogue by name; `number` where several share it."""
    from sequencer.diagnosis.model.catalogue import CAUSES

    return [each for each in CAUSES if each.name == name][number]
