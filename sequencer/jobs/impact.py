"""An instrument found out at its own calibration: every record that used it, judged again with its error known."""

import math
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import pandas as pd

from instruments.certificate import Certificate
from instruments.datasheet import DataSheet
from instruments.errors import InputError, LivezeroError, RecordError
from instruments.yamlfile import read
from sequencer.evaluation.budget import Basis
from sequencer.history.impact import (
    OTHER_KIND,
    RESTS_NOT,
    Affected,
    Impact,
    KnownError,
    error_from_text,
    with_error,
)
from sequencer.index.frames import Frames
from sequencer.index.looking import Progress
from sequencer.jobs.index_jobs import records
from sequencer.record.load import load

__all__ = ["impact"]


def impact(  # noqa: PLR0913  all but instrument and error by keyword
    instrument: str,
    error: str,
    *,
    since: str = "",
    until: str = "",
    bench: str = "",
    U: str = "",
    results: Path | str = "results",
    index: str = "",
    progress: Progress | None = None,
) -> Impact:
    """Every record that used an instrument, with its verdict once the error of that instrument is known.

    Args:
        instrument: its name in the bench file, what it says of itself or a part of that, or its certificate's number.
        error: "0.02 mA", "-0.1 % of reading", both; or the path of a certificate with its errors at points.
        since: ISO date of the first record; "" = all.
        until: of the last.
        bench: a part of the name of the bench it belongs to; "" = any.
        U: expanded uncertainty of the error; "" = what was stated of the instrument stays.
        results: folder of the records.
        index: URL or path of the index; "" = that of the folder.
        progress: told how many of how many records were judged again.

    Raises:
        InputError: the error or a date is none, the name stands for several instruments, or the error is of a signal
            that the instrument nowhere sets or reads.
        RecordError: no record used it.
    """
    known = _error(error, U)
    frames = records(results, index=index, instrument=instrument, since=since, until=until, bench=bench)
    names = _names(instrument, frames)
    if not names:
        raise RecordError(
            f'no record used an instrument "{instrument}"' + (f" since {since}" if since else ""),
            where=str(results),
            allowed=", ".join(_some(records(results, index=index, is_fresh=False).instruments)) or "none is kept here",
            todo="give its name in the bench file, or what it says of itself",
        )
    rows = frames.records[frames.records["record"].isin(list(names))]
    used = _used(frames.errors)
    found: list[Affected] = []
    for row in rows.to_dict("records"):
        told = {str(name): value for name, value in row.items()}
        found.append(_affected(told, used.get(row["record"], math.nan), names[row["record"]], known))
        if progress is not None:
            progress(len(found), len(rows))
    if all(each.reason == OTHER_KIND for each in found):
        raise InputError(
            f"{instrument} sets or reads no signal that an error of {known.text} could be of",
            where="--error",
            allowed="an error in the unit of what it sets or reads, or in % of reading",
        )
    return Impact(instrument=instrument, error=known.text, since=since, records=tuple(found))


def _error(text: str, U: str) -> KnownError:
    path = Path(text)
    if path.suffix not in {".yaml", ".yml"}:
        return error_from_text(text, U=U)
    document = read(path)
    certificate = document.into(Certificate)
    if not certificate.corrections:
        raise InputError("the certificate gives no errors at points", where=str(path), todo='add "corrections"')
    return KnownError(text=f"as of certificate {certificate.number or path.name}", certificate=certificate)


def _some(instruments: pd.DataFrame) -> Iterable[str]:
    return sorted(set(instruments["name"]))[:8] if len(instruments) else []


def _names(instrument: str, frames: Frames) -> dict[Any, list[str]]:
    """In each record the names of what was asked for: by name or number of the certificate, else by identity.

    Raises:
        InputError: the name stands for several.
    """
    rows = frames.instruments
    if rows.empty:
        return {}
    wanted = instrument.casefold()
    is_named = (rows["name"].str.casefold() == wanted) | (rows["certificate"].str.casefold() == wanted)
    if not is_named.any():
        is_named = rows["identity"].str.casefold().str.contains(wanted, regex=False)
    rows = rows[is_named]
    several = sorted(set(rows["identity"]) - {""})
    if len(several) > 1:
        raise InputError(
            f'"{instrument}" stands for {len(several)} instruments',
            allowed="; ".join(several[:6]),
            todo="give what the one says of itself, or its serial, or name its bench with --bench",
        )
    return {record: list(part["name"]) for record, part in rows.groupby("record")}


def _used(errors: pd.DataFrame) -> dict[Any, float]:
    """The worst error of each record as it stands, in % of its tolerance."""
    judged = errors[errors["is_judged"].astype(bool)]
    share = 100 * judged["error"].abs() / judged["tolerance_pct"]
    return {record: float(worst) for record, worst in share.groupby(judged["record"]).max().items()}


def _affected(row: dict[str, Any], before: float, names: list[str], error: KnownError) -> Affected:
    """One record, computed again; `before` is its worst error in % of tolerance."""
    touched: tuple[str, ...] = ()
    serves = False

    def as_if(basis: Basis, sheet: DataSheet) -> Basis:
        nonlocal touched, serves
        serves = any(each.instrument in names for each in basis.statements)
        changed, touched = with_error(basis, sheet, names, error)
        return changed

    after, used, reason = "", math.nan, ""
    try:
        again = load(Path(str(row["folder"])), as_if=as_if, seeks_causes=False).evaluation
        if again is None:
            reason = "nothing of it could be evaluated"
        elif not touched:
            reason = OTHER_KIND if serves else RESTS_NOT
        else:
            after = again.verdict.result
            used = math.nan if again.worst is None else abs(float(again.worst["used_pct"]))
    except LivezeroError as fault:
        reason = fault.what
    return Affected(
        folder=str(row["folder"]),
        serial=str(row["serial"]),
        state=str(row["state"]),
        at=None if pd.isna(row["started_at"]) else row["started_at"].to_pydatetime(),
        taps=touched,
        before=str(row["verdict"]),
        after=after,
        used_before=before,
        used_after=used,
        reason=reason,
        is_simulated=bool(row["is_simulated"]),
    )
