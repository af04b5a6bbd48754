"""How long a search is, before it begins: it is led through ideal units, from one that answers at once to the widest.

Nothing is measured yet, so the noise is supposed: travels are chosen about ten times as long as a reading scatters
(common practice, no source), and where noise rules, a reading scatters by a whole travel.
"""

import math
from collections.abc import Callable
from dataclasses import astuple, dataclass
from functools import lru_cache
from statistics import mean

import numpy as np

from sequencer.evaluation.moved import Visit
from sequencer.evaluation.resolution import next_visit
from sequencer.evaluation.searched import Place
from sequencer.evaluation.threshold import Move, Wanted, next_move

__all__ = ["Length", "Lengths", "dead_band_lengths", "resolution_lengths"]

_WIDTHS_N = 9
_USUAL, _MUCH = 0.1, 1.0  # scatter of a reading, in the smallest travels
_SEED = 1
_PLACE_PCT = 50.0


@dataclass(frozen=True, slots=True)
class Length:
    """Of a search at one place, its first visit included.

    Attributes:
        approaches_n: from below to where the travel begins.
        onward_n: visits from there on, those that only read again too.
        readings_n: of all visits.
    """

    approaches_n: int
    onward_n: int
    readings_n: int


Lengths = tuple[Length, Length, Length]
"""Of a unit that answers at once, of the mean of units whose widths are spread over what is looked for (decades alike),
and seldom more."""


@lru_cache(maxsize=32)
def dead_band_lengths(wanted: Wanted) -> Lengths:
    """Of the search for a dead band at one place, on units with play."""

    def found(width: float, noise: float) -> Length:
        visits: list[Visit] = []
        unit = _Unit(noise)
        while (move := next_move(visits, 0.0, wanted)) is not None:
            approach = (visits[-1].approach if visits else 0) + (move.travel == 0)
            visits.append(unit.visit(approach, move, max(move.travel - width, 0.0)))
        return _length(visits)

    return _lengths(wanted, found)


@lru_cache(maxsize=32)
def resolution_lengths(wanted: Wanted) -> Lengths:
    """Of the search for a resolution at one place, on units whose output moves in steps."""

    def found(width: float, noise: float) -> Length:
        unit, own = _Unit(noise), dict[float, list[Visit]]()
        every: list[Visit] = []
        while (then := next_visit(_PLACE_PCT, wanted, _places(own, every))) is not None:
            at = then.from_pct - _PLACE_PCT + then.move.travel
            output = width * math.floor(at / width + 0.5) if width else at
            there = own.setdefault(then.from_pct, [])
            there.append(unit.visit(then.approach, then.move, output))
            every.append(there[-1])
        return _length(every)

    return _lengths(wanted, found)


def _places(own: dict[float, list[Visit]], every: list[Visit]) -> tuple[Place, ...]:
    last = every[-1] if every else None
    return tuple(
        Place(
            at_pct=at_pct, visits=tuple(visits), numbers_n=len(visits), digit=0.0, slope=1.0, is_read=True,
            is_there=visits[-1] is last,
        )
        for at_pct, visits in own.items()
    )  # fmt: skip


def _lengths(wanted: Wanted, found: Callable[[float, float], Length]) -> Lengths:
    usual, much = (share * wanted.floor for share in (_USUAL, _MUCH))
    widths = [float(each) for each in np.geomspace(wanted.floor, wanted.most, _WIDTHS_N)]
    tried = [found(each, usual) for each in widths]
    longest = [*tried, *(found(each, much) for each in (0.0, *widths))]
    # The ends of what is looked for are seldom met.
    return found(0.0, usual), _each(mean, tried[1:-1]), _each(max, longest)


def _each(kind: Callable[[list[int]], float], lengths: list[Length]) -> Length:
    return Length(*(round(kind(list(each))) for each in zip(*map(astuple, lengths), strict=True)))


class _Unit:
    """Reads an ideal output with noise."""

    def __init__(self, noise: float) -> None:
        self._noise, self._random, self._read_n = noise, np.random.default_rng(_SEED), 0

    def visit(self, approach: int, move: Move, output: float) -> Visit:
        readings = output + self._random.normal(0.0, self._noise, move.readings_n)
        self._read_n += 1
        return Visit(
            approach=approach,
            travel=move.travel,
            output=float(readings.mean()),
            sd=float(readings.std(ddof=1)) if move.readings_n > 1 else 0.0,
            readings_n=move.readings_n,
            at_s=float(self._read_n),
            went=move.travel,
        )


def _length(visits: list[Visit]) -> Length:
    approaches_n = sum(each.is_reference for each in visits)
    return Length(approaches_n, len(visits) - approaches_n, sum(each.readings_n for each in visits))
