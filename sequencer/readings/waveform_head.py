"""What stands before the samples of a trace as text: where they begin, names and units, the interval; no sample."""

import itertools
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from instruments.errors import InputError, ReadingsError
from instruments.units import is_alike, rescale
from sequencer.readings.file_text import heading

__all__ = ["Head", "cells_of", "head_of", "is_overload", "number_of", "seconds", "stamp_of"]

_TIME_WORDS = {"time", "times", "t", "x-axis", "seconds", "second", "zeit", "timestamp", "time stamp", "elapsed time"}
_NUMBER_WORDS = {
    "sample",
    "samples",
    "sample no",
    "sample no.",
    "sample number",
    "index",
    "point",
    "n",
    "no",
    "no.",
    "nr",
}
_UNIT_WORDS = {"second": "s", "seconds": "s", "sec": "s", "volt": "V", "volts": "V", "ampere": "A", "amps": "A"}
_RATE_UNITS = {"": 1.0, "hz": 1.0, "khz": 1e3, "mhz": 1e6, "ghz": 1e9}  # as oscilloscopes write it, MHz is never mHz
_COUNTED_N = 3  # whole numbers that rise by one, from which on a column without a name counts the samples
_STAMP = re.compile(
    r"(?P<whole>\d{4}-\d\d-\d\d[T ]\d\d:\d\d:\d\d)(?:[.,](?P<part>\d+))?(?P<zone>Z|[+-]\d\d:?\d\d)?"
)  # ISO 8601
_INTERVAL = re.compile(
    r"\W*(?:(?:sample|sampling|horizontal|time|x)[\W_]?)?(?:interval|step|increment|dt|hresolution)\W+"
    r"(?P<number>[\d.,]+(?:e[+-]?\d+)?)\W*(?P<unit>[a-zµμ]*)\W*",
    re.IGNORECASE,
)
_RATE = re.compile(
    r"\W*(?:sample|sampling)[\W_]?(?:rate|frequency)\W+(?P<number>[\d.,]+(?:e[+-]?\d+)?)\W*"
    r"(?P<unit>[kmg]?(?:hz|sa?/s|sps)|)\W*",
    re.IGNORECASE,
)
_THOUSANDS_COMMA = re.compile(r"\s*[+-]?[1-9]\d{0,2}(,\d{3})+\.\d*\s*")
_THOUSANDS_POINT = re.compile(r"\s*[+-]?[1-9]\d{0,2}(\.\d{3})+,\d*\s*")
_OVERLOAD = re.compile(
    r"[+-]?(?:\.?[o0][./]?l\.?|ovld|ovl|ofl|over(?:load|flow|range)?|under(?:load|flow|range)?|out of range|open)"
    r"|err(?:or)?|-{2,}",
    re.IGNORECASE,
)
_OVER = re.compile(r"(?P<name>[^/]*[^/\s])\s*/\s*(?P<unit>[^\s/\d]{1,8})")  # "t/s", "U / mV": quantity by unit


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """How the samples are written.

    Attributes:
        first: index of the line with the first sample.
        divider: of the columns; a blank stands for any run of blanks.
        names: of each column, "" where none is written; so wide is the table.
        units: of each column, as written.
        time_at: column of the times; None where there is none.
        number_at: column that counts the samples; None where there is none.
        stamp_s: whole seconds since 1970 of the first time, where times are dates with hours; None where they are not.
        interval_s: from sample to sample, as stated before the samples; None where it is not.
    """

    first: int
    divider: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    time_at: int | None
    number_at: int | None
    interval_s: float | None
    stamp_s: int | None = None


def head_of(path: Path, lines: Sequence[str]) -> Head:
    """How the samples are written, from the first lines of a file.

    Raises:
        ReadingsError: no line of numbers among them, an interval in no unit of time.
    """
    first, divider = _first_sample(path, lines)
    rows = [cells_of(line, divider) for line in lines[first : first + 2 * _COUNTED_N] if _width(line, divider)]
    wide = len(_trimmed(rows[0]))
    names, units = _headings([line for line in lines[:first] if line.strip(" ,;\t")], divider, wide)
    stated_s = _stated_interval_s(lines[:first]) or _interval_below_s(lines[:first], divider)
    time_at, number_at = _time_and_number(names, units, rows, divider, is_stated=stated_s is not None)
    stamps = [stamp_of(cell) for cell in rows[0]]
    stamped_at = next((at for at, stamp in enumerate(stamps) if stamp is not None), None)
    stamp_s = None
    if stamped_at is not None:
        time_at, stamp_s = stamped_at, int(stamps[stamped_at] or 0)
    return Head(
        first=first,
        divider=divider,
        names=tuple(names),
        units=tuple(units),
        time_at=time_at,
        number_at=number_at,
        interval_s=stated_s,
        stamp_s=stamp_s,
    )


def cells_of(line: str, divider: str) -> list[str]:
    """The cells of a line, without blanks and quotes around them."""
    return line.split() if divider == " " else [cell.strip().strip('"') for cell in line.split(divider)]


def number_of(cell: str, divider: str) -> float | None:
    """The number in a cell; a decimal comma where columns are not divided by commas. None where there is none.

    Of a point and a comma the last one is the decimal mark, and the other parts thousands.
    """
    if _THOUSANDS_COMMA.fullmatch(cell):
        cell = cell.replace(",", "")
    elif _THOUSANDS_POINT.fullmatch(cell):
        cell = cell.replace(".", "")
    try:
        return float(cell if divider == "," else cell.replace(",", "."))
    except ValueError:
        return None


def is_overload(cell: str) -> bool:
    """Whether a cell has a word, or dashes, that meters show in place of a value beyond their range."""
    return _OVERLOAD.fullmatch(cell) is not None


def stamp_of(cell: str, since_s: int = 0) -> float | None:
    """Seconds from some whole second since 1970 to a date with hours, as ISO 8601 writes it; None if it is none."""
    found = _STAMP.fullmatch(cell)
    if found is None:
        return None
    try:
        whole = datetime.fromisoformat(found["whole"].replace(" ", "T") + (found["zone"] or "+00:00"))
    except ValueError:
        return None
    return int(whole.timestamp()) - since_s + float(f"0.{found['part'] or 0}")


def seconds(where: str, unit: str) -> float:
    """Factor from a unit of time to seconds; 1 where none is written. Raises ReadingsError."""
    if not unit:
        return 1.0
    wrong = f'"{unit}" is no unit of time'
    try:
        if is_alike(unit, "s"):
            return rescale(unit, "s")[0]
    except InputError as error:
        wrong = error.what
    raise ReadingsError(wrong, where=where, allowed="s, ms, us, ns, min", todo="correct the heading of the times")


def _first_sample(path: Path, lines: Sequence[str]) -> tuple[int, str]:
    """Where the samples begin, and what divides the columns: the first of two lines of numbers of one width."""
    told = [index for index, line in enumerate(lines) if line.strip(" ,;\t") and not line.lstrip().startswith("#")]
    for place, index in enumerate(told):
        following = lines[told[min(place + 1, len(told) - 1)]]
        for divider in (";", "\t", ",", " "):
            width = _width(lines[index], divider)
            if width and width == _width(following, divider):
                return index, divider
    raise ReadingsError(
        "no line of numbers was found",
        where=str(path),
        allowed="a column of times and one of values, or of values alone",
        todo="save the samples as CSV, or as WAV with that ending",
    )


def _width(line: str, divider: str) -> int:
    """Columns of a line if all of it is numbers (some may be empty); else 0."""
    if divider not in {" ", ","} and divider not in line:
        return 0
    cells = _trimmed(cells_of(line, divider))
    known = [cell for cell in cells if cell]
    is_any = any(not is_overload(cell) for cell in known)
    return len(cells) if is_any and all(_is_told(cell, divider) for cell in known) else 0


def _is_told(cell: str, divider: str) -> bool:
    return number_of(cell, divider) is not None or stamp_of(cell) is not None or is_overload(cell)


def _trimmed(cells: list[str]) -> list[str]:
    """Cells without empty ones at the end."""
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    return cells


def _time_and_number(
    names: list[str], units: list[str], rows: list[list[str]], divider: str, *, is_stated: bool
) -> tuple[int | None, int | None]:
    """Columns of the times, and of the numbers of the samples; by name, by unit, else the first if it rises."""
    time_at = next((at for at, name in enumerate(names) if name in _TIME_WORDS), None)
    if time_at is None:
        time_at = next((at for at, unit in enumerate(units) if _is_in(unit, "s")), None)
    number_at = next((at for at, name in enumerate(names) if name in _NUMBER_WORDS and at != time_at), None)
    if time_at is not None or number_at is not None or len(names) == 1:
        return time_at, number_at
    first = [row[0] for row in rows]
    if not units[0] and _is_count(first):  # what stands above may be a setting, and no name
        return None, 0
    if names[0] and is_stated:
        return None, None
    known = [number for cell in first if (number := number_of(cell, divider)) is not None]
    return (0 if known == sorted(known) else None), None


def _is_in(unit: str, other: str) -> bool:
    """Whether a text is a unit at all, and of the same kind as another."""
    try:
        return bool(unit) and is_alike(unit, other)
    except InputError:
        return False


def _is_count(cells: list[str]) -> bool:
    """Whole numbers that rise by one, written without a decimal mark."""
    if len(cells) < _COUNTED_N or not all(cell.isdecimal() for cell in cells):
        return False
    return all(int(after) == int(before) + 1 for before, after in itertools.pairwise(cells))


def _headings(before: list[str], divider: str, wide: int) -> tuple[list[str], list[str]]:
    """Names and units of the columns from the last one or two lines before the samples."""
    fitting = [cells for line in before[-2:] if (cells := _heading_cells(line, divider, wide))]
    if not fitting:
        return [""] * wide, [""] * wide
    names, units = map(list, zip(*(_named(cell) for cell in fitting[-1]), strict=True))
    if len(fitting) == 2 and _are_units(fitting[1]):
        names, units = map(list, zip(*(_named(cell) for cell in fitting[0]), strict=True))
        below = [cell.strip("()[] ") for cell in fitting[1]]
        units = [unit or _UNIT_WORDS.get(each.casefold(), each) for unit, each in zip(units, below, strict=True)]
    return names, units


def _heading_cells(line: str, divider: str, wide: int) -> list[str]:
    """The cells of a line, `wide` of them, if it may name columns; else none."""
    is_remark = line.lstrip().startswith("#")
    cells = cells_of(line.lstrip("# \t") if is_remark else line, divider)
    known_n = len([cell for cell in cells if cell])
    # A remark may be a sentence; one column may be without a name.
    if known_n != wide and (is_remark or known_n != wide - 1):
        return []
    if _is_statement(line) or (is_remark and wide == 1):
        return []
    is_setting = any(number_of(cell, divider) is not None for cell in cells[1:] if cell)
    if is_setting and cells[0].casefold() not in _TIME_WORDS:  # "x-axis,1" names the first channel
        return []
    return [*cells, ""][:wide]


def _are_units(cells: list[str]) -> bool:
    """Whether a line of cells is that of units, below the one of names."""
    known = [_UNIT_WORDS.get(bare.casefold(), bare) for cell in cells if (bare := cell.strip("()[] "))]
    is_time_there = len(cells) == 1 or any(_is_in(unit, "s") for unit in known)
    return is_time_there and all(_is_in(unit, unit) for unit in known)


def _named(cell: str) -> tuple[str, str]:
    """Name and unit, "t/s" too where the last part is a unit of something that is measured."""
    name, unit = heading(cell)
    over = _OVER.fullmatch(" ".join(cell.split()))
    if not unit and over is not None and any(_is_in(over["unit"], each) for each in ("s", "V", "A", "Hz")):
        name, unit = over["name"].casefold(), over["unit"]
    return name, _UNIT_WORDS.get(unit.casefold(), unit)


def _is_statement(line: str) -> bool:
    return _INTERVAL.fullmatch(line) is not None or _RATE.fullmatch(line) is not None


def _stated_interval_s(before: Sequence[str]) -> float | None:
    """Time from sample to sample, as "Sample Interval,5.0E-05", ": 50 us" or "Sample rate: 1 MHz" states it."""
    for line in before:
        found = _INTERVAL.fullmatch(line)
        if found and (number := number_of(found["number"], ";")):
            return number * seconds(line.strip(), _UNIT_WORDS.get(found["unit"].casefold(), found["unit"]))
        found = _RATE.fullmatch(line)
        if found and (number := number_of(found["number"], ";")):
            unit = found["unit"].casefold()
            for other in ("sa/s", "s/s", "sps"):
                unit = unit.replace(other, "hz")
            return 1 / (number * _RATE_UNITS[unit])
    return None


def _interval_below_s(before: Sequence[str], divider: str) -> float | None:
    """The same where "Increment" heads a column, and only the line below it, that of the units, has a number there."""
    for names, below in itertools.pairwise([cells_of(line, divider) for line in before]):
        for name, cell in zip(names, below, strict=False):
            if name.casefold() == "increment" and (number := number_of(cell, divider)):
                return number
    return None
