"""The command for many units of one type: batch; and how a batch is gone on with, closed and shown."""

import contextlib
import math
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from instruments.clock import RealClock
from sequencer.cli.bench import bench_options, completed_from
from sequencer.cli.console import (
    WIDTH,
    AtTerminal,
    acknowledge_option,
    in_lines,
    json_option,
    named_options,
    print_json,
    printable,
    say,
    tell_error,
)

if TYPE_CHECKING:
    from instruments.session import Exchange
    from sequencer.jobs.batch import BatchResult
    from sequencer.planning.plan import Plan
    from sequencer.running.events import Event

__all__ = ["batch_command", "close_units", "resume_units", "show_batch_report"]


class Followed:
    """What shows a batch while it goes on: a line a point, traced exchanges, events for another program.

    Args:
        plan: of the batch; None = it is not known, and nothing will be begun.
        units_n: how many units are to be tested.
    """

    def __init__(
        self, plan: "Plan | None", units_n: int, *, confirm: bool, as_json: bool, as_events: bool, is_traced: bool
    ) -> None:
        if as_json and as_events:
            raise click.UsageError("--json prints one document, --events a line for each event: take one of them")
        from sequencer.reports.batch_time_left import BatchTimeLeft  # noqa: PLC0415

        self._time = BatchTimeLeft(plan, units_n, RealClock()) if plan is not None and units_n else None
        self._points_n = len(plan.points) if plan is not None else 0
        self._as_events = as_events
        self._is_live = sys.stderr is not None and sys.stderr.isatty() and not is_traced
        self.operator = AtTerminal(contextlib.nullcontext, cautions_confirmed=confirm)
        self.trace = self._traced if is_traced else None

    def tell_time(self) -> None:
        """Say how long it is expected to take."""
        if self._time is not None:
            from sequencer.reports.terminal import units_time_text  # noqa: PLC0415

            click.echo(f"takes {units_time_text(self._time.told)}", err=True)

    def listener(self, serial: str, event: "Event") -> None:
        """Show an event of a unit; "" = of all."""
        from sequencer.reports.as_text import duration  # noqa: PLC0415
        from sequencer.running.events import Dropped, MadeSafe, Planned, PointBegun, Remarked, event_document  # noqa: PLC0415

        if self._time is not None:
            self._time.take(event)
        if self._as_events:
            from instruments.texts import as_json  # noqa: PLC0415

            document = event_document(event) | ({"serial": serial} if serial else {})
            if isinstance(event, Planned) and self._time is not None:
                told = self._time.told
                document |= {"units": told.units_n, "units_estimate_s": round(told.estimate_s, 3)}
            click.echo(as_json(document))
        elif isinstance(event, PointBegun) and self._is_live:
            setpoint = 100 * event.point.setpoint.frac
            left = f", {duration(self._time.left_s)} left" if self._time is not None else ""
            click.echo(f"point {event.point.number} of {self._points_n}: {setpoint:g} %{left}", err=True)
        elif isinstance(event, Remarked):
            click.echo(printable(f"{serial + ': ' if serial else ''}{event.text}"), err=True)
        elif isinstance(event, Dropped):
            click.echo(printable(f"{event.serial}: DROPPED: {event.reason}"), err=True)
        elif isinstance(event, MadeSafe):
            from instruments.roles import said_safe  # noqa: PLC0415

            click.echo(printable(said_safe(event.instrument, event.level, is_proved=event.is_proved)), err=True)

    @staticmethod
    def _traced(exchange: "Exchange") -> None:
        from sequencer.reports.terminal import exchange_line  # noqa: PLC0415

        click.echo(exchange_line(exchange, width=WIDTH), err=True)


def _serials(given: str | None, file: Path | None, *, places_n: int | None) -> tuple[str, ...]:
    """The serials of the units: from the options, or typed one by one."""
    from sequencer.inputs.serials import from_table, from_text, typed  # noqa: PLC0415

    if given is not None and file is not None:
        raise click.UsageError("--serials and --serials-from both give the units: take one of them")
    if given is not None:
        return from_text(given)
    if file is not None:
        from instruments.errors import InputError  # noqa: PLC0415

        try:
            text = file.read_text(encoding="utf-8-sig")
        except UnicodeDecodeError as error:
            raise InputError("is no text in UTF-8", where=str(file), todo="save it as plain text or CSV") from error
        return from_table(text, where=str(file))
    at_most = f", at most {places_n}" if places_n is not None else ""
    say(f"Serials of the units, one a line{at_most}; read the codes or type them. An empty line ends.")
    return typed(_Reader().ask, most_n=places_n, refused=tell_error)


class _Reader:
    """Asks for the serial of a unit at the terminal, where a person types or a barcode reader does.

    A reader that ends each code with carriage return and line feed types Enter twice: the second one ends no list.
    """

    _AT_ONCE_S = 0.25

    def __init__(self) -> None:
        self._clock = RealClock()
        self._typed_at = -math.inf

    def ask(self, number: int) -> str | None:
        """The line for the unit of this number; None = the input is at its end."""
        click.echo(f"unit {number}: ", err=True, nl=False)
        while True:
            line = sys.stdin.readline() if sys.stdin is not None else ""
            if not line:
                return None
            is_second_end = not line.strip() and self._clock.now() - self._typed_at < self._AT_ONCE_S
            self._typed_at = self._clock.now()
            if not (is_second_end and sys.stdin.isatty()):
                return line


@click.command("batch")
@click.argument("sequence", shell_complete=completed_from("sequences"))
@bench_options
@click.option("--serials", metavar="A1,A2,...", help="Serials of the units, in the order of the places.")
@click.option("--serials-from", "file", type=click.Path(path_type=Path), help="The same from a text or CSV file.")
@click.option("--drop-failed", is_flag=True, help="Give up a unit that is dead or certain to fail; the others go on.")
@click.option("--as-found", is_flag=True, help="The units are as they came; nothing was adjusted.")
@click.option("--as-left", is_flag=True, help="The units were adjusted or repaired.")
@click.option("--results", default="results", show_default=True, help="Folder for the records.")
@click.option("--operator", default="", help="Who does it, for the records.")
@click.option("--confirm", is_flag=True, help="Every caution of the sequence has been read and observed.")
@click.option("--trace", "is_traced", is_flag=True, help="Show every exchange with an instrument on stderr.")
@click.option("--events", "as_events", is_flag=True, help="Print each event as a line of JSON on stdout.")
@acknowledge_option
@named_options
@json_option
def batch_command(  # noqa: PLR0913  one an option
    sequence: str,
    bench: str,
    faults: tuple[str, ...],
    seed: int | None,
    serials: str | None,
    file: Path | None,
    results: str,
    operator: str,
    *,
    drop_failed: bool,
    as_found: bool,
    as_left: bool,
    confirm: bool,
    acknowledged_by: str,
    low_tur_accepted: str,
    bench_cleared: str,
    **watched: bool,
) -> None:
    """Run SEQUENCE with many units of one type, and show what they have in common.

    Where the bench file has "units", a scanner connects them, and the source drives
    all together or one after another; else you move the leads, once a unit. Without
    --serials they are typed, or read by a barcode reader: an empty line ends.

    \b
    Exit status: 0 all pass, 1 not all, 2 input or plan at fault, 3 bench fault
    (made safe), 4 NOT made safe, 130 interrupted (made safe).
    \b
    Example:
      livezero batch pulse-to-current --bench simulated-batch --serials A1,A2,A3
    """
    from sequencer import core  # noqa: PLC0415

    if as_found and as_left:
        raise click.UsageError("a batch is as found or as left, not both")
    named = core.load_bench(bench, faults=faults, seed=seed)
    core.prove_safe(named, acknowledged_by=acknowledged_by, say=say)
    planned = core.plan(sequence, named, results=results)
    if why := core.why_plan_one_by_one(planned):
        click.echo(in_lines(f"{why}: the units are tested one after another, each by a whole run"), err=True)
    units = named.file.units
    given = _serials(serials, file, places_n=None if units is None else len(units.places))
    follow = Followed(planned, len(given), confirm=confirm, **watched)
    follow.tell_time()
    result = core.batch(
        planned,
        serials=given,
        results=Path(results),
        state="as found" if as_found else "as left" if as_left else "",
        operator_name=operator,
        operator=follow.operator,
        listener=follow.listener,
        trace=follow.trace,
        low_tur_accepted=low_tur_accepted,
        bench_cleared=bench_cleared,
        drops_failed=drop_failed,
    )
    _show(result, **watched)


def resume_units(folder: Path, *, operator: str, confirm: bool, acknowledged_by: str, **watched: bool) -> None:
    """Go on with a batch, and leave with its exit code."""
    from sequencer import core  # noqa: PLC0415

    planned, left_n = core.left_of(folder)
    follow = Followed(planned, left_n, confirm=confirm, **watched)
    follow.tell_time()
    result = core.resume_batch(
        folder,
        operator=follow.operator,
        operator_name=operator,
        listener=follow.listener,
        trace=follow.trace,
        acknowledged_by=acknowledged_by,
        say=say,
    )
    _show(result, **watched)


def close_units(folder: Path, *, acknowledged_by: str, as_json: bool) -> None:
    """End every unit of a batch that is not over: judge what is there, seal; then show the batch."""
    from sequencer import core  # noqa: PLC0415

    operator = AtTerminal(contextlib.nullcontext, cautions_confirmed=False)
    codes = []
    for record in core.open_records_of(folder):
        result = core.close(record, operator=operator, acknowledged_by=acknowledged_by, say=say)
        for error in (result.outcome.error, result.unwritten):
            if error is not None:
                tell_error(error)
                codes.append(error.exit_code)
    show_batch_report(folder, as_json=as_json)
    sys.exit(max(codes, default=0))


def show_batch_report(folder: Path, *, as_json: bool, to: Path | None = None) -> None:
    """The page of a batch written again, and what it says."""
    from sequencer import core  # noqa: PLC0415

    content, page = core.batch_report(folder, to=to)
    if as_json:
        print_json(core.batch_document(content) | {"report": str(page)})
        return
    from sequencer.reports.terminal import batch_text  # noqa: PLC0415

    click.echo(batch_text(content, width=WIDTH))
    click.echo(printable(f"page: {page}"))


def _show(result: "BatchResult", *, as_json: bool, as_events: bool, is_traced: bool) -> None:
    """A batch that is over or stopped, as text or as a document; leaves with its exit code."""
    from instruments.texts import as_json as line_of  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415

    del is_traced
    for error in (result.error, result.unwritten):
        if error is not None:
            tell_error(error)
    if result.can_resume:
        click.echo(printable(f"  do: livezero resume {result.folder}"), err=True)
        click.echo(printable(f"  or: livezero close {result.folder}"), err=True)
    if as_json:
        print_json(core.batch_document(result.content) | {"folder": str(result.folder)})
    elif as_events:
        for unit in result.content.units:
            judged = {"event": "judged", "serial": unit.serial, "result": unit.result, "record": unit.folder}
            click.echo(line_of(judged))
        click.echo(line_of({"event": "batch", "passed": result.content.is_pass, "folder": str(result.folder)}))
    else:
        from sequencer.reports.terminal import batch_text  # noqa: PLC0415

        click.echo(batch_text(result.content, width=WIDTH))
        if result.page is not None:
            click.echo(printable(f"page: {result.page}"))
    sys.exit(result.exit_code)
