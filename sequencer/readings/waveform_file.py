"""A trace from an oscilloscope or a sound card: CSV or WAV to times and values."""

import io
import math
import re
from pathlib import Path

import numpy as np
import numpy.typing as npt

from instruments.datasheet import FloatArray
from instruments.errors import InputError, ReadingsError
from instruments.units import is_alike, rescale
from sequencer.readings.file_text import decoded, heading, raw_bytes, without_nul
from sequencer.readings.waveform import TraceFile

__all__ = ["read_trace"]

_LARGEST_BYTES = {True: 200_000_000, False: 60_000_000}  # a WAV; text, which takes ten times that to read
_MOST_SAMPLES = 5_000_000
_NO_NUMBER = 1e30  # 9.9E37 and its like stand for overload and for no number (SCPI-1999)
_PREAMBLE = 200  # lines that may stand before the samples
_TIME_WORDS = ("time", "t", "x-axis", "seconds", "second", "zeit")
_UNIT_WORDS = {"second": "s", "seconds": "s", "sec": "s", "volt": "V", "volts": "V", "ampere": "A", "amps": "A"}
_FULL_SCALE = "of full scale"
_WAV_FORMATS = ("WAV", "WAVEX", "RF64")  # WAVEX: WAVE_FORMAT_EXTENSIBLE
_WAV_BITS = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": None, "DOUBLE": None}  # None: has no ends
_WAV_ALLOWED = "PCM of 8, 16, 24 or 32 bit, or floating point of 32 or 64 bit"
_WAV_FRAMES_N = 65_536
_INTERVAL = re.compile(
    r"\W*(?:sample|sampling|horizontal|time)\W?(?:interval|step|increment)\W+(?P<number>[\d.,]+(?:e[+-]?\d+)?)\W*"
    r"(?P<unit>[a-zµ]*)\W*$",
    re.IGNORECASE,
)


def read_trace(path: Path, *, column: str = "", interval_s: float | None = None) -> TraceFile:
    """A trace from a file: .wav as PCM or floating point, anything else as CSV.

    WAV: full scale is 1; only whole numbers have ends at which they clip, floating point may go beyond. Of a file that
    was cut off, what is there.

    CSV: comma, semicolon, tab or blanks between columns, a decimal comma where they are not divided by commas; lines
    before the samples and those that begin with # are passed over; names and units in the last one or two of them
    ("time [ms]", or a line "s,V" below). Times in the first column or the one of that name; where there is none, a line
    such as "Sample Interval,5.0E-05" before the samples gives them.

    Args:
        path: the file.
        column: name of the column, or number of the channel from 1; "" = the first after the time.
        interval_s: from sample to sample, for a file without times.

    Raises:
        ReadingsError: unreadable, too large, no samples, no times, times that do not rise, no such column.
    """
    is_wav = path.suffix.casefold() == ".wav"
    raw = raw_bytes(path, _LARGEST_BYTES[is_wav])
    if is_wav:
        return _wav(path, raw, column)
    return _csv(path, without_nul(decoded(raw), path).splitlines(), column, interval_s)


# -- WAV -----------------------------------------------------------------------------------------------------------


def _wav(path: Path, held: bytes, column: str) -> TraceFile:
    import soundfile  # noqa: PLC0415  a C library that only a WAV needs

    wrong = ReadingsError(
        "is no WAV that can be read", where=str(path), allowed=_WAV_ALLOWED, todo="save it as one of these, whole"
    )
    try:
        with soundfile.SoundFile(io.BytesIO(held)) as file:
            if file.format not in _WAV_FORMATS or file.subtype not in _WAV_BITS:
                raise wrong
            _refuse_many(path, file.frames)
            channels, rate_Hz, bits = file.channels, file.samplerate, _WAV_BITS[file.subtype]
            number = 1 if not column else int(column) if column.isdecimal() else 0
            if not 1 <= number <= channels:
                raise ReadingsError(f"has no channel {column}", where=str(path), allowed=f"1 to {channels}")
            # Some at a time: as floats all channels would take eight times the file.
            parts = [part[:, number - 1].copy() for part in file.blocks(_WAV_FRAMES_N, dtype="float64", always_2d=True)]
    except soundfile.SoundFileError as error:
        raise wrong from error
    values = np.concatenate(parts) if parts else np.empty(0)
    kept = _kept(path, np.abs(values) < _NO_NUMBER)  # floating point has infinities, and what is no number
    return TraceFile(
        times_s=kept / rate_Hz,
        values=values[kept],
        name=f"channel {number}",
        unit=_FULL_SCALE,
        left_out_n=len(values) - len(kept),
        ends=None if bits is None else (-1.0, 1.0 - 2.0 ** (1 - bits)),
    )


def _kept(path: Path, is_read: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
    """Places of the samples that have a number: two at least."""
    kept = np.flatnonzero(is_read)
    if len(kept) < 2:
        raise ReadingsError("holds too few samples", where=str(path), allowed="two at least")
    return kept


def _refuse_many(path: Path, samples_n: int) -> None:
    if samples_n > _MOST_SAMPLES:
        raise ReadingsError(
            f"has {samples_n} samples", where=str(path), allowed=f"at most {_MOST_SAMPLES}", todo="cut it"
        )


# -- CSV -----------------------------------------------------------------------------------------------------------


def _csv(path: Path, lines: list[str], column: str, interval_s: float | None) -> TraceFile:
    numbered = [
        (number, line)
        for number, line in enumerate(lines, start=1)
        if line.strip(" ,;\t") and not line.lstrip().startswith("#")
    ]
    first, divider = _first_sample(path, numbered)
    rows = numbered[first:]
    _refuse_many(path, len(rows))
    wide = len(_cells(rows[0][1], divider))
    names, units = _headings(numbered[:first], divider, wide)
    if interval_s is None and (wide == 1 or (names[0] and not any(name in _TIME_WORDS for name in names))):
        interval_s = _stated_interval_s(numbered[:first])
    time_at, value_at = _columns(path, names, wide, column, has_interval=interval_s is not None)
    wanted = [value_at] if time_at is None else [time_at, value_at]
    table = _numbers(path, rows, divider, wanted)
    values = table[:, -1]
    if time_at is None:
        times_s = np.arange(len(values), dtype=np.float64) * (interval_s or 1.0)
    else:
        times_s = table[:, 0] * _seconds(f"{path}:{rows[0][0] - 1}", units[time_at])
    is_read = (np.abs(values) < _NO_NUMBER) & (np.abs(times_s) < _NO_NUMBER)  # NaN is left out too
    kept = _kept(path, is_read)
    steps = np.diff(times_s[kept])
    if (steps <= 0).any():
        place = kept[int(np.flatnonzero(steps <= 0)[0]) + 1]
        raise ReadingsError(
            "the time does not rise here",
            where=f"{path}:{rows[place][0]}",
            todo="put the samples in order, or write more digits of the time",
        )
    return TraceFile(
        times_s=times_s[kept],
        values=values[kept],
        name=names[value_at] or f"column {value_at + 1}",
        unit=units[value_at],
        left_out_n=len(values) - len(kept),
    )


def _stated_interval_s(before: list[tuple[int, str]]) -> float | None:
    """Time from sample to sample that a line before the samples states, "Sample Interval,5.0E-05" or ": 50 us"."""
    for _, line in before:
        found = _INTERVAL.match(line)
        if found:
            number = _number(found["number"], ";")
            factor = _seconds(line.strip(), _UNIT_WORDS.get(found["unit"].casefold(), found["unit"]))
            if number is not None and number * factor > 0:
                return number * factor
    return None


def _cells(line: str, divider: str) -> list[str]:
    return line.split() if divider == " " else [cell.strip().strip('"') for cell in line.split(divider)]


def _first_sample(path: Path, numbered: list[tuple[int, str]]) -> tuple[int, str]:
    """Where the samples begin, and what divides the columns: the first of two lines of numbers of one width."""
    for index, (_, line) in enumerate(numbered[: _PREAMBLE + 1]):
        for divider in (";", "\t", ",", " "):
            width = _width(line, divider)
            following = numbered[index + 1][1] if index + 1 < len(numbered) else line
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
    if divider != " " and divider not in line and divider != ",":
        return 0
    cells = _cells(line, divider)
    while len(cells) > 1 and not cells[-1]:
        cells.pop()
    known = [cell for cell in cells if cell]
    return len(cells) if known and all(_number(cell, divider) is not None for cell in known) else 0


def _number(cell: str, divider: str) -> float | None:
    try:
        return float(cell if divider == "," else cell.replace(",", "."))
    except ValueError:
        return None


def _headings(before: list[tuple[int, str]], divider: str, wide: int) -> tuple[list[str], list[str]]:
    """Names and units of the columns from the last one or two lines before the samples."""
    names, units = [""] * wide, [""] * wide
    fitting = [_cells(line, divider) for _, line in before[-2:] if not _INTERVAL.match(line)]
    for cells in fitting:
        if len([cell for cell in cells if cell]) not in {wide, wide - 1}:
            continue
        for index, cell in enumerate(cells[:wide]):
            bare = cell.strip("()[] ")
            unit = _UNIT_WORDS.get(bare.casefold(), bare)
            if names[index] and not units[index] and cell:  # a line of units below the names
                units[index] = unit
            elif cell:
                names[index], units[index] = heading(cell)
    return names, units


def _columns(path: Path, names: list[str], wide: int, column: str, *, has_interval: bool) -> tuple[int | None, int]:
    """Which columns are time and value."""
    time_at = next((index for index, name in enumerate(names) if name in _TIME_WORDS), None)
    if time_at is None and not has_interval and wide > 1:
        time_at = 0
    others = [index for index in range(wide) if index != time_at]
    if (time_at is None and not has_interval) or not others:
        raise ReadingsError(
            "has one column only, and no time",
            where=str(path),
            todo="give the time from sample to sample: --interval 10us",
        )
    if has_interval:
        time_at = None
    if not column:
        return time_at, others[0]
    wanted = column.casefold()
    if wanted in names:
        return time_at, names.index(wanted)
    if wanted.isdecimal() and 1 <= int(wanted) <= wide:
        return time_at, int(wanted) - 1
    said = ", ".join(name for name in names if name) or f"1 to {wide}"
    raise ReadingsError(f'has no column "{column}"', where=str(path), allowed=said)


def _numbers(path: Path, rows: list[tuple[int, str]], divider: str, wanted: list[int]) -> FloatArray:
    """The wanted columns, shape (samples, len(wanted)); NaN where a cell is empty or says so."""
    plain = (line if divider == "," else line.replace(",", ".") for _, line in rows)
    try:
        return np.loadtxt(plain, delimiter=None if divider == " " else divider, usecols=wanted, ndmin=2, comments="#")
    except ValueError:
        pass  # some cell is no number: slower, and with its line
    table = np.full((len(rows), len(wanted)), math.nan)
    for index, (number, line) in enumerate(rows):
        cells = _cells(line, divider)
        for place, at in enumerate(wanted):
            cell = cells[at] if at < len(cells) else ""
            if cell in {"", "-", "--"}:
                continue
            value = _number(cell, divider)
            if value is None:
                raise ReadingsError(
                    f'"{cell[:20]}" is not a number',
                    where=f"{path}:{number}",
                    todo="take the line out; with a decimal comma, put semicolons or tabs between the columns",
                )
            table[index, place] = value
    return table


def _seconds(where: str, unit: str) -> float:
    """Factor from a unit of time to seconds; 1 where none is written."""
    if not unit:
        return 1.0
    wrong = f'"{unit}" is no unit of time'
    try:
        if is_alike(unit, "s"):
            return rescale(unit, "s")[0]
    except InputError as error:
        wrong = error.what
    raise ReadingsError(wrong, where=where, allowed="s, ms, us, ns, min", todo="correct the heading of the times")
