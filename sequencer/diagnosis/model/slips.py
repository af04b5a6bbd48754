"""Slips in single cells of readings that a person wrote down: which cells, and what was meant there.

A row that stands out from the others is held against what a slip of the pen would make of it, at each of its columns: a
decimal point, digits, a sign, a setpoint, a neighbour's value. What then fits is weighed in `hypotheses`, with all
other readings. Nothing is corrected here.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from instruments.datasheet import FloatArray, Tap
from instruments.entry import entry
from instruments.errors import InputError
from sequencer.diagnosis.model.priors import PRIORS
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.series import Series, without_outliers
from sequencer.diagnosis.model.written import SETPOINT, Place, Written, apart
from sequencer.readings.plausibility import meant, rescalings

__all__ = ["OF_CELLS", "Slip", "slips"]

_OF_NUMBER = {
    "decimal point": "decimal slip",
    "unit": "decimal slip",
    "shunt": "decimal slip",
    "sign": "sign lost",
    "transposed digits": "transposed digits",
    "mistyped digit": "mistyped digit",
}
OF_CELLS = frozenset(
    {"swapped rows", "copied reading", "exchanged cells", "setpoint mistyped", "stray reading", *_OF_NUMBER.values()},
)
"""Names of all slips in cells."""
_ONCE = frozenset({"transposed digits", "mistyped digit", "copied reading", "stray reading", "swapped rows"})
_DECIMALS = re.compile(r"[.,](\d+)(?!.*[.,])")
_PLACE_DIGITS = 6  # by which setpoints, as fractions, are one
_BOTH = "check both against the notes, "
_FAR_UP = 99.0  # a factor beyond which the digits of a number must bear it out


@dataclass(frozen=True, slots=True, kw_only=True)
class Slip:
    """One or more slips that stand in one table.

    Attributes:
        name: in words, kinds joined by " + ".
        tap: of the column, the first of several.
        series: the readings as they were meant.
        cost: in nats, what they must explain more than no slip before they are believed.
        text: what was written, and what fits.
        check: what to do.
    """

    name: str
    tap: str
    series: Series
    cost: float
    text: str
    check: str


@dataclass(frozen=True, slots=True)
class _Cell:
    """One cell as it was meant: column, place, and fraction of the range."""

    column: str
    place: Place
    frac: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mend:
    """Cells that one slip of the pen changed, what they read as meant, and what that costs in nats."""

    name: str
    cells: tuple[_Cell, ...]
    cost: float
    text: str
    do: str

    @property
    def places(self) -> set[Place]:
        """The rows that it touches."""
        return {each.place for each in self.cells}


def slips(segments: Sequence[Segment], weigh: Callable[[Series], float]) -> list[Slip]:
    """The slips that explain most, and what is left to choose from where a row allows more than one.

    Args:
        segments: of a chain, whose readings a person wrote down.
        weigh: log evidence of readings as they were meant.
    """
    written = _Mends(tuple(segments))
    chosen: list[_Mend] = []
    others: list[_Mend] = []
    touched: set[Place] = set()
    for row in written.suspects[: PRIORS.transcription.suspects_n]:
        if row in touched or len(chosen) == PRIORS.transcription.most_n:
            continue
        found = sorted((each for each in written.mends(row) if not each.places & touched), key=written.misfit)
        if not found:
            continue
        chosen.append(found[0])
        columns = {cell.column for cell in found[0].cells}
        others += [each for each in found[1:] if columns != {cell.column for cell in each.cells}][:1]
        touched |= found[0].places
    ways = [*(tuple(chosen[: count + 1]) for count in range(len(chosen))), *((each,) for each in written.together())]
    # Slips that leave most of what stands out are none: something else explains them too.
    ways = [way for way in ways if written.explains(way)]
    if not ways:
        return []

    def odds(way: tuple[_Mend, ...]) -> float:
        return weigh(written.meant(way)) - written.cost(way)

    best = max(ways, key=odds)
    rivals = [
        tuple(other if each.places & other.places else each for each in best)
        for other in others
        if any(each.places & other.places for each in best)
    ]
    least = odds(best) - PRIORS.transcription.alike_nats
    alike = [best, *(way for way in rivals if odds(way) > least)]
    return [
        written.slip(way, [each for each in alike if each != way] if way in alike else ()) for way in (best, *rivals)
    ]


@dataclass(frozen=True)
class _Mends(Written):
    """The same, with what slips of the pen would make of it."""

    def explains(self, mends: Sequence[_Mend]) -> bool:
        """Whether slips explain at least half of the rows that do not agree with the others."""
        touched = set[Place]().union(*(each.places for each in mends))
        return 2 * len(touched.intersection(self.suspects)) >= len(self.suspects)

    def mends(self, row: Place) -> list[_Mend]:
        """Each slip that makes a row agree with the others."""
        every = [*self._numbers(row), *self._rows(row), *self._exchanged(row), *self._setpoints(row)]
        # An error that comes again at its point is one of the unit; only a factor can be written twice alike.
        kept = every if not self.comes_again(row) else [each for each in every if each.name not in _ONCE]
        return [each for each in kept if self._agrees(each)]

    def together(self) -> Iterator[_Mend]:
        """One factor in rows after another, where more of them do not agree than slips are named."""
        if len(self.suspects) <= PRIORS.transcription.most_n:
            return
        off = [self.rows.index(each) for each in self.suspects]
        rows = self.rows[min(off) : max(off) + 1]
        for name, tap in self.taps.items():
            where = f"{self.at(rows[0], name)} to {self.at(rows[-1], name).partition(',')[0]}"
            value = tap.value(self.cells[name][min(off) : max(off) + 1])
            for each in rescalings(tap.unit, tap.low, tap.high):
                fits = tap.fraction(each.factor * value + each.shift).tolist()
                by = f"{len(rows)} numbers times {each.factor:g}" + (f", {each.shift:+g}" if each.shift else "")
                found = _Mend(
                    name="sign lost" if each.kind == "sign" else "decimal slip",
                    cells=tuple(_Cell(name, row, frac) for row, frac in zip(rows, fits, strict=True)),
                    cost=2 * float(np.log(len(self.rows))),  # where it begins, and where it ends
                    text=f"{where}: {by} fit",
                    do=f"{where}, {by}",
                )
                if self._agrees(found):
                    yield found

    def changed(self, mend: _Mend) -> dict[str, FloatArray]:
        """The cells of the rows that a slip touches, as meant."""
        rows = [self.rows.index(place) for place in sorted(mend.places)]
        cells = {name: values[rows].copy() for name, values in self.cells.items()}
        for cell in mend.cells:
            index = sorted(mend.places).index(cell.place)
            if cell.column == self.first.name and self.goes_along(cell.place):
                cells[SETPOINT][index] = cell.frac
            cells[cell.column][index] = cell.frac
        return cells

    def _agrees(self, mend: _Mend) -> bool:
        inputs = [each.frac for each in mend.cells if each.column in {self.first.name, SETPOINT}]
        is_within = all(abs(each - 0.5) - 0.5 <= PRIORS.transcription.beside_frac for each in inputs)
        return is_within and bool((self.off(self.changed(mend)) <= 1).all())

    def misfit(self, mend: _Mend) -> float:
        """What speaks against a slip, in nats."""
        off_sds = self.off(self.changed(mend)) * PRIORS.transcription.agree_sds
        return mend.cost + self._disorder(mend) + float((off_sds**2).sum()) / 2

    def _disorder(self, mend: _Mend) -> float:
        """What speaks against an input that leaves its neighbours or the grid, in nats; < 0 where it comes back."""
        total = 0.0
        levels = self.cells[SETPOINT]
        for cell in mend.cells:
            if cell.column == self.first.name and self.goes_along(cell.place):
                index = self.rows.index(cell.place)
                out = [
                    self.is_out(index, level) + self.is_off_grid(index, level)
                    for level in (cell.frac, float(levels[index]))
                ]
                total += PRIORS.transcription.disorder_nats * (out[0] - out[1])
        return total

    def cost(self, mends: Sequence[_Mend]) -> float:
        """Of slips together: which row, which column, which kind; and that there is more than one."""
        ways = float(np.log(len(self.rows) * len(self.cells)))
        return sum(each.cost + self._disorder(each) + ways for each in mends) + PRIORS.transcription.another_nats * (
            len(mends) - 1
        )

    def slip(self, mends: Sequence[_Mend], alike: Sequence[Sequence[_Mend]] = ()) -> Slip:
        """Slips in words, in the order in which they stand, with those that are nearly as probable."""
        in_order = sorted(mends, key=lambda each: min(each.places))
        ways = [in_order, *(sorted(each, key=lambda mend: min(mend.places)) for each in alike)]
        do = "; or ".join("; ".join(each.do for each in way) for way in ways)
        column = in_order[0].cells[0].column
        points = "the point" if len(in_order) == 1 and len(in_order[0].places) == 1 else "these points"
        return Slip(
            name=" + ".join(sorted({each.name for each in in_order})),
            tap=self.first.name if column == SETPOINT else column,
            series=self.meant(mends),
            cost=self.cost(mends),
            text="; or ".join("; ".join(each.text for each in way) for way in ways),
            check=f"Correct the readings first: {_BOTH if alike else ''}{do}; or read {points} again. "
            "Judge and change nothing before that.",
        )

    def meant(self, mends: Sequence[_Mend]) -> Series:
        """The readings with some cells as they were meant; a row of another input or setpoint is a visit of its own."""
        cells = [cell for each in mends for cell in each.cells]
        series = self.series
        raw = {name: values.copy() for name, values in series.raw.items()}
        setpoint = series.setpoint.copy()
        moved: dict[Place, float] = {}
        for cell in cells:
            if cell.column != SETPOINT:
                raw[cell.column][cell.place] = cell.frac
            if cell.column == SETPOINT or (cell.column == self.first.name and self.goes_along(cell.place)):
                moved[cell.place] = cell.frac
            elif cell.column == self.first.name:
                moved[cell.place] = float(setpoint[cell.place[0]])
        for place, level in sorted(moved.items(), reverse=True):
            series, raw, setpoint = apart(series, raw, setpoint, place, level)
        found = {name: without_outliers(each) for name, each in raw.items()}
        return replace(
            series,
            raw=raw,
            value={name: mean for name, (mean, _) in found.items()},
            sd={name: sd for name, (_, sd) in found.items()},
            setpoint=setpoint,
            # Which digits count does not depend on what one of the numbers is taken for.
            resolution={each.after.name: each.resolution for each in self.segments},
        )

    def _mend(self, name: str, cell: _Cell, cost: float, was: str, is_now: str) -> _Mend:
        at = self.at(cell.place, cell.column)
        return _Mend(
            name=name,
            cells=(cell,),
            cost=cost,
            text=f"{at}: {was} was written, {is_now} fits",
            do=f"{at}, {is_now} in place of {was}",
        )

    def _numbers(self, row: Place) -> Iterator[_Mend]:
        """One number that was meant otherwise, at each tap."""
        index = self.rows.index(row)
        for name, tap in self.taps.items():
            frac = float(self.cells[name][index])
            if not np.isfinite(frac):
                continue
            value = float(tap.value(np.array(frac)))
            typed = str(self.series.text[name][row]) or f"{value:.6g}"
            (ratio, unit), digit = _as_typed(typed, value, tap.unit), _last_digit(typed)
            for each in meant(value, tap.unit, typed=typed):
                fits = float(tap.fraction(np.array(each.value)))
                is_told = each.factor is None or self._is_told(each.value, digit * ratio, abs(each.factor), tap)
                if each.kind in _OF_NUMBER and is_told and fits != frac:
                    cell = _Cell(name, row, fits)
                    was, is_now = (f"{number / ratio:.7g}{unit}" for number in (value, each.value))
                    yield self._mend(_OF_NUMBER[each.kind], cell, each.cost, was, is_now)

    def _is_told(self, value: float, step: float, factor: float, tap: Tap) -> bool:
        """Whether a factor can be told by a number: near nothing any would fit, and a few digits, far up, anywhere."""
        prior = PRIORS.transcription
        has_digits = factor < _FAR_UP or abs(factor * step / tap.span) < (
            prior.digits_tolerances * self.segments[-1].tolerance
        )
        return has_digits and abs(value) > prior.setpoint_frac * abs(tap.span)

    def _rows(self, row: Place) -> Iterator[_Mend]:
        """Outputs of two rows exchanged, one copied down, or one that goes with no other."""
        name = self.segments[-1].after.name
        index, values = self.rows.index(row), self.cells[name]
        at = self.at(row, name)
        for other in (index - 2, index - 1, index + 1, index + 2):  # an end pair may stand between
            if 0 <= other < len(self.rows) and self.rows[other][0] != row[0]:
                one, two = sorted((row, self.rows[other]))
                swapped = (
                    _Cell(name, row, float(values[other])),
                    _Cell(name, self.rows[other], float(values[index])),
                )
                yield _Mend(
                    name="swapped rows",
                    cells=swapped,
                    cost=0.0,
                    text=f"{self.at(one, name)}: this reading and its neighbour fit each other's place",
                    do=f"{self.at(one, name)} and {self.at(two, name)} fit each other's place",
                )
        if values[index] < -PRIORS.transcription.failure_frac:
            return
        foretold = _Cell(name, row, self._foretold(row))
        value, fits = (float(self.taps[name].value(np.array(each))) for each in (values[index], foretold.frac))
        unit = self.taps[name].unit
        yield _Mend(
            name="stray reading",
            cells=(foretold,),
            # It says nothing of its point, and might have been any number of the range.
            cost=-float(np.log(np.sqrt(2 * np.pi) * self.segments[-1].noise[row[0]])),
            text=f"{at}: {value:.6g} {unit}, the others make it about {fits:.4g} {unit}: misread, or disturbed",
            do=f"{at}, {value:.6g} {unit} goes with no other reading",
        )
        again, visit = self.series.is_again, row[0]
        before = [
            each
            for each in (index - 1, index - 2)
            if each >= 0 and abs(values[index] - values[each]) < PRIORS.transcription.same_frac
        ]
        # What stands in the same place, or was read twice, is alike of itself; and where more is alike, it is held.
        if not before or self.rows[before[0]][0] == visit or self.rows[before[0]] in self.suspects:
            return
        if before[0] == index - 2 and not again[self.rows[index - 1][0]]:
            return
        # What was copied says nothing of its own point, and is as probable as a hit of the very same number.
        copied = f"{value:.6g} {unit}"
        yield _Mend(
            name="copied reading",
            cells=(foretold,),
            cost=0.0,
            text=f"{at}: {copied} is the reading before, copied down",
            do=f"{at}, {copied} is the reading before, copied down",
        )

    def _foretold(self, row: Place) -> float:
        """What the last tap should have read there, with the error that the other rows have."""
        index = self.rows.index(row)
        here = {name: values[index : index + 1] for name, values in self.cells.items()}
        error, shape = self.errors(here)[-1, 0], self.shapes(here)[-1][0]
        return float(self.cells[self.segments[-1].after.name][index] - error + shape @ self.usual[-1][0])

    def _exchanged(self, row: Place) -> Iterator[_Mend]:
        """Input and output of one row in each other's column."""
        index = self.rows.index(row)
        one, other = self.taps.get(self.first.name), self.segments[-1].after
        if one is None or one.name == other.name:
            return
        x, y = (float(tap.value(self.cells[tap.name][index])) for tap in (one, other))
        columns = f"{self.at(row, one.name)} and {self.at(row, other.name)}"
        yield _Mend(
            name="exchanged cells",
            cells=(
                _Cell(one.name, row, float(one.fraction(np.array(y)))),
                _Cell(other.name, row, float(other.fraction(np.array(x)))),
            ),
            cost=0.0,
            text=f"{columns}: {x:.6g} and {y:.6g} fit each other's column",
            do=f"{columns}: exchange {x:.6g} and {y:.6g}",
        )

    def _setpoints(self, row: Place) -> Iterator[_Mend]:
        """A setpoint that belongs to another row; where the input was measured, and the table has a column for it."""
        index = self.rows.index(row)
        x = self.cells.get(self.first.name)
        if x is None or not self.where(row, SETPOINT):
            return
        levels = self.cells[SETPOINT]
        between = [(levels[index - 1] + levels[index + 1]) / 2] if 0 < index < len(levels) - 1 else []
        every = np.unique(np.round([*np.delete(levels, index), *between], _PLACE_DIGITS))
        nearest = float(every[np.argmin(np.abs(every - x[index]))])
        if abs(nearest - levels[index]) > PRIORS.transcription.setpoint_frac:
            was, is_now = (f"{100 * level:.6g} %" for level in (float(levels[index]), nearest))
            cell = _Cell(SETPOINT, row, nearest)
            yield self._mend("setpoint mistyped", cell, float(np.log(every.size)), was, is_now)


def _last_digit(typed: str) -> float:
    """The place of the last digit of a number as typed, such as 0.01."""
    decimals = _DECIMALS.search(typed)
    return 1.0 if decimals is None else 10.0 ** -len(decimals[1])


def _as_typed(typed: str, value: float, unit: str) -> tuple[float, str]:
    """By what a value is divided to give the number as typed, and its unit with a blank; "" where that is another."""
    try:
        number = entry(typed, unit)
    except InputError:
        return 1.0, f" {unit}"
    # A temperature of 0 degC has no ratio to its resistance.
    ratio = value / number if number and value else 1.0
    return (1.0, f" {unit}") if abs(ratio - 1) < PRIORS.transcription.same_frac else (ratio, "")
