"""What is asked of many records at once: the history of a unit."""

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pandas as pd

from instruments.errors import InputError, RecordError
from sequencer.documents.foot import Foot
from sequencer.history.advised import Advice, advised
from sequencer.history.timeline import Repair, Timeline, timeline
from sequencer.index.frames import Frames
from sequencer.index.listing import alike
from sequencer.inputs.serials import as_written
from sequencer.jobs.index_jobs import index_of, records
from sequencer.jobs.pages import refuse_inside_record, refuse_other_kinds, write_page
from sequencer.reports.sections import Told, html

__all__ = ["as_date", "history", "of_serial", "write_told"]


def as_date(text: str | None) -> str | None:
    """A date or time as it is kept, UTC where it has no zone; None = now.

    Raises:
        InputError: it is none.
    """
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise InputError(
            f'"{text}" is no date', where="--date", allowed='"2026-01-05" or "2026-01-05T08:00+01:00"'
        ) from error
    found = found if found.tzinfo else found.replace(tzinfo=UTC)
    return found.isoformat(timespec="seconds")


def of_serial(serial: str, results: Path | str, *, index: str = "", is_fresh: bool = True) -> Frames:
    """The records of one unit, as frames; what is new in the folder is looked at first, if `is_fresh`.

    Raises:
        InputError: no serial.
        RecordError: there is no record of it.
    """
    if not serial.strip():
        raise InputError("the serial of the unit is missing", todo="give what stands on its plate")
    found = records(results, index=index, serial=serial, is_fresh=is_fresh)
    if found.records.empty:
        with index_of(results, index).reading() as connection:
            looks = alike(connection, serial)
        likely = f"it looks like {' and '.join(map(as_written, looks))}; " if looks else ""
        raise RecordError(
            f'there is no record of a unit "{serial.strip()}"',
            where=str(results),
            todo=f"{likely}livezero records lists the units there are; --results names another folder",
        )
    return found


def history(
    serial: str, *, results: Path | str = "results", index: str = "", target: float = 0.95
) -> tuple[Timeline, Advice]:
    """The history of a unit, and what it says of its calibration interval.

    Args:
        serial: of the unit, in any case.
        results: folder of its records.
        index: URL or path of the index; "" = that of the folder.
        target: reliability that is wanted, 0 to 1.

    Raises:
        InputError: no serial, or a target that is no share.
        RecordError: there is no record of it, or the index cannot be reached.
    """
    if not 0 < target < 1:
        raise InputError(
            f"{100 * target:g} % is no reliability",
            allowed="more than 0 %, less than 100 %",
            todo='give 0.95, or "95 %"',
        )
    frames = of_serial(serial, results, index=index)
    done = frames.repairs
    repairs = [
        Repair(at=row["at"].to_pydatetime(), part=str(row["part"]), by=str(row["by"]), text=str(row["text"]))
        for row in done.to_dict("records")
    ]
    found = timeline(frames.records, frames.figures, frames.errors, repairs=repairs)
    found = replace(found, remarks=(*found.remarks, *_spellings(frames.records), *_one_date(found)))
    return found, advised(found, target=target)


def _spellings(found: pd.DataFrame) -> tuple[str, ...]:
    """More than one way of writing the serial."""
    spelled = sorted(set(found["serial"]))
    return (
        (f"the serial is written in {len(spelled)} ways: {', '.join(map(as_written, spelled))}",)
        if len(spelled) > 1
        else ()
    )


def _one_date(found: Timeline) -> tuple[str, ...]:
    days = {each.at.date() for each in found.runs}
    said = (
        "all runs are of one day, so nothing can be said of a drift; a simulated bench has the date that its file "
        'gives under simulation ("date: 2026-07-01"), else always the same'
    )
    return (said,) if len(found.runs) > 1 and len(days) == 1 else ()


def write_told(told: Told, path: Path, *, title: str) -> Path:
    """Write a report as a page, HTML or PDF, never inside a record; raises RecordError, InputError."""
    refuse_inside_record(path)
    refuse_other_kinds(path)
    return write_page(html(told, title=title), path, foot=Foot(lines=(title,)))
