"""Whether a bench is in control: the chart of its check unit, and what a run on it is to be remarked with."""

from datetime import date
from pathlib import Path

from instruments.errors import InputError, LivezeroError
from sequencer.history.check_unit import BASE_N, FIGURES, CheckUnit, check_unit

__all__ = ["bench_remark", "control_chart"]


def control_chart(
    serial: str,
    *,
    results: Path | str = "results",
    index: str = "",
    bench: str = "",
    figures: tuple[str, ...] = FIGURES,
    base_n: int = BASE_N,
) -> CheckUnit:
    """The control chart of a check unit on a bench.

    Args:
        serial: of the unit.
        results: folder of its records.
        index: URL or path of the index; "" = that of the folder.
        bench: name of the bench or a part of it; "" = the one it was run on.
        figures: that are charted, of those in % of span.
        base_n: runs, the first ones, that the limits come from.

    Raises:
        InputError: several benches, or no such figure.
        RecordError: there is no record of it.
    """
    from sequencer.jobs.over_time import of_serial  # noqa: PLC0415  a run without a check unit loads no database

    frames = of_serial(serial, results, index=index)
    known = sorted({each for each in frames.records["bench"] if bench.casefold() in each.casefold()})
    if len(known) != 1:
        raise InputError(
            f"the unit {serial} was run on {len(known)} benches" + (f' like "{bench}"' if bench else ""),
            allowed="; ".join(known or sorted(set(frames.records["bench"]))),
            todo="name one with --bench",
        )
    there = set(frames.figures.loc[(frames.figures["stage"] == "") & (frames.figures["unit"] == "% of span"), "figure"])
    if missing := [each for each in figures if each not in there]:
        raise InputError(
            f'the records of {serial} have no figure "{missing[0]}" in % of span', allowed=", ".join(sorted(there))
        )
    named = str(frames.records["serial"].iloc[-1])
    return check_unit(frames.records, frames.figures, serial=named, bench=known[0], names=figures, base_n=base_n)


def bench_remark(serial: str, bench: str, results: Path | str, today: date) -> str:
    """What is to be said of a run today on a bench with this check unit; "" if nothing. It never stops a run."""
    from sequencer.jobs.index_jobs import records  # noqa: PLC0415  a run without a check unit loads no database

    try:
        frames = records(results, serial=serial)
        found = check_unit(frames.records, frames.figures, serial=serial, bench=bench)
    except LivezeroError as error:
        return f"whether the bench is in control is not known: {error.what}"
    return found.remark(today)
