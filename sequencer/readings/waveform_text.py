"""A trace as text, read in parts that are small beside its samples: the columns wanted, and their times."""

import codecs
import io
import itertools
import math
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO, TypeAlias

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from sequencer.readings.file_text import decoded, opened, without_nul
from sequencer.readings.waveform import TraceFile, is_even
from sequencer.readings.waveform_head import Head, cells_of, head_of, number_of, seconds

__all__ = ["MOST_SAMPLES", "is_number", "kept_places", "read_text", "refuse_many"]

BoolArray: TypeAlias = npt.NDArray[np.bool_]

MOST_SAMPLES = 20_000_000
"""Samples of one trace; each takes 16 bytes, and half of that again while it is looked at."""

_LARGEST_BYTES = 1_000_000_000
_BLOCK_BYTES = 2**21
_LONGEST_LINE = 4 * _BLOCK_BYTES
_NO_NUMBER = 1e30  # 9.9E37 and its like stand for overload and for no number (SCPI-1999)
_NOTHING = ("-", "--")  # cells without a number, besides empty ones and NaN
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_FIT_N = 20_000  # samples that the regular interval is fitted to
_END_BYTES = 20_000  # of the first and the last lines, which tell how many digits the times have
_ROUNDED = 1.0  # of the last digit: half by its own rounding, the rest by that of the ends
_MANTISSA = re.compile(r"[+-]?0*(?P<whole>\d*)[.,]?(?P<part>\d*)(?:[eE](?P<power>[+-]?\d+))?")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Digits:
    """Digits that numbers are written with: significant ones, and places after the mark."""

    significant_n: int
    places_n: int

    def step(self, sizes: FloatArray) -> FloatArray:
        """Value of the last digit of each number; shape as `sizes`, all >= 0."""
        least = 10.0**-self.places_n
        power = np.floor(np.log10(np.maximum(sizes, least)) + 1e-9)
        return np.maximum(10.0 ** (power + 1 - self.significant_n), least)


def read_text(path: Path, *, column: str, interval_s: float | None) -> TraceFile:
    """A trace from text, as `read_trace` describes it."""
    with opened(path, _LARGEST_BYTES) as file:
        most_n = _line_count(file)
        blocks = _blocks(path, file)
        start = next(blocks, b"")
        head = head_of(path, without_nul(decoded(start), path).split("\n"))
        refuse_many(path, most_n - head.first)
        interval_s = _interval_s(path, head, interval_s)
        value_at = _value_column(path, head, column)
        wanted = [value_at] if interval_s is not None or head.time_at is None else [head.time_at, value_at]
        table = np.empty((len(wanted), most_n - head.first + 1))
        rows_n, ends = _fill(path, itertools.chain((start,), blocks), head, wanted, table)
    values = table[-1, :rows_n]
    times_s: FloatArray
    if interval_s is not None:
        times_s = np.arange(rows_n, dtype=np.float64)
        times_s *= interval_s
    else:
        times_s = table[0, :rows_n]
        factor = seconds(f"{path}:{head.first}", head.units[wanted[0]])
        _restore(times_s, _digits(ends, head, wanted[0]))
        times_s *= factor
    kept = kept_places(path, is_number(values) & is_number(times_s))
    _refuse_falling(path, head, times_s, kept)
    return TraceFile(
        times_s=times_s[kept],
        values=values[kept],
        name=head.names[value_at] or f"column {value_at + 1}",
        unit=head.units[value_at],
        left_out_n=rows_n - len(values[kept]),
    )


def refuse_many(path: Path, samples_n: int) -> None:
    """Raises ReadingsError where a trace has more samples than there is room for."""
    if samples_n > MOST_SAMPLES:
        raise ReadingsError(
            f"has {samples_n} samples", where=str(path), allowed=f"at most {MOST_SAMPLES}", todo="cut it"
        )


def is_number(values: FloatArray) -> BoolArray:
    """Where there is a number that was measured, and none that stands for overload."""
    return (values < _NO_NUMBER) & (values > -_NO_NUMBER)


def kept_places(path: Path, is_read: BoolArray) -> slice | npt.NDArray[np.int64]:
    """Places of the samples that have a number, two at least; a slice where all have, since that copies nothing."""
    if np.count_nonzero(is_read) < 2:
        raise ReadingsError("holds too few samples", where=str(path), allowed="two at least")
    return slice(None) if is_read.all() else np.flatnonzero(is_read)


# -- columns -------------------------------------------------------------------------------------------------------


def _interval_s(path: Path, head: Head, given_s: float | None) -> float | None:
    """The interval where there are no times, or one was given; None where the times are taken."""
    if given_s is not None or head.time_at is not None:
        return given_s
    if head.interval_s is not None:
        return head.interval_s
    raise ReadingsError(
        "has one column only, and no time" if len(head.names) == 1 else "has no time",
        where=str(path),
        allowed='a column of times, or a line such as "Sample Interval,5.0E-05" before the samples',
        todo="give the time from sample to sample: --interval 10us",
    )


def _value_column(path: Path, head: Head, column: str) -> int:
    """Which column holds the values: by name or number, else the first that is neither time nor number."""
    others = [at for at in range(len(head.names)) if at not in {head.time_at, head.number_at}]
    if not column and others:
        return others[0]
    wanted = " ".join(column.casefold().split())
    for at, (name, unit) in enumerate(zip(head.names, head.units, strict=True)):
        if wanted and wanted in {name, f"{name} [{unit}]".casefold()}:
            return at
    if wanted.isdecimal() and 1 <= int(wanted) <= len(head.names):
        return int(wanted) - 1
    said = ", ".join(head.names[at] for at in others if head.names[at]) or f"1 to {len(head.names)}"
    if not column:
        raise ReadingsError("has times only, and no values", where=str(path), todo="save a channel with them")
    raise ReadingsError(f'has no column "{column}"', where=str(path), allowed=said)


# -- numbers -------------------------------------------------------------------------------------------------------


def _line_count(file: BinaryIO) -> int:
    """Lines of a file, or a few more; it stands at its beginning again."""
    count = 1
    while held := file.read(_BLOCK_BYTES):
        count += max(held.count(b"\n"), held.count(b"\r"))  # a line ends with one of both, or with both
    file.seek(0)
    return count


def _blocks(path: Path, file: BinaryIO) -> Iterator[bytes]:
    """Whole lines, some thousand at a time, each with a line feed at its end; UTF-16 as UTF-8, else as it is."""
    held, raw = b"", file.read(_BLOCK_BYTES)
    read_as, given_as = ("utf-16", "utf-8") if raw.startswith(_UTF16) else ("latin-1", "latin-1")
    decoder = io.IncrementalNewlineDecoder(codecs.getincrementaldecoder(read_as)("replace"), translate=True)
    while raw:
        held += decoder.decode(raw).encode(given_as)
        cut = held.rfind(b"\n") + 1
        if cut:
            yield held[:cut]
        held, raw = held[cut:], file.read(_BLOCK_BYTES)
        if len(held) > _LONGEST_LINE:
            raise ReadingsError("has a line that is longer than any of samples", where=str(path))
    held += decoder.decode(b"", final=True).encode(given_as)
    if held:
        yield held


def _fill(
    path: Path, blocks: Iterable[bytes], head: Head, wanted: list[int], table: FloatArray
) -> tuple[int, tuple[bytes, bytes]]:
    """Write the wanted columns into a table, shape (len(wanted), rows or more); the rows and both ends as text."""
    rows_n, line, first, last = 0, 1, b"", b""
    for number, block in enumerate(blocks):
        part = block
        if not number:
            part = block.split(b"\n", head.first)[-1] if head.first else block.removeprefix(codecs.BOM_UTF8)
            first, line = part[:_END_BYTES], head.first + 1
        if b"\0" in part:
            part = without_nul(part.decode("latin-1"), path, first_line=line).encode("latin-1")
        found = _numbers(path, part, line, head, wanted)
        table[:, rows_n : rows_n + found.shape[1]] = found
        rows_n += found.shape[1]
        line += block.count(b"\n") - (head.first if not number else 0)
        last = part[-_END_BYTES:]
    return rows_n, (first, last)


def _numbers(path: Path, block: bytes, line: int, head: Head, wanted: list[int]) -> FloatArray:
    """The wanted columns of some lines, shape (len(wanted), rows); NaN where a cell is empty or says so."""
    plain = block if head.divider == "," else block.replace(b",", b".")
    try:
        frame = pd.read_csv(
            io.BytesIO(plain),
            header=None,
            names=range(len(head.names)),
            usecols=wanted,
            index_col=False,
            dtype=np.float64,
            sep=r"\s+" if head.divider == " " else head.divider,
            skipinitialspace=True,
            comment="#",
            na_values=list(_NOTHING),
            encoding="latin-1",
            low_memory=False,
        )
    except pd.errors.EmptyDataError:
        return np.empty((len(wanted), 0))
    except (ValueError, pd.errors.ParserError):  # some cell is no number: slower, and with its line
        return _slowly(path, block.decode("latin-1"), line, head, wanted)
    found = frame[wanted].to_numpy().T
    is_blank = np.isnan(found).all(axis=0)
    return found[:, ~is_blank] if len(wanted) > 1 and is_blank.any() else found


def _slowly(path: Path, text: str, line: int, head: Head, wanted: list[int]) -> FloatArray:
    rows = []
    for number, written in enumerate(text.split("\n"), start=line):
        if not written.strip(" ,;\t\r") or written.lstrip().startswith("#"):
            continue
        cells = cells_of(written, head.divider)
        rows.append([_value(cells[at] if at < len(cells) else "", f"{path}:{number}", head.divider) for at in wanted])
    return np.array(rows, dtype=np.float64).reshape(-1, len(wanted)).T


def _value(cell: str, where: str, divider: str) -> float:
    if cell == "" or cell in _NOTHING:
        return math.nan
    value = number_of(cell, divider)
    if value is None:
        raise ReadingsError(
            f'"{cell[:20]}" is not a number',
            where=where,
            todo="take the line out; with a decimal comma, put semicolons or tabs between the columns",
        )
    return value


# -- times ---------------------------------------------------------------------------------------------------------


def _digits(ends: tuple[bytes, bytes], head: Head, time_at: int) -> _Digits:
    """Digits of the times, from the first and the last lines."""
    significant, places = 1, 0
    for end in ends:
        for line in end.decode("latin-1").split("\n")[1:-1]:
            cells = cells_of(line, head.divider)
            match = _MANTISSA.fullmatch(cells[time_at]) if time_at < len(cells) else None
            if match is not None:
                whole, part = match["whole"], match["part"]
                significant = max(significant, len(whole) + len(part if whole else part.lstrip("0")))
                places = max(places, len(part) - int(match["power"] or 0))
    return _Digits(significant_n=significant, places_n=places)


def _restore(times: FloatArray, digits: _Digits) -> None:
    """Put evenly spaced times back where rounding alone moved them, in place; in the unit that they are written in."""
    n = len(times)
    if n < 3 or is_even(times):
        return
    at = np.unique(np.linspace(0, n - 1, _FIT_N).astype(np.int64))
    seen = np.isfinite(times[at])
    if np.count_nonzero(seen) < 3:
        return
    middle = (n - 1) / 2
    slope, shift = np.polynomial.polynomial.polyfit(at[seen] - middle, times[at][seen], 1)[::-1]
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


def _refuse_falling(path: Path, head: Head, times_s: FloatArray, kept: slice | npt.NDArray[np.int64]) -> None:
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
