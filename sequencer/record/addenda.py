"""What people add to a record after it was sealed: remarks, and corrections of readings, with who, when and why.

They stand in a file of their own whose first line is chained to the digest: the sealed files are never touched, and
nothing that was added can be changed or moved to another record unseen. It judges nothing.
"""

from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from instruments.errors import RecordError
from sequencer.journal.lines import addenda_lines
from sequencer.journal.writer import Journal
from sequencer.readings.table import PLACE, tidy
from sequencer.record.digest import sealed_digest
from sequencer.record.layout import ADDENDA, JOURNAL

__all__ = ["add", "added", "corrected", "merge", "resealed_words", "words_of"]

# What a line has of the file that it stands in.
_OF_ITS_PLACE = ("chain", "revision", "replaces")


def added(folder: Path, name: str = ADDENDA) -> list[dict[str, Any]]:
    """The addenda of a record in order; [] if there is none. Raises RecordError if they are damaged."""
    path = folder / name
    return list(addenda_lines(path)) if path.is_file() else []


def add(folder: Path, kind: str, **fields: Any) -> dict[str, Any]:  # noqa: ANN401  JSON values
    """Append a "remark" or a "correction" to a record that is sealed; returns the line.

    Raises:
        RecordError: it is not sealed, or cannot be written.
    """
    digest = sealed_digest(folder)
    if not digest:
        raise RecordError(
            "is not sealed yet", where=str(folder), todo=f"livezero resume {folder}, or livezero close {folder}"
        )
    path = folder / ADDENDA
    with Journal(path, again=path.exists(), seed=digest) as journal:
        if kind == "correction":
            fields |= _amends(added(folder), digest, sealed_n=1 + resealed_n(folder))
        journal.write(kind, sync=True, **fields)
    return {"kind": kind} | fields


def merge(folder: Path, theirs: Iterable[Mapping[str, Any]]) -> list[dict[str, Any]]:
    """Append what was added to a copy of the record elsewhere and is not here, as it is; returns those lines.

    Raises:
        RecordError: it cannot be written, or is being written.
    """
    digest, path = sealed_digest(folder), folder / ADDENDA
    with Journal(path, again=path.exists(), seed=digest) as journal:
        here = added(folder)
        there = [_itself(line) for line in here]
        new = [line for line in map(_itself, theirs) if line not in there]
        for line in new:
            is_correction = line["kind"] == "correction"
            made = _amends(here, digest, sealed_n=1 + resealed_n(folder)) if is_correction else {}
            here.append(line | made)
            journal.write(**(line | made), sync=True)
    return new


def _itself(line: Mapping[str, Any]) -> dict[str, Any]:
    return {name: each for name, each in line.items() if name not in _OF_ITS_PLACE}


def resealed_n(folder: Path) -> int:
    """How often a record was sealed anew."""
    return (folder / JOURNAL).read_bytes().count(b'\n{"kind": "resealed"')


def _amends(before: Sequence[Mapping[str, Any]], digest: str, *, sealed_n: int) -> dict[str, Any]:
    """Which revision of the record a correction makes, and which it replaces; the first ones are those sealed."""
    revision = sealed_n + sum(line["kind"] == "correction" for line in before)
    return {"revision": revision + 1, "replaces": f"revision {revision} of {digest}"}


def corrected(table: pd.DataFrame, lines: Iterable[Mapping[str, Any]]) -> pd.DataFrame:
    """The table with a row for each correction in `lines`; the row that it corrects stays."""
    # By their times, and not as they came: two sites that corrected one record then hold the same one.
    corrections = sorted((line for line in lines if line["kind"] == "correction"), key=lambda line: str(line["date"]))
    if not corrections:
        return table
    rows: list[dict[str, Any]] = [{str(name): each for name, each in row.items()} for row in table.to_dict("records")]
    for line in corrections:
        before = [row for row in rows if all(row[name] == line[name] for name in PLACE)]
        if not before:
            raise KeyError(f"a reading that is corrected: {words_of(line)}")
        latest = max(before, key=lambda row: int(row["correction"]))
        changed = {name: line[name] for name in ("value", "signal", "raw")}
        note = f"corrected by {line['by']}: {line['why']}"
        rows.append(latest | changed | {"note": note, "correction": int(latest["correction"]) + 1})
    return tidy(rows)


def resealed_words(line: Mapping[str, Any]) -> str:
    """That a record was sealed anew, as a report shows it."""
    was = f"was with the digest {line['was']}" if line["was"] else "was with a digest that nobody knows any more"
    head = f"{str(line['date'])[:16].replace('T', ' ')} UTC, {line['by']}"
    return f"sealed anew, {head}: {line['why']}; its seal of before {was}"


def words_of(line: Mapping[str, Any]) -> str:
    """An addendum as a report shows it."""
    head = f"{str(line['date'])[:16].replace('T', ' ')} UTC, {line['by']}"
    if line["kind"] == "remark":
        return f"added after sealing, {head}: {line['text']}"
    before = "no reading" if line["before"] is None else f"{line['before']:.9g}"
    made = f"revision {line['revision']}, in place of {line['revision'] - 1}: " if line.get("revision") else ""
    place = f'reading {line["reading"]} at point {line["number"]}, tap "{line["tap"]}"'
    return (
        f"{made}corrected after sealing, {head}: {place}: "
        f"{line['signal']:.9g} {line['signal_unit']} in place of {before}: {line['why']}"
    )
