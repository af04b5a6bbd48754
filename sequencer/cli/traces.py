"""The command that tells what a trace of an oscilloscope is."""

from pathlib import Path
from typing import Any

import click

from sequencer.cli.console import WIDTH, json_option, print_json

__all__ = ["trace_command"]


@click.command("trace")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("other", required=False, type=click.Path(path_type=Path))
@click.option("--pulses-per-revolution", type=click.IntRange(2, 100_000), help="Pulses of one revolution of the wheel.")
@click.option("--column", default="", help="Column by name, or channel by number; else the first after the time.")
@click.option("--interval", help='Time from sample to sample of a file without times: "10 us".')
@click.option(
    "--thresholds", type=(float, float), help="Lower and upper threshold of a count, in the unit of the trace."
)
@click.option("--report", "page", type=click.Path(path_type=Path), help="Write a report to this file, .html or .pdf.")
@json_option
def trace_command(
    file: Path,
    other: Path | None,
    pulses_per_revolution: int | None,
    column: str,
    interval: str | None,
    thresholds: tuple[float, float] | None,
    page: Path | None,
    *,
    as_json: bool,
) -> None:
    """Tell what a trace from an oscilloscope (CSV or WAV FILE) is, what causes it, and what to check next.

    With an OTHER trace of the same signal, what changed from the first to it: drive off
    and on, before and after a filter.

    \b
    Examples:
      livezero trace pickup.csv --pulses-per-revolution 60
      livezero trace pickup.csv --report pickup.html
      livezero trace off.csv on.csv --thresholds 1.5 3.5 --report drive.html
    """
    from instruments.units import magnitude, quantity  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415
    from sequencer.diagnosis import waveform as tracing  # noqa: PLC0415
    from sequencer.diagnosis.trace_pair import pair_json  # noqa: PLC0415

    interval_s = None if interval is None else magnitude(quantity(interval, like="s"), "s", where="--interval")
    given: dict[str, Any] = {
        "column": column,
        "interval_s": interval_s,
        "pulses_per_revolution": pulses_per_revolution,
        "thresholds": thresholds,
    }
    if other is not None:
        pair = core.compare_traces(file, other, page=page, **given)
        if as_json:
            print_json(pair_json(pair))
            return
        from sequencer.reports.terminal import pair_text  # noqa: PLC0415

        click.echo(pair_text(pair, file.name, other.name, width=WIDTH))
        return
    found = core.trace(file, page=page, **given)
    if as_json:
        print_json(tracing.as_json(found))
        return
    from sequencer.reports.terminal import trace_text  # noqa: PLC0415

    click.echo(trace_text(found, file.name, width=WIDTH))
