"""A trace from an oscilloscope or a sound card: CSV or WAV to times and values."""

import struct
from pathlib import Path
from typing import BinaryIO

import numpy as np

from instruments.errors import ReadingsError
from sequencer.readings.file_text import opened
from sequencer.readings.waveform import TraceFile, room_for
from sequencer.readings.waveform_text import kept_places, read_text, refuse_many

__all__ = ["read_trace"]

_LARGEST_BYTES = 400_000_000
_FULL_SCALE = "of full scale"
_WAV_FORMATS = ("WAV", "WAVEX", "RF64")  # WAVEX: WAVE_FORMAT_EXTENSIBLE
_WAV_BITS = {"PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32, "FLOAT": None, "DOUBLE": None}  # None: has no ends
_SAMPLE_BYTES = {"PCM_U8": 1, "PCM_16": 2, "PCM_24": 3, "PCM_32": 4, "FLOAT": 4, "DOUBLE": 8}
_UNTOLD_BYTES = 0x7FFFFFFF  # as long, or longer: a recorder that did not know yet
_WAV_ALLOWED = "PCM of 8, 16, 24 or 32 bit, or floating point of 32 or 64 bit"
_WAV_FRAMES_N = 65_536


def read_trace(path: Path, *, column: str = "", interval_s: float | None = None) -> TraceFile:
    """A trace from a file: .wav as PCM or floating point, anything else as CSV.

    WAV: full scale is 1; only whole numbers have ends at which they clip, floating point may go beyond. Of a file that
    was cut off, what is there.

    CSV: UTF-8, UTF-16 or a code page; comma, semicolon, tab or blanks between columns, a decimal comma where they are
    not divided by commas; lines before the samples and those that begin with # are passed over; names and units in the
    last one or two of them ("time [ms]", "t/ms", or a line "s,V" below). Times in the first column or the one of that
    name or unit; where there are none, or only numbers of the samples, a line such as "Sample Interval,5.0E-05" or
    "Sample rate: 1 MHz" before the samples gives them. Times that only the rounding of their digits keeps from one
    interval are put back to it; dates with hours (ISO 8601) are times too. Words below the last sample are passed over.

    Args:
        path: the file.
        column: name of the column, or number of the channel from 1, times not counted; "" = the first after the time.
        interval_s: from sample to sample, for a file without times.

    Raises:
        ReadingsError: unreadable, too large, no samples, no times, times that do not rise, no such column.
    """
    if path.suffix.casefold() == ".wav":
        return _wav(path, column)
    return read_text(path, column=column, interval_s=interval_s)


def _wav(path: Path, column: str) -> TraceFile:
    import soundfile  # noqa: PLC0415  a C library that only a WAV needs

    wrong = ReadingsError(
        "is no WAV that can be read", where=str(path), allowed=_WAV_ALLOWED, todo="save it as one of these, whole"
    )
    with opened(path, _LARGEST_BYTES) as held:
        lacking_bytes = _lacking_bytes(held)
        held.seek(0)
        try:
            with soundfile.SoundFile(held) as file:
                if file.format not in _WAV_FORMATS or file.subtype not in _WAV_BITS:
                    raise wrong
                refuse_many(path, file.frames)
                rate_Hz, bits, number = file.samplerate, _WAV_BITS[file.subtype], _channel(path, file.channels, column)
                frame_bytes = file.channels * _SAMPLE_BYTES[file.subtype]
                lacking_n = -(-lacking_bytes // frame_bytes)
                values = room_for(file.frames)
                read_n = 0
                # Some at a time: as floats all channels would take eight times the file.
                for part in file.blocks(_WAV_FRAMES_N, dtype=values.dtype.name, always_2d=True):
                    values[read_n : read_n + len(part)] = part[:, number - 1]
                    read_n += len(part)
        except soundfile.SoundFileError as error:
            raise wrong from error
    values = values[:read_n]
    kept = kept_places(path, values)  # floating point has infinities, and what is no number
    times_s = np.arange(read_n, dtype=np.float64)
    times_s /= rate_Hz
    return TraceFile(
        times_s=times_s[kept],
        values=values[kept],
        name=f"channel {number}",
        unit=_FULL_SCALE,
        left_out_n=read_n - len(values[kept]),
        ends=None if bits is None else (-1.0, float(values.dtype.type(1.0 - 2.0 ** (1 - bits)))),
        lacking_n=lacking_n,
    )


def _lacking_bytes(held: BinaryIO) -> int:
    """Bytes that the part with the samples should have and does not; 0 where its length is not told (a stream)."""
    held.seek(0)
    head, whole = held.read(12), held.seek(0, 2)
    at = len(head)
    while head[:4] == b"RIFF" and at + 8 <= whole:
        held.seek(at)
        name, size = struct.unpack("<4sI", held.read(8))
        if name == b"data":
            is_told = 0 < size < _UNTOLD_BYTES
            return max(at + 8 + size - whole, 0) if is_told else 0
        at += 8 + size + size % 2
    return 0


def _channel(path: Path, channels_n: int, column: str) -> int:
    number = 1 if not column else int(column) if column.isdecimal() else 0
    if not 1 <= number <= channels_n:
        raise ReadingsError(f"has no channel {column}", where=str(path), allowed=f"1 to {channels_n}")
    return number
