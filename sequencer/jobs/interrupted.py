"""Runs that were cut off or interrupted: finding them, and what is left of their plan. It talks to no instrument.

A traverse is one movement: a point counts because of the side it was come to, and hysteresis is up less the down that
follows in one go. A run that was cut off left its outputs at the safe level, or somebody did, so that the way up to
there is lost. Therefore the interrupted cycle is repeated as a whole, after the exercise that the sequence
asks for before its first cycle; cycles that were completed stay. What had been read of the interrupted one is kept,
with a lower attempt (IEC 61298-2 and ISA-51.1, both from memory: preconditioning strokes, then traverses without a stop
or a reversal in between).
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from instruments.benchfile import LoadedBench, load_bench
from instruments.description import Description
from instruments.errors import LivezeroError, RecordError
from sequencer.inputs.files import load_sequence
from sequencer.jobs.lost_seal import refuse_lost_seal
from sequencer.journal.lines import beyond_us, end_of, run_lines, unproved
from sequencer.journal.readings import from_lines
from sequencer.journal.writer import chain_faults, is_being_written, read_journal
from sequencer.planning.plan import Plan
from sequencer.planning.plan import plan as planned
from sequencer.planning.points import Point, from_rest
from sequencer.record.digest import inputs_of, lost_seal
from sequencer.record.layout import (
    BENCH,
    CERTIFICATES,
    DESCRIPTIONS,
    INPUTS,
    JOURNAL,
    SALVAGED,
    SEQUENCE,
    TYPE,
    is_sealed,
    journal_of,
)
from sequencer.running.loop import Rest

__all__ = [
    "CutOff",
    "cut_off",
    "kept_bench",
    "kept_plan",
    "opened_of",
    "planned_before",
    "refuse_what_is_sealed",
    "rest_of",
]

Lines = Sequence[dict[str, Any]]


@dataclass(frozen=True, slots=True, kw_only=True)
class CutOff:
    """A run that was cut off or interrupted, and is not sealed yet.

    Args:
        folder: of its record.
        serial: of the unit.
        point: number of the last point that was read; 0 = none.
        interrupted: by what and where, if it was stopped; "" = it was cut off.
        is_safe: its outputs are proved safe since it drove them, or a person answers for them.
        is_closed: it was over, and only not sealed yet.
        damage: why its journal cannot be read, so that nobody knows what it left on; "" if it can.
    """

    folder: Path
    serial: str = ""
    point: int = 0
    interrupted: str = ""
    is_safe: bool = False
    is_closed: bool = False
    damage: str = ""

    @property
    def place(self) -> str:
        """Where it was cut off, in words."""
        if self.is_closed:
            return "before it was sealed"
        return f"after a reading at point {self.point}" if self.point else "before the first reading"

    @property
    def story(self) -> str:
        """What became of it, in words."""
        return f"was interrupted: {self.interrupted}" if self.interrupted else f"was cut off {self.place}"


def cut_off(results: Path | str = "results") -> tuple[CutOff, ...]:
    """The runs under a folder that a crash, a power cut or a person ended and that can go on, the oldest first.

    One that still goes on is none, nor one whose seal was lost. What was cut off before its first line stood, so before
    anything was energised, is passed over.
    """
    found = []
    for path in sorted(Path(results).glob(f"*/{JOURNAL}")):
        if is_sealed(path.parent) or is_being_written(path):
            continue
        try:
            if lost_seal(path.parent, read_journal(path)):
                continue
            lines = list(run_lines(path))
            if lines and lines[0]["kind"] == "opened":
                end = end_of(lines)
                read = [line.get("number", 0) for line in lines if line["kind"] == "reading"]
                found.append(
                    CutOff(
                        folder=path.parent,
                        serial=str(lines[0].get("serial")),
                        point=read[-1] if read else 0,
                        interrupted=end["reason"] if end is not None and end["kind"] == "interrupted" else "",
                        is_safe=not unproved(lines),
                        is_closed=end is not None and end["kind"] == "closed",
                    )
                )
        except LivezeroError as error:
            found.append(CutOff(folder=path.parent, damage=f"{error.where}: {error.what}"))
    return tuple(found)


def refuse_what_is_sealed(folder: Path) -> None:
    """Raise RecordError for what is no record, or one that is sealed."""
    journal_of(folder)
    if (folder / SALVAGED).exists():
        raise RecordError("what is whole of it was salvaged", where=str(folder), todo=f"see {SALVAGED} in it")
    if is_sealed(folder):
        raise RecordError("the run is over, and its record sealed", where=str(folder), todo="begin a new run")
    refuse_lost_seal(folder)


def opened_of(folder: Path, lines: Lines) -> dict[str, Any]:
    """The first line of a journal; raises RecordError if there is none, or another one."""
    if not lines or lines[0]["kind"] != "opened":
        raise RecordError(
            "the journal has no first line", where=str(folder / JOURNAL), todo="name a record that was begun"
        )
    return lines[0]


def kept_plan(folder: Path) -> Plan:
    """The plan of a run, from the inputs that its record keeps, whatever became of the files they were taken from.

    Raises:
        RecordError: the inputs, or the journal, are not what they were; or a later livezero wrote it.
        InputError: an input is at fault.
        PlanError: the same plan is not possible any more.
    """
    return planned_before(folder, list(run_lines(folder / JOURNAL)))


def kept_bench(folder: Path, opened: Mapping[str, Any]) -> LoadedBench:
    """The bench of a run, from the inputs that its record keeps; `opened` is the first line of its journal.

    Raises:
        RecordError: it cannot be made of them.
        InputError: an input is at fault.
    """
    try:
        files = sorted((folder / DESCRIPTIONS).iterdir(), key=lambda path: int(path.name.partition("-")[0]))
        descriptions = [Description.model_validate_json(path.read_text(encoding="utf-8")) for path in files]
        names = opened["described"]
        own = (folder / CERTIFICATES).iterdir() if (folder / CERTIFICATES).is_dir() else ()
        certificates = {names[int(path.name.partition("-")[0]) - 1]: path for path in own}
        kept = dict(zip(names, descriptions, strict=True))
        bench = load_bench(folder / BENCH, kept=kept, certificates=certificates)
        return bench.used_again(backend=opened["backend"], simulation=opened["simulation"])
    except (OSError, ValueError, LookupError, TypeError) as error:
        raise RecordError(
            "the bench of this record cannot be reconstructed",
            where=str(folder / INPUTS),
            todo=f"livezero close {folder}",
        ) from error


def planned_before(folder: Path, lines: Lines, *, is_to_go_on: bool = True) -> Plan:
    """As `kept_plan`, where the lines of the journal were read already.

    Where the run is not to go on, the first of them is what matters: it says which bench and which inputs it had.
    """
    opened = opened_of(folder, lines)
    altered = [each for each in chain_faults(folder / JOURNAL) if is_to_go_on or each.startswith(f"{JOURNAL}:1:")]
    now, then = inputs_of(folder), opened.get("inputs", {})
    altered += [f"{name} has changed" for name in sorted(now.keys() | then) if now.get(name) != then.get(name)]
    if altered:
        raise RecordError(
            f"the record was altered: {altered[0]}",
            where=str(folder),
            todo=f"livezero close {folder} keeps what is there",
        )
    if later := beyond_us(lines):
        raise RecordError(
            later, where=str(folder), todo=f"resume it with the livezero that began it, or livezero close {folder}"
        )
    used = kept_bench(folder, opened)
    sequence = load_sequence(str(folder / SEQUENCE), sheet=str((folder / TYPE).resolve()), kept=folder / INPUTS)
    return planned(replace(sequence, left_out=frozenset(opened.get("left_out") or ())), used)


def rest_of(folder: Path, plan: Plan, lines: Lines) -> Rest:
    """What is left of a plan: the exercise, and everything from the beginning of the cycle that was interrupted.

    Args:
        folder: of the record.
        plan: of the run.
        lines: of its journal.

    Returns:
        No points at all if every one was read.

    Raises:
        RecordError: what was read is not what this plan reads.
    """
    table = from_lines(lines, plan.sheet)
    by_number = {point.number: point for point in plan.points}
    planned = table[table["number"] <= len(plan.points)]
    for row in planned.drop_duplicates("number").to_dict("records"):
        point = by_number.get(int(row["number"]))
        if point is None or (point.step, point.setpoint.cycle, point.setpoint.direction, point.setpoint.point) != (
            row["step"], row["cycle"], row["direction"], row["point"],
        ):  # fmt: skip
            raise RecordError(
                f"point {row['number']} is planned otherwise now",
                where=str(folder),
                todo=f"resume it with the livezero that began it, or livezero close {folder}",
            )
    taken: dict[int, int] = {}
    for number, attempt in zip(table["number"].tolist(), table["attempt"].tolist(), strict=True):
        taken[number] = max(attempt, taken.get(number, 0))
    wanted_n = sum(wire.receiver is not None for wire in plan.wires)
    began = datetime.fromisoformat(opened_of(folder, lines)["date"])
    passed_s = max((line["at_s"] for line in lines if line["kind"] == "reading"), default=0.0)
    finished = {(line["number"], line["attempt"]) for line in lines if line["kind"] == "visited"}
    passed = {number for number, _ in finished}
    for point in plan.points:
        if point.setpoint.is_still:
            if point.number in passed:
                continue
        elif not point.setpoint.is_read:
            continue
        readings_n = (1 if point.setpoint.tap else wanted_n) * point.setpoint.readings_n
        if not point.setpoint.is_still and _read_n(table, point.number, taken) >= readings_n:
            continue
        if (point.number, taken.get(point.number, 0)) in finished:  # its time was over before its readings were
            continue
        reads = {each.step for each in plan.points if each.setpoint.is_read}
        cycle = (point.step, point.setpoint.cycle)
        first = next(index for index, each in enumerate(plan.points) if (each.step, each.setpoint.cycle) == cycle)
        exercise = tuple(
            each for each in plan.points[:first] if each.step not in reads and not _is_answered(each, passed)
        )
        left = (*exercise, *plan.points[first:])
        return Rest(points=(from_rest(left[0], plan.points), *left[1:]), taken=taken, began=began, passed_s=passed_s)
    return Rest(points=(), taken=taken, began=began, passed_s=passed_s)


def _is_answered(point: Point, passed: set[int]) -> bool:
    """An answer that was given stands; what was confirmed may have changed since, and what was waited for too."""
    return point.setpoint.is_still and point.setpoint.answer != "yes" and point.number in passed


def _read_n(table: pd.DataFrame, number: int, taken: dict[int, int]) -> int:
    """How many readings the last attempt at a point gave."""
    rows = table[(table["number"] == number) & (table["attempt"] == taken.get(number, 0))]
    return len(rows[["reading", "tap"]].drop_duplicates())
