"""A record read back: its journal, its figures computed again from that, and what it says of the run."""

import json
import traceback
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from instruments.datasheet import DataSheet
from instruments.dcc_item import doubt_of, holds_number
from instruments.errors import LivezeroError, RecordError
from instruments.roles import said_safe
from instruments.simulated.instrument import is_simulated
from instruments.version import __version__
from sequencer.diagnosis.examine import examine
from sequencer.diagnosis.result import Content, Ended, InstrumentLine, Trace
from sequencer.evaluation.budget import Basis, Statement, basis_from
from sequencer.evaluation.certificates import with_certified
from sequencer.evaluation.result import METHOD, Evaluation
from sequencer.inputs.answers import Answer, Picture
from sequencer.journal.lines import beyond_us, end_of, identities_of, remedy, run_lines
from sequencer.journal.readings import from_lines
from sequencer.journal.writer import chain_faults, entries, read_journal
from sequencer.record.addenda import added, corrected, resealed_words, words_of
from sequencer.record.digest import alterations, sealed_digest
from sequencer.record.layout import FIGURES, JOURNAL, PICTURES, journal_of, settings_of, type_sheet_of
from sequencer.record.record import Record
from sequencer.reports.as_text import duration

__all__ = ["AsIf", "load"]


# What lines that nobody wrote so make of the code that takes their fields.
_WRONG = (ArithmeticError, AttributeError, LookupError, OSError, RecursionError, TypeError, ValueError)


AsIf = Callable[[Basis, DataSheet], Basis]
"""What a record rests on, as it would have been: with what is stated of its instruments changed."""


def load(
    folder: Path,
    *,
    as_sealed: bool = False,
    held: Mapping[str, bytes] | None = None,
    as_if: AsIf | None = None,
    seeks_causes: bool = True,
) -> Record:
    """A record, its table read from the journal and its figures computed again.

    A run that was cut off is a record too: what was read until then is there. The journal is read once, for its lines,
    its chain and its digest.

    Args:
        folder: of the record.
        as_sealed: leave out what was corrected after sealing.
        held: files that were read already, by name, the journal among them; None = none.
        as_if: changes what is stated of the instruments before anything is computed; None = as it was.
        seeks_causes: as for `examine`.

    Raises:
        RecordError: there is no record, or it is damaged.
        InputError: its type sheet is at fault.
    """
    journal = journal_of(folder)
    sheet = type_sheet_of(folder)
    held = {JOURNAL: read_journal(journal)} if held is None else held
    lines = list(run_lines(journal, held[JOURNAL]))
    if not lines or lines[0]["kind"] != "opened":
        raise RecordError("the journal has no first line", where=str(journal))
    opened, end = lines[0], end_of(lines)
    try:
        more = [] if as_sealed else added(folder)
        basis = _settled(basis_from(opened["basis"]), identities_of(lines))
        certified = with_certified(sheet.datasheet(), basis.statements)
        table = corrected(from_lines(lines, certified), more)
        if as_if is not None:
            basis = as_if(basis, sheet.datasheet())
            table = _read_again(table, certified, with_certified(sheet.datasheet(), basis.statements))
    except _WRONG as error:
        raise RecordError(f"the journal lacks {error}", where=str(journal), todo=remedy(opened)) from error
    ended = Ended(
        status=end["status"] if end else "interrupted",
        reason=end["reason"] if end else _cut_off(table),
        can_resume=end is None or end["kind"] == "interrupted",
    )
    try:
        found = examine(
            table,
            sheet,
            standard=opened["standard"],
            planned_n=opened["planned_n"],
            basis=basis,
            ended=ended,
            receivers=opened.get("receivers") or {},
            settings=settings_of(folder),
            answers=tuple(_answers(folder, lines)),
            left_out=opened.get("left_out_named", ""),
            seeks_causes=seeks_causes,
        )
    except _WRONG as error:
        raise _not_evaluated(error, journal, opened) from error
    try:
        content = _told(found, folder, lines, table, held)
        judged = _judged(folder, more, content.verdict.result)
        content = replace(content, remarks=(*map(words_of, more), *judged, *content.remarks))
    except _WRONG as error:
        raise RecordError(f"the journal lacks {error}", where=str(journal), todo=remedy(opened)) from error
    return Record(folder=folder, readings=table, content=content)


def _settled(basis: Basis, identities: Mapping[str, str]) -> Basis:
    """The basis with what the instruments answered of themselves held against their certificates."""

    def settled(each: Statement) -> Statement:
        answer = identities.get(each.instrument, "")
        if not each.certificate_item or not answer:
            return each
        is_its = holds_number(each.certificate_numbers, answer)
        rest = each.certificate_doubt.removeprefix(each.certificate_unsettled).removeprefix("; ")
        doubts = ("" if is_its else doubt_of(each.certificate_item, answer), rest)
        return replace(each, certificate_doubt="; ".join(filter(None, doubts)))

    return replace(basis, statements=tuple(map(settled, basis.statements)))


def _read_again(table: pd.DataFrame, before: DataSheet, after: DataSheet) -> pd.DataFrame:
    """The table with the values that its signals have, where what is certified of what reads a tap is another."""
    found = table.copy()
    for old, new in zip(before.taps, after.taps, strict=True):
        rows = (found["tap"] == old.name) & found["signal"].notna() & found["value"].notna()
        if old.certified != new.certified and rows.any():
            signal = found.loc[rows, "signal"].to_numpy(dtype=np.float64)
            found.loc[rows, "value"] += new.from_reading(signal) - old.from_reading(signal)
    return found


def _not_evaluated(error: Exception, journal: Path, opened: Mapping[str, Any]) -> RecordError:
    """Why nothing could be computed of a journal whose lines are in order: it was altered, or the fault is ours."""
    if faults := chain_faults(journal):
        return RecordError(
            f"the journal cannot be evaluated as it is: {faults[0]}", where=str(journal), todo=remedy(opened)
        )
    at = traceback.extract_tb(error.__traceback__)[-1]
    return RecordError(
        f"the journal is whole, and livezero {__version__} cannot evaluate it"
        f" ({type(error).__name__} in {Path(at.filename).name}:{at.lineno}: {error})",
        where=str(journal),
        todo="keep the record, nothing in it is lost; report this line with it, and evaluate it with a mended livezero",
    )


def _answers(folder: Path, lines: list[dict[str, Any]]) -> Iterator[Answer]:
    """What the operator answered, of each question the last time it was asked."""
    last = {line["number"]: line for line in lines if line["kind"] == "answer"}
    for line in last.values():
        step = line["step"]
        path = next(iter(sorted((folder / PICTURES).glob(f"{step}-*"))), None)
        try:
            shown = None if path is None else Picture(path=path, data=path.read_bytes())
        except OSError:  # gone, which the digest tells
            shown = None
        yield Answer(step=step, picture=shown, **{name: line[name] for name in ("text", "answer", "value", "unit")})


def _judged(folder: Path, more: list[dict[str, Any]], result: str) -> tuple[str, ...]:
    """The verdict that was sealed, where a correction since or another method may have made another of it."""
    is_corrected = any(line["kind"] == "correction" for line in more)
    try:
        sealed = json.loads((folder / FIGURES).read_text(encoding="utf-8"))
        verdict, method = sealed["verdict"]["result"], sealed.get("method", 1)
    except (OSError, ValueError, LookupError, TypeError, RecursionError):
        return (f"the verdict as sealed is not known: {FIGURES} does not hold it any more",) if is_corrected else ()
    if not is_corrected and (method == METHOD or verdict == result):
        return ()
    if not is_corrected:
        return (f"the verdict as sealed, by the way uncertainties were computed then: {verdict}",)
    return (f"the verdict as sealed, without the corrections: {verdict}",)


def _told(
    found: Content, folder: Path, lines: list[dict[str, Any]], table: pd.DataFrame, held: Mapping[str, bytes]
) -> Content:
    """What was found, with what the journal says of the run: who, when, with what, and what happened."""
    opened = lines[0]
    identities: dict[str, str] = next((line["identities"] for line in lines if line["kind"] == "identified"), {})
    before, said_of_it = _before(folder, opened)
    return replace(
        found,
        serial=opened["serial"],
        sequence=opened["sequence"],
        date=opened["date"],
        operator=opened["operator"],
        state=opened["state"],
        # A simulated bench that is served looks real to whoever runs on it, but for what its instruments say.
        is_simulated=opened["is_simulated"] or any(map(is_simulated, identities.values())),
        bench=opened["bench"],
        instruments=tuple(
            InstrumentLine(
                **{name: line[name] for name in ("name", "what", "resource", "use")},
                identity=identities.get(line["name"], ""),
            )
            for line in opened["instruments"]
        ),
        cautions=tuple(opened["cautions"]),
        remarks=(*_happened(lines), *said_of_it, *_remarks(lines), *found.remarks),
        doubts=(*_doubts(lines), *found.doubts),
        told=_only_told(lines),
        traces=_traces(lines, table),
        versions=opened["versions"],
        before=before,
        before_folder=(opened.get("as_found") or {}).get("folder", ""),
        digest=sealed_digest(folder),
        alterations=alterations(folder, held),
        folder=str(folder),
    )


def _only_told(lines: list[dict[str, Any]]) -> tuple[str, ...]:
    """The sources that the run left at their safe levels by word alone."""
    last = {str(line.get("instrument")): line for line in lines if line["kind"] == "safe"}
    return tuple(
        said_safe(name, str(line.get("level")), is_proved=False)
        for name, line in last.items()
        if not line.get("proved", True)
    )


def _happened(lines: list[dict[str, Any]]) -> Iterator[str]:
    """How the run went, in remarks, and what its plan warned of."""
    end = end_of(lines)
    if of := lines[0].get("batch"):
        at = f", at place {of['place']} of the bench" if of.get("place") is not None else ""
        yield f"unit {of['unit']} of {of['of']} of the batch {of['name']}{at}"
    yield from (f"dropped: {each['reason']}" for each in lines if each["kind"] == "dropped")
    yield from (f"interrupted: {each['reason']}" for each in lines if each["kind"] == "interrupted" and each is not end)
    yield from (_resumed(each) for each in lines if each["kind"] == "resumed")
    yield from (resealed_words(each) for each in lines if each["kind"] == "resealed")
    if later := beyond_us(lines):
        yield later
    yield from lines[0]["warnings"]


def _remarks(lines: list[dict[str, Any]]) -> Iterator[str]:
    for line in lines:
        if line["kind"] == "remark":
            yield _remark(line)


def _remark(line: dict[str, Any]) -> str:
    return f"point {line['number']}: {line['text']}" if line.get("number") else str(line["text"])


def _doubts(lines: list[dict[str, Any]]) -> Iterator[str]:
    """The remarks of what was doubted and stands all the same."""
    stand = {
        (line.get("number"), line["text"])
        for line in lines
        if line["kind"] == "doubt" and line["answer"] in {"confirmed", "persists"}
    }
    for line in lines:
        if line["kind"] == "remark" and any(line.get("number") == at and text in line["text"] for at, text in stand):
            yield _remark(line)


def _cut_off(table: pd.DataFrame) -> str:
    place = f"after a reading at point {table['number'].iloc[-1]}" if len(table) else "before the first reading"
    return f"the run was cut off {place}: its journal has no closing line"


def _before(folder: Path, opened: dict[str, Any]) -> tuple[Evaluation | None, tuple[str, ...]]:
    """The as-found run beside an as-left one, and what is to be said of it."""
    if opened["state"] != "as left":
        return None, ()
    found = opened.get("as_found")
    if not found:
        return None, ("no as-found run of this unit is stored here: what was adjusted is not determinable",)
    there = folder.parent / Path(found["folder"]).name
    try:
        # An altered one might name yet another, and so on for ever.
        if next(entries(there / JOURNAL)).get("state") != "as found":
            return None, (f"{found['folder']} is not an as-found run",)
        record = load(there, seeks_causes=False)
    except LivezeroError as error:
        return None, (f"the as-found run {found['folder']} cannot be read: {error.what}",)
    is_as_sealed = record.content.digest == found["sha256"] and not record.content.alterations
    altered = () if is_as_sealed else ("the as-found run was altered since",)
    if record.content.alone is not None:
        return None, (*altered, f"the as-found run {found['folder']} has no traverse to set beside")
    return record.evaluation, altered


def _resumed(line: dict[str, Any]) -> str:
    after = "on a new simulated bench" if line["is_new_simulation"] else f"after {duration(line['gap_s'])}"
    by = f" by {line['operator']}" if line["operator"] else ""
    if line["cycle"] is None:
        return f"resumed {after}{by}: every point had been read"
    again = f"cycle {line['cycle']} from point {line['from_point']}"
    return f"resumed {after}{by}: exercise (preconditioning) repeated, then {again}"


def _traces(lines: list[dict[str, Any]], table: pd.DataFrame) -> tuple[Trace, ...]:
    """How each point that was read settled."""
    visits = table.drop_duplicates("number").set_index("number") if len(table) else table
    found: dict[int, Trace] = {}
    for line in lines:
        if line["kind"] != "settled" or line["number"] not in visits.index:
            continue
        visit = visits.loc[line["number"]]
        found[line["number"]] = Trace(  # of a point that was taken again, the last
            number=line["number"],
            setpoint_pct=float(visit["setpoint_pct"]),
            direction=str(visit["direction"]),
            cycle=int(visit["cycle"]),
            role=str(visit["role"]),
            state=line["state"],
            after_s=line["after_s"],
            to_go=line["to_go"],
            samples=tuple((at_s, value) for at_s, value in line["trace"] if value is not None),
        )
    return tuple(found.values())
