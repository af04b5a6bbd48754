"""The commands that ask many records at once: history, repaired."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sequencer.cli.console import WIDTH, json_option, print_json, printable
from sequencer.cli.index import index_options, progress_shown
from sequencer.cli.naming import found as found_record
from sequencer.cli.naming import results_option

if TYPE_CHECKING:
    from sequencer.reports.sections import Told

__all__ = [
    "baseline_command",
    "control_command",
    "envelope_command",
    "history_command",
    "impact_command",
    "regression_command",
    "repaired_command",
]


def page_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option --to of a command, as its argument `page`."""
    return click.option(
        "--to",
        "page",
        type=click.Path(path_type=Path),
        callback=_page,
        help="Write it with its plots to this page, .html or .pdf.",
    )(command)


def _page(context: click.Context, parameter: click.Parameter, path: Path | None) -> Path | None:
    """A page by its name, refused before anything is asked for."""
    del context, parameter
    if path is not None:
        from sequencer.jobs.pages import refuse_other_kinds  # noqa: PLC0415

        refuse_other_kinds(path)
    return path


def show_told(told: "Told", page: Path | None, *, title: str, on_page: "Told | None" = None) -> None:
    """A report on stdout, and as a page where one is wanted; `on_page` in place of it there."""
    from sequencer.jobs.over_time import write_told  # noqa: PLC0415
    from sequencer.reports.terminal import sections_text  # noqa: PLC0415

    click.echo(sections_text(told, width=WIDTH))
    if page is not None:
        click.echo(printable(f"page: {write_told(on_page or told, page, title=title)}"))


def as_share(text: str) -> float:
    """A share: "95 %" or 0.95."""
    from instruments.units import magnitude, quantity  # noqa: PLC0415

    return magnitude(quantity(text, like="%"), "%") / 100 if "%" in text else float(quantity(text, like="").magnitude)


@click.command("history")
@click.argument("serial")
@index_options
@page_option
@click.option("--reliability", default="95 %", show_default=True, help="Share of runs as found to be in tolerance.")
@click.option("--with-interval", is_flag=True, help="The page too has the advice on the calibration interval.")
@json_option
def history_command(
    serial: str, results: Path, index: str, page: Path | None, reliability: str, *, with_interval: bool, as_json: bool
) -> None:
    """Show how the unit SERIAL was found and left, run by run, and how it drifts.

    Drift is from as left to the next as found: an adjustment or a repair breaks the line.
    The advice on the interval is for the workshop; the page, which a customer may get, has
    it only with --with-interval (ISO/IEC 17025:2017, 7.8.4.3).

    \b
    Example:
      livezero history GF-104 --to GF-104.html
    """
    from sequencer.jobs.over_time import history, write_told  # noqa: PLC0415
    from sequencer.reports.unit_history import history_document, told  # noqa: PLC0415

    found, advice = history(serial, results=results, index=index, target=as_share(reliability))
    on_page = told(found, advice if with_interval else None)
    title = f"History of {found.serial}"
    if as_json:
        if page is not None:
            write_told(on_page, page, title=title)
        print_json(history_document(found, advice))
        return
    show_told(told(found, advice), page, title=title, on_page=on_page)


@click.command("control")
@click.argument("serial")
@index_options
@page_option
@click.option("--bench", default="", help="Bench that is asked about, by a part of its name.")
@click.option(
    "--figure", "figures", multiple=True, help="Figure to chart, in % of span; zero and span error unless given."
)
@click.option(
    "--limits-from", "base", type=click.IntRange(8), default=20, show_default=True, help="Runs the limits are from."
)
@json_option
def control_command(
    serial: str,
    results: Path,
    index: str,
    page: Path | None,
    bench: str,
    figures: tuple[str, ...],
    base: int,
    *,
    as_json: bool,
) -> None:
    """Show the control chart of the check unit SERIAL: whether its bench is in control.

    The limits come from its first runs. A bench file with "check unit: SERIAL" has each run
    on a bench that is out of control, or was not checked that day, remarked.

    \b
    Exit status: 0 in control at the last run; 1 out of control, or too few runs;
    2 input at fault.
    \b
    Example:
      livezero control CU-1 --to bench-1.html
    """
    from datetime import UTC, datetime  # noqa: PLC0415

    from sequencer.jobs.check_unit import control_chart  # noqa: PLC0415
    from sequencer.jobs.over_time import write_told  # noqa: PLC0415
    from sequencer.reports.control_chart import control_document, told  # noqa: PLC0415

    more = {"figures": figures} if figures else {}
    found = control_chart(serial, results=results, index=index, bench=bench, base_n=base, **more)
    title = f"Control chart of {found.bench}"
    if as_json:
        if page is not None:
            write_told(told(found, today=datetime.now(UTC).date()), page, title=title)
        print_json(control_document(found))
    else:
        show_told(told(found, today=datetime.now(UTC).date()), page, title=title)
    sys.exit(0 if found.is_in_control else 1)


@click.command("envelope")
@click.argument("type_name", metavar="TYPE")
@index_options
@page_option
@click.option(
    "--state", type=click.Choice(["as found", "as left"]), default=None, help="Runs as found, or as left, alone."
)
@click.option("--good", is_flag=True, help="Runs that passed alone.")
@click.option(
    "--parquet", type=click.Path(path_type=Path), help="Ask a copy of all records in this folder (needs duckdb)."
)
@json_option
def envelope_command(
    type_name: str,
    results: Path,
    index: str,
    page: Path | None,
    state: str | None,
    parquet: Path | None,
    *,
    good: bool,
    as_json: bool,
) -> None:
    """Show what the units of a TYPE do, how far they spread, and a tolerance for it.

    TYPE is the name of its type sheet, or a part of it. With many records a copy of them is
    made as Parquet beside the index, and asked by duckdb: pip install "livezero[types]".

    \b
    Example:
      livezero envelope "glycol flow converter" --to glycol-flow.html
    """
    from sequencer.jobs.over_time import write_told  # noqa: PLC0415
    from sequencer.jobs.types import type_envelope  # noqa: PLC0415
    from sequencer.reports.type_envelope import envelope_document, told  # noqa: PLC0415

    found = type_envelope(type_name, results=results, index=index, state=state or "", is_good=good, store=parquet)
    title = f"Envelope of {found.type}"
    if as_json:
        if page is not None:
            write_told(told(found), page, title=title)
        print_json(envelope_document(found))
        return
    show_told(told(found), page, title=title)


@click.command("regression")
@click.argument("serials", metavar="SERIAL...", nargs=-1, required=True)
@index_options
@page_option
@click.option("--within", default="", help='Margin: "0.1 % of span"; half the tolerance unless given.')
@click.option("--baseline", default="", help="Name of the pinned record that decides, in place of the last good one.")
@click.option("--same-bench", is_flag=True, help="The same instruments took all records, in the same ranges.")
@json_option
def regression_command(
    serials: tuple[str, ...],
    results: Path,
    index: str,
    page: Path | None,
    within: str,
    baseline: str,
    *,
    same_bench: bool,
    as_json: bool,
) -> None:
    """Hold repaired units, each by SERIAL, against what they were before.

    Each as it is now (its last run as left) against its as-found run, its last good record
    or a baseline, and the good units of its type. As before is what two one-sided tests
    show at every point, within the margin.

    \b
    Exit status: 0 every unit is as before and passes; 1 one is changed, or that
    it is as before is not shown; 2 input at fault.
    \b
    Example:
      livezero regression GF-104 GF-105 --within "0.1 % of span"
    """
    from sequencer.jobs.over_time import write_told  # noqa: PLC0415
    from sequencer.jobs.regression import regression  # noqa: PLC0415
    from sequencer.reports.regression import regression_document, told  # noqa: PLC0415

    found = regression(serials, results=results, index=index, margin=within, baseline=baseline, same_bench=same_bench)
    if as_json:
        if page is not None:
            write_told(told(found), page, title="Regression")
        print_json(regression_document(found))
    else:
        show_told(told(found), page, title="Regression")
    sys.exit(0 if found.is_as_before else 1)


@click.command("baseline")
@click.argument("record", type=click.Path(path_type=Path))
@click.option("--name", required=True, help="What it is called by regression --baseline; the last of a name counts.")
@click.option("--by", required=True, help="Who chose it.")
@click.option("--why", default="", help="Why it was chosen.")
@click.option("--of-type", is_flag=True, help="For every unit of its type, not for this one alone.")
@results_option
@json_option
def baseline_command(
    record: Path, name: str, by: str, why: str, results: Path, *, of_type: bool, as_json: bool
) -> None:
    """Pin a RECORD by a name, so that later runs are held against it.

    A RECORD is named by its folder; by the serial of its unit, whose last one is taken; by
    SERIAL@as-found, SERIAL@as-left or SERIAL@DATE; or by its digest. The digest is kept
    with the name: another record in its place is refused.

    \b
    Example:
      livezero baseline GF-104@as-left --name delivery --by "A. Cellarman"
    """
    from sequencer.jobs.index_jobs import pin_baseline  # noqa: PLC0415

    line = pin_baseline(found_record(record, results), name=name, by=by, why=why, is_of_type=of_type)
    if as_json:
        print_json(line)
    click.echo(printable(f'pinned; livezero regression {line["serial"] or "SERIAL"} --baseline "{name}"'), err=True)


@click.command("impact")
@click.argument("instrument")
@click.option(
    "--error", required=True, help='What it was wrong by: "0.02 mA", "-0.1 % of reading", or a certificate.yaml.'
)
@click.option("--uncertainty", "U", default="", help="Expanded uncertainty of that error; else as was stated before.")
@click.option("--since", default="", help="Date of the first record: when it was last known to be right.")
@click.option("--until", default="", help="Date of the last record.")
@click.option("--bench", default="", help="Bench that it belongs to, where several have one of that name.")
@index_options
@page_option
@json_option
def impact_command(  # noqa: PLR0913, PLR0917  one an option
    instrument: str,
    error: str,
    U: str,
    since: str,
    until: str,
    bench: str,
    results: Path,
    index: str,
    page: Path | None,
    *,
    as_json: bool,
) -> None:
    """Judge again all that rested on an INSTRUMENT which was found out at its own calibration.

    INSTRUMENT is its name in the bench file, what it says of itself, or the number of its
    certificate. An error is what a meter shows less what is true, or what a source gives
    less what it is set to. No record is altered.

    \b
    Exit status: 0 no verdict changes; 1 one does, or could not be judged
    again; 2 input at fault.
    \b
    Example:
      livezero impact meter --since 2026-01-05 --error "0.02 mA"
    """
    from sequencer.jobs.impact import impact  # noqa: PLC0415
    from sequencer.jobs.over_time import write_told  # noqa: PLC0415
    from sequencer.reports.impact import impact_document, told  # noqa: PLC0415

    asked = {"since": since, "until": until, "bench": bench, "U": U}
    found = impact(instrument, error, **asked, results=results, index=index, progress=progress_shown)
    title = f"Impact of {found.instrument}"
    if as_json:
        if page is not None:
            write_told(told(found), page, title=title)
        print_json(impact_document(found))
    else:
        show_told(told(found), page, title=title)
    sys.exit(1 if found.changed or found.unknown else 0)


@click.command("repaired")
@click.argument("serial")
@click.option("--part", required=True, help="Part that was repaired or changed.")
@click.option("--by", required=True, help="Who did it.")
@click.option("--text", default="", help="What was done.")
@click.option("--date", help="When, if not now: 2026-03-01, or with time and zone.")
@click.option("--no-record-yet", "is_first", is_flag=True, help="The unit was never run here.")
@results_option
@json_option
def repaired_command(
    serial: str, part: str, by: str, text: str, date: str | None, results: Path, *, is_first: bool, as_json: bool
) -> None:
    """Keep that the unit SERIAL was repaired; its history shows it, and its drift begins anew.

    \b
    Example:
      livezero repaired GF-104 --part "input board" --by "A. Cellarman"
    """
    from sequencer.jobs.index_jobs import repaired  # noqa: PLC0415
    from sequencer.jobs.over_time import as_date  # noqa: PLC0415

    line = repaired(results, serial, part=part, by=by, text=text, date=as_date(date), is_first=is_first)
    if as_json:
        print_json(line)
    shown = "once it was run" if is_first else "with its runs"
    click.echo(printable(f"kept; livezero history {serial} shows it {shown}"), err=True)
