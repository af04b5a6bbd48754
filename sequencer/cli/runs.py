"""The commands for runs that did not finish (resume, close), and how a run is watched from a terminal or a pipe."""

import contextlib
import sys
from collections.abc import Callable
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import click

from sequencer.cli.batch import close_units, resume_units
from sequencer.cli.console import (
    WIDTH,
    AtTerminal,
    acknowledge_option,
    json_option,
    print_json,
    print_summary,
    printable,
    say,
    tell_error,
    trials_option,
)
from sequencer.cli.naming import found, results_option
from sequencer.cli.typed_ahead import discard_typed_ahead

if TYPE_CHECKING:
    from instruments.errors import StoppedError
    from instruments.session import Exchange
    from sequencer.jobs.drive import RunResult
    from sequencer.planning.plan import Plan
    from sequencer.running.events import Event

__all__ = [
    "Watch",
    "close_command",
    "drive_options",
    "resume_command",
    "salvage_command",
    "see_to_cut_off",
    "show_result",
]


def drive_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """What a run is begun or resumed with: `operator`, `confirm`, `pursue`, `trials`; and how it is watched."""
    for option in (
        click.option("--trace", "is_traced", is_flag=True, help="Show every exchange with an instrument on stderr."),
        click.option("--events", "as_events", is_flag=True, help="Print each event as a line of JSON on stdout."),
        acknowledge_option,
        json_option,
        trials_option,
        click.option(
            "--pursue", is_flag=True, help="Measure additional points while one tells more of the causes than it costs."
        ),
        click.option("--confirm", is_flag=True, help="Every caution of the sequence has been read and observed."),
        click.option("--operator", default="", help="Who does it, for the record."),
    ):
        command = option(command)
    return command


class Watch:
    """What shows a run while it goes on: live view, traced exchanges, events for another program."""

    def __init__(self, plan: "Plan", *, confirm: bool, as_json: bool, as_events: bool, is_traced: bool) -> None:
        from rich.console import Console  # noqa: PLC0415

        from sequencer.reports.live import LiveView  # noqa: PLC0415

        if as_json and as_events:
            raise click.UsageError("--json prints one document, --events a line for each event: take one of them")
        # Between the lines of a trace there is no place for a view that is drawn over and over.
        self._view = LiveView(plan, Console(stderr=True, force_terminal=False if is_traced else None))
        self._as_events = as_events
        self.operator = AtTerminal(self._view.paused, cautions_confirmed=confirm)
        self.trace: Callable[[Exchange], None] | None = self._traced if is_traced else None

    def listener(self, event: "Event") -> None:
        """Show an event."""
        self._view(event)
        if self._as_events:
            from instruments.texts import as_json  # noqa: PLC0415
            from sequencer.running.events import event_document  # noqa: PLC0415

            click.echo(as_json(event_document(event)))

    @staticmethod
    def _traced(exchange: "Exchange") -> None:
        from sequencer.reports.terminal import exchange_line  # noqa: PLC0415

        click.echo(exchange_line(exchange, width=WIDTH), err=True)

    def __enter__(self) -> Self:
        self._view.__enter__()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._view.__exit__(kind, error, trace)


def _tell_errors(result: "RunResult") -> None:
    """What went wrong with a run, and with keeping it."""
    for error in (result.outcome.error, result.unwritten):
        if error is not None:
            tell_error(error)
    if result.not_indexed is not None:
        say(f"the record is kept; it is handed over to the index later, since {result.not_indexed.what}")


def show_result(result: "RunResult", *, as_json: bool, as_events: bool, is_traced: bool) -> None:
    """A run that is over, as text or as a document; leaves with its exit code."""
    from instruments.texts import as_json as line_of  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415

    del is_traced
    _tell_errors(result)
    if result.outcome.can_resume:
        _say_how_to_go_on(result.record.folder)
    if as_json:
        print_json(core.document(result.record.content))
    elif as_events:
        verdict = {"result": result.verdict.result}
        click.echo(line_of({"event": "judged"} | verdict | {"record": str(result.record.folder)}))
    else:
        print_summary(result.record.content)
        if result.unwritten is None:
            click.echo(printable(f"report: {result.record.folder / 'report.html'}"))
    sys.exit(result.exit_code)


def see_to_cut_off(results: Path, *, acknowledged_by: str, **watched: bool) -> bool:
    """Make safe what runs that were cut off may have left on; then ask at a terminal, else say, what can be done.

    Of runs that were interrupted, and left their outputs safe, the latter alone.

    Returns:
        True if the user took to one of them, so that no new run is begun.

    Raises:
        UnsafeError: an output is not proved safe, and nobody answers for it.
        StoppedError: the user stopped at the question.
    """
    from instruments.errors import RecordError  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415

    batches: set[Path] = set()
    for each in core.cut_off(results):
        batch = core.batch_folder_of(each.folder)
        if batch is not None and not each.damage:
            if not each.is_safe:
                _make_safe(each.folder, acknowledged_by)
            if batch not in batches:
                say(f"{batch}: units of this batch are not over")
                _say_how_to_go_on(batch)
            batches.add(batch)
            continue
        if each.damage:
            say(f"{each.folder}: a run was cut off, and its journal is damaged")
            say(f"  {each.damage}")
            with contextlib.suppress(RecordError):  # which was just told
                core.make_safe(each.folder, acknowledged_by=acknowledged_by, say=say)
            say(f"  do: livezero salvage {each.folder}")
            continue
        say(f"{each.folder}: the run of {each.serial} {each.story}")
        if not each.is_safe:
            _make_safe(each.folder, acknowledged_by)
        choice = _choice(each.folder)
        if choice == "resume":
            # --confirm, and the rest, were said of another run.
            _resume(each.folder, operator="", confirm=False, pursue=False, trials=None, acknowledged_by="", **watched)
            return True
        if choice == "close":
            _closed(each.folder, acknowledged_by="")
    return False


def _make_safe(folder: Path, acknowledged_by: str) -> None:
    from instruments.errors import LivezeroError, UnsafeError  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415

    try:
        core.make_safe(
            folder,
            operator=AtTerminal(contextlib.nullcontext, cautions_confirmed=False),
            acknowledged_by=acknowledged_by,
            say=say,
        )
    except UnsafeError:
        raise
    except LivezeroError as error:
        click.echo("  its outputs were NOT made safe; check whether they are on", err=True)
        tell_error(error)


def _choice(folder: Path) -> str:
    """What the user wants of a run that was cut off; unattended, it is said how."""
    if sys.stdin is None or not sys.stdin.isatty():
        _say_how_to_go_on(folder)
        return "leave"
    discard_typed_ahead()
    try:
        say("  resume it, close it as interrupted, or leave it for later")
        return str(
            click.prompt(
                "  resume, close or leave",
                default="resume",
                value_proc=_chosen,
                err=True,
            )
        )
    except click.Abort as error:  # Ctrl-C, or the end of the input
        raise _stopped_early() from error


def _chosen(typed: str) -> str:
    """A choice at the question what to do with a run that was cut off; raises UsageError, which asks again."""
    word = typed.strip().casefold()
    if word == "stop":
        raise _stopped_early()
    if word in {"resume", "close", "leave"}:
        return word
    shown = "" if word == "?" else f'"{printable(typed[:30])}": '
    raise click.UsageError(f"{shown}type resume, close, leave, ?, or stop; Enter alone resumes")


def _stopped_early() -> "StoppedError":
    from instruments.errors import StoppedError  # noqa: PLC0415

    return StoppedError("stopped before a run was begun")


def _say_how_to_go_on(folder: Path) -> None:
    say(f"  do: livezero resume {folder}")
    say(f"  or: livezero close {folder}")


def _resume(
    folder: Path,
    *,
    operator: str,
    confirm: bool,
    pursue: bool,
    trials: int | None,
    acknowledged_by: str,
    **watched: bool,
) -> None:
    from sequencer import core  # noqa: PLC0415

    # Before the plan is looked at: a record that was altered must not keep a bench energised.
    core.make_safe(
        folder,
        operator=AtTerminal(contextlib.nullcontext, cautions_confirmed=False),
        acknowledged_by=acknowledged_by,
        say=say,
    )
    with Watch(core.kept_plan(folder), confirm=confirm, **watched) as watch:
        result = core.resume(
            folder,
            operator_name=operator,
            operator=watch.operator,
            listener=watch.listener,
            trace=watch.trace,
            monte_carlo=trials,
            pursue=pursue,
        )
    show_result(result, **watched)


def _closed(folder: Path, *, acknowledged_by: str, sealed_anew_by: str = "") -> "RunResult":
    from sequencer import core  # noqa: PLC0415

    result = core.close(
        folder,
        operator=AtTerminal(contextlib.nullcontext, cautions_confirmed=False),
        acknowledged_by=acknowledged_by,
        sealed_anew_by=sealed_anew_by,
        say=say,
    )
    _tell_errors(result)
    return result


@click.command("resume")
@click.argument("record", type=click.Path(path_type=Path))
@results_option
@drive_options
def resume_command(
    record: Path,
    results: Path,
    operator: str,
    *,
    confirm: bool,
    pursue: bool,
    trials: int | None,
    acknowledged_by: str,
    **watched: bool,
) -> None:
    """Go on with the run of a RECORD that Ctrl-C, a crash or a power cut ended.

    By the plan and on the bench that the record keeps: the exercise is done again and
    the interrupted cycle is repeated from its start; completed cycles stay.

    \b
    Exit status: as for livezero run.
    \b
    Examples:
      livezero resume results/2026-01-05T08-00-00_GF-104_pulse-to-current
      livezero resume GF-104
    """
    from sequencer import core  # noqa: PLC0415

    record = found(record, results, is_open=True)
    if core.is_batch(record):
        resume_units(record, operator=operator, confirm=confirm, acknowledged_by=acknowledged_by, **watched)
        return
    _resume(
        record,
        operator=operator,
        confirm=confirm,
        pursue=pursue,
        trials=trials,
        acknowledged_by=acknowledged_by,
        **watched,
    )


@click.command("close")
@click.argument("record", type=click.Path(path_type=Path))
@results_option
@acknowledge_option
@click.option(
    "--seal-anew", "sealed_anew_by", default="", metavar='"NAME: reason"', help="Seal again what lost its seal."
)
@json_option
def close_command(record: Path, results: Path, acknowledged_by: str, sealed_anew_by: str, *, as_json: bool) -> None:
    """End the run of a RECORD that did not finish: judge what is there, seal.

    A source that it left on is made safe first. Of the folder of a batch every unit
    that is not over. A record that was sealed and lost its digest.json is put back
    from a copy; --seal-anew is for one that has none, and stands in it.

    \b
    Exit status: 0 closed, 2 no such record, 3 bench in use, 4 NOT proved safe.
    \b
    Example:
      livezero close results/2026-01-05T08-00-00_GF-104_pulse-to-current
    """
    from sequencer import core  # noqa: PLC0415

    record = found(record, results, is_open=not sealed_anew_by)
    if core.is_batch(record):
        close_units(record, acknowledged_by=acknowledged_by, as_json=as_json)
    _show_ended(_closed(record, acknowledged_by=acknowledged_by, sealed_anew_by=sealed_anew_by), as_json=as_json)


def _show_ended(result: "RunResult", *, as_json: bool) -> None:
    """What became of a run that was not resumed, and out with the code of what kept its bench from being made safe."""
    from sequencer import core  # noqa: PLC0415

    if as_json:
        print_json(core.document(result.record.content))
    else:
        print_summary(result.record.content)
        if result.unwritten is None:
            click.echo(printable(f"report: {result.record.folder / 'report.html'}"))
    error = result.outcome.error or (None if result.is_kept else result.unwritten)
    sys.exit(0 if error is None else error.exit_code)


@click.command("salvage")
@click.argument("record", type=click.Path(path_type=Path))
@results_option
@acknowledge_option
@json_option
def salvage_command(record: Path, results: Path, acknowledged_by: str, *, as_json: bool) -> None:
    """Make a new record of all that is whole in a damaged RECORD, and judge it.

    The damaged one stays as it is. What is lost is said in the new one; where
    readings may be among it, the run counts as not complete. A source that the run
    left on is made safe first.

    \b
    Exit status: 0 salvaged, 2 not possible, 3 bench in use, 4 NOT proved safe.
    \b
    Example:
      livezero salvage results/2026-01-05T08-00-00_GF-104_pulse-to-current
    """
    from sequencer import core  # noqa: PLC0415

    result = core.salvage(
        found(record, results),
        operator=AtTerminal(contextlib.nullcontext, cautions_confirmed=False),
        acknowledged_by=acknowledged_by,
        say=say,
    )
    _tell_errors(result)
    _show_ended(result, as_json=as_json)
