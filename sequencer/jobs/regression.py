"""Repaired units held against what they were: which records those are, read and compared."""

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from instruments.errors import LivezeroError, RecordError
from instruments.units import terms
from sequencer.history.envelope import envelope
from sequencer.history.regression import Beyond, Held, Regression, UnitRegression, held, judged, outside
from sequencer.index.frames import Frames
from sequencer.inputs.serials import serial_key
from sequencer.jobs.compare import margin_of, of_sides, side_of
from sequencer.jobs.index_jobs import index_of, records
from sequencer.jobs.over_time import of_serial
from sequencer.jobs.types import Sums, sums_of
from sequencer.record.digest import sealed_digest

__all__ = ["regression"]

_GOOD = {"pass", "conditional pass"}
_LEAST_UNITS_N = 3


def regression(
    serials: Sequence[str],
    *,
    results: Path | str = "results",
    index: str = "",
    margin: str = "",
    baseline: str = "",
    same_bench: bool = False,
) -> Regression:
    """Hold each unit, as it is now, against its as-found run, its last good record or a baseline, and its type.

    A unit of which nothing can be said has its reason, and stops no other.

    Args:
        serials: of the units.
        results: folder of their records.
        index: URL or path of the index; "" = that of the folder.
        margin: within which they are to be as before, as a tolerance is written; "" = half the tolerance.
        baseline: name of the one that decides in place of the last good record; "" = none.
        same_bench: a person says that the same instruments were used, in the same ranges.

    Raises:
        InputError: the margin is none, or none for such a unit.
        RecordError: there is no such folder, or the index cannot be reached.
    """
    if margin:
        terms(margin, bases=("span", "reading", "output", "full scale"))
    records(results, index=index)  # once for all; that the index cannot be reached is no result of a unit
    types: dict[str, Sums] = {}
    found = []
    for serial in serials:
        try:
            frames = of_serial(serial, results, index=index, is_fresh=False)
            found.append(_unit(serial, frames, types, Path(results), index, margin, baseline, same_bench=same_bench))
        except RecordError as error:
            found.append(UnitRegression(serial=serial, reason=error.what))
    return judged(found, margin=margin)


def _unit(
    serial: str,
    frames: Frames,
    types: dict[str, Sums],
    results: Path,
    index: str,
    margin: str,
    baseline: str,
    *,
    same_bench: bool,
) -> UnitRegression:
    told = frames.records
    whole = told[(told["condition"] == "whole") & (told["status"] == "complete")].reset_index(drop=True)
    left = whole[whole["state"] == "as left"]
    if whole.empty:
        return UnitRegression(serial=serial, reason="no record of it is whole and complete")
    now = whole.loc[left.index[-1] if len(left) else whole.index[-1]]
    before = whole[whole.index < now.name]
    found = before[before["state"] == "as found"]
    passed = before[before["verdict"].isin(_GOOD)]
    earlier = passed[passed.index < found.index[-1]] if len(found) else passed
    good = earlier if len(earlier) else passed  # as found, where it passed and there is none before
    pairs = [("as found", str(found.iloc[-1]["folder"]), False)] if len(found) else []
    reason = ""
    if baseline:
        pairs.append((f"baseline {baseline}", _pinned(frames, baseline, now), True))
    elif len(good):
        pairs.append(("last good", str(good.iloc[-1]["folder"]), True))
    else:
        reason = "there is no earlier good record of it, and no baseline was named"

    mine = side_of(Path(str(now["folder"])), seeks_causes=False)
    margin_of(mine.sheet, margin)  # one that is none for such a unit is a fault of the question, not of the unit
    sides: list[Held] = []
    for name, folder, decides in pairs:
        if Path(folder).name == Path(str(now["folder"])).name:
            reason = reason or f"{name} is the last record of the unit itself: run it again"
            continue
        try:
            compared = of_sides(side_of(Path(folder), seeks_causes=False), mine, margin=margin, same_bench=same_bench)
            sides.append(held(name, compared, decides=decides))
        except LivezeroError as error:
            reason = reason or (f"{name}: {error.what}" if decides else "")
    units_n, beyond = _type(now, frames, types, results, index)
    return UnitRegression(
        serial=str(now["serial"]),
        folder=str(now["folder"]),
        verdict=str(now["verdict"]),
        held=tuple(sides),
        type_units_n=units_n,
        beyond=beyond,
        reason=reason,
        is_simulated=bool(now["is_simulated"]),
    )


def _pinned(frames: Frames, name: str, now: "pd.Series[str]") -> str:
    """Folder of the baseline of a name: that of the unit, else that of its type.

    Raises:
        RecordError: there is none, or its record is not the one that was pinned.
    """
    known = frames.baselines
    rows = known[(known["name"] == name) & ((known["serial"] != "") | (known["type"] == now["type"]))]
    own = rows[rows["serial"] != ""]
    if rows.empty:
        raise RecordError(
            f'there is no baseline "{name}" of it or of its type',
            allowed=", ".join(sorted(set(known["name"]))) or "none is pinned",
            todo="livezero baseline RECORD --name NAME",
        )
    row = (own if len(own) else rows).iloc[-1]
    folder = Path(str(row["folder"]))
    there = folder if folder.is_absolute() else Path(str(now["folder"])).parent / folder
    if sealed_digest(there) != row["digest"]:
        raise RecordError(f'the record of baseline "{name}" is not the one that was pinned', where=str(there))
    return str(there)


def _type(
    now: "pd.Series[str]", frames: Frames, types: dict[str, Sums], results: Path, index: str
) -> tuple[int, tuple[Beyond, ...]]:
    """How many other units of the type there are, and where the unit is outside them."""
    type_ = str(now["type"])
    if type_ not in types:
        types[type_] = sums_of(type_, index_of(results, index), results, is_good=True)
    own = serial_key(str(now["serial"])).upper()
    points = types[type_].points
    points = points[points["serial"] != own]
    units_n = int(points["serial"].nunique())
    if units_n < _LEAST_UNITS_N:
        return 0, ()
    of_type = envelope(type_, points, types[type_].figures.iloc[:0], records_n=types[type_].records_n)
    errors = frames.errors
    mine = errors[(errors["record"] == now["record"]) & (errors["stage"] == "")]
    means = {
        (float(str(place[0])), str(place[1])): (float(part["error"].mean()), float(part["U"].mean()))
        for place, part in mine.groupby(["setpoint_pct", "direction"])
    }
    return units_n, outside(of_type, means)
