"""A trace as text, read in parts that are small beside its samples: the columns wanted, and their times."""

import codecs
import io
import itertools
import math
import re
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import BinaryIO

import numpy as np
import numpy.typing as npt
import pandas as pd

from instruments.datasheet import FloatArray
from instruments.errors import ReadingsError
from sequencer.readings.file_text import decoded, opened, without_nul
from sequencer.readings.waveform import TraceFile, room_for
from sequencer.readings.waveform_head import Head, cells_of, head_of, is_overload, number_of, seconds, stamp_of
from sequencer.readings.waveform_times import digits_of, refuse_falling, restore

__all__ = ["MOST_SAMPLES", "kept_places", "read_text", "refuse_many"]

MOST_SAMPLES = 20_000_000
"""Samples of one trace; each takes 12 bytes, and a third of that again while it is looked at."""

_LARGEST_BYTES = 1_000_000_000
_BLOCK_BYTES = 2**21
_LONGEST_LINE = 4 * _BLOCK_BYTES
_NO_NUMBER = 1e30  # 9.9E37 and its like stand for overload and for no number (SCPI-1999)
_NOTHING = ("-", "--", "---", "----")  # cells without a number, besides empty ones and NaN
_OVERLOADS = ("OL", "+OL", "-OL", "OVLD", "OVER", "OVERLOAD", "OVERFLOW")  # the same, as most meters write it
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_THOUSANDS_COMMA = re.compile(rb"(?<![\d.,])[1-9]\d{0,2}(?:,\d{3})+(?=\.)")
_THOUSANDS_POINT = re.compile(rb"(?<![\d.,])[1-9]\d{0,2}(?:\.\d{3})+(?=,)")
_PART_N = 2**16  # samples that are looked at together
_END_BYTES = 20_000  # of the first and the last lines, which tell how many digits the times have


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
        columns = [np.empty(most_n - head.first + 1) for _ in wanted[:-1]] + [room_for(most_n - head.first + 1)]
        rows_n, ends = _fill(path, itertools.chain((start,), blocks), head, wanted, columns)
    values = columns[-1][:rows_n]
    times_s: FloatArray
    if interval_s is not None:
        times_s = np.arange(rows_n, dtype=np.float64)
        times_s *= interval_s
    else:
        times_s = columns[0][:rows_n]
        factor = 1.0 if head.stamp_s is not None else seconds(f"{path}:{head.first}", head.units[wanted[0]])
        restore(times_s, digits_of(ends, head, wanted[0]))
        times_s *= factor
    kept = kept_places(path, values, times_s)
    refuse_falling(path, head, times_s, kept)
    return TraceFile(
        times_s=times_s[kept],
        values=values[kept],
        name=head.names[value_at] or f"channel {_channels(head).index(value_at) + 1}",
        unit=head.units[value_at],
        left_out_n=rows_n - len(values[kept]),
    )


def refuse_many(path: Path, samples_n: int) -> None:
    """Raises ReadingsError where a trace has more samples than there is room for."""
    if samples_n > MOST_SAMPLES:
        raise ReadingsError(
            f"has {samples_n} samples", where=str(path), allowed=f"at most {MOST_SAMPLES}", todo="cut it"
        )


def kept_places(path: Path, *columns: FloatArray) -> slice | npt.NDArray[np.int64]:
    """Places where each column has a number that was measured, two at least; a slice where all have: it copies nothing.

    No number are NaN, infinity and what stands for overload.
    """
    is_read = np.ones(len(columns[0]), dtype=bool)
    for start in range(0, len(is_read), _PART_N):
        for column in columns:
            is_read[start : start + _PART_N] &= np.abs(column[start : start + _PART_N]) < _NO_NUMBER
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


def _channels(head: Head) -> list[int]:
    """Columns that are neither times nor numbers of the samples."""
    return [at for at in range(len(head.names)) if at not in {head.time_at, head.number_at}]


def _value_column(path: Path, head: Head, column: str) -> int:
    """Which column holds the values: by name or number of the channel, else the first."""
    others = _channels(head)
    if not column and others:
        return others[0]
    wanted = " ".join(column.casefold().split())
    for at, (name, unit) in enumerate(zip(head.names, head.units, strict=True)):
        if wanted and wanted in {name, f"{name} [{unit}]".casefold()}:
            return at
    if wanted.isdecimal() and 1 <= int(wanted) <= len(others):
        return others[int(wanted) - 1]
    said = ", ".join(head.names[at] or f"{number}" for number, at in enumerate(others, start=1))
    if not column:
        raise ReadingsError("has times only, and no values", where=str(path), todo="save a channel with them")
    raise ReadingsError(f'has no column "{column}"', where=str(path), allowed=said)


# -- numbers -------------------------------------------------------------------------------------------------------


def _line_count(file: BinaryIO) -> int:
    """Lines of a file, or a few more; it stands at its beginning again."""
    count = 1
    while held := file.read(_BLOCK_BYTES):
        count += max(_count(held, b"\n"), _count(held, b"\r"))  # a line ends with one of both, or with both
    file.seek(0)
    return count


def _count(held: bytes, sign: bytes) -> int:
    """How often a sign stands there; where it is at each line's end, much faster than `bytes.count`."""
    return int(np.count_nonzero(np.frombuffer(held, dtype=np.uint8) == ord(sign)))


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
    path: Path, blocks: Iterable[bytes], head: Head, wanted: list[int], columns: list[FloatArray]
) -> tuple[int, tuple[bytes, bytes]]:
    """Write the wanted columns into arrays, each of shape (rows or more,); the rows and both ends as text."""
    rows_n, line, first, last = 0, 1, b"", b""
    for number, (block, after) in enumerate(itertools.pairwise(itertools.chain(blocks, [None]))):
        assert block is not None
        part = block
        if not number:
            part = block.split(b"\n", head.first)[-1] if head.first else block.removeprefix(codecs.BOM_UTF8)
            first, line = part[:_END_BYTES], head.first + 1
        if b"\0" in part:
            part = without_nul(part.decode("latin-1"), path, first_line=line).encode("latin-1")
        found = _numbers(path, part, line, head, wanted, is_last=after is None)
        found_n = len(found[0])
        for column, numbers in zip(columns, found, strict=True):
            column[rows_n : rows_n + found_n] = numbers
        rows_n += found_n
        line += _count(part, b"\n")
        last = part[-_END_BYTES:]
    return rows_n, (first, last)


def _numbers(
    path: Path, block: bytes, line: int, head: Head, wanted: list[int], *, is_last: bool
) -> Sequence[FloatArray] | FloatArray:
    """The wanted columns of some lines, each of shape (rows,); NaN where a cell is empty or says so."""
    if head.stamp_s is not None:
        return _slowly(path, block.decode("latin-1"), line, head, wanted, is_last=is_last)
    try:
        frame = pd.read_csv(
            io.BytesIO(_pointed(block, head.divider)),
            header=None,
            names=range(len(head.names)),
            usecols=wanted,
            index_col=False,
            dtype=np.float64,
            sep=r"\s+" if head.divider == " " else head.divider,
            skipinitialspace=True,
            comment="#",
            na_values=[*_NOTHING, *_OVERLOADS],
            encoding="latin-1",
            low_memory=False,
        )
    except pd.errors.EmptyDataError:
        return np.empty((len(wanted), 0))
    except (ValueError, pd.errors.ParserError):  # some cell is no number: slower, and with its line
        return _slowly(path, block.decode("latin-1"), line, head, wanted, is_last=is_last)
    found = [frame[each].to_numpy() for each in wanted]
    is_blank = np.logical_and.reduce([np.isnan(each) for each in found])
    return [each[~is_blank] for each in found] if len(wanted) > 1 and is_blank.any() else found


def _pointed(block: bytes, divider: str) -> bytes:
    """The same with decimal points, and nothing that parts thousands; as `number_of` reads a cell."""
    if divider == "," or b"," not in block:
        return block
    if b"." in block:
        block = _THOUSANDS_COMMA.sub(_without_commas, block)
        block = _THOUSANDS_POINT.sub(_without_points, block)
    return block.replace(b",", b".")


def _without_commas(found: re.Match[bytes]) -> bytes:
    return found[0].replace(b",", b"")


def _without_points(found: re.Match[bytes]) -> bytes:
    return found[0].replace(b".", b"")


def _slowly(path: Path, text: str, line: int, head: Head, wanted: list[int], *, is_last: bool) -> FloatArray:
    """Line by line; words below the last sample of a file, such as "END", are passed over."""
    rows = []
    told = [
        (number, cells_of(written, head.divider))
        for number, written in enumerate(text.split("\n"), start=line)
        if written.strip(" ,;\t\r") and not written.lstrip().startswith("#")
    ]
    while is_last and told and _has_words_alone(told[-1][1], head.divider):
        told.pop()
    for number, cells in told:
        rows.append([_value(cells[at] if at < len(cells) else "", f"{path}:{number}", head, at) for at in wanted])
    return np.array(rows, dtype=np.float64).reshape(-1, len(wanted)).T


def _has_words_alone(cells: list[str], divider: str) -> bool:
    known = [cell for cell in cells if cell and cell not in _NOTHING and not is_overload(cell)]
    return bool(known) and all(number_of(cell, divider) is None and stamp_of(cell) is None for cell in known)


def _value(cell: str, where: str, head: Head, at: int) -> float:
    if cell == "" or cell in _NOTHING:
        return math.nan
    if at != head.time_at and is_overload(cell):
        return math.nan
    is_stamp = head.stamp_s is not None and at == head.time_at
    value = stamp_of(cell, head.stamp_s or 0) if is_stamp else number_of(cell, head.divider)
    if value is None:
        raise ReadingsError(
            f'"{cell[:20]}" is not a number',
            where=where,
            todo="take the line out; with a decimal comma, put semicolons or tabs between the columns",
        )
    return value
