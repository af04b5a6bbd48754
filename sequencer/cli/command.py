"""The command: parse, call `core`, show. Each thing it can do is one function there.

Nothing heavy is imported at the top, and of the commands only the one that is called: `livezero --help` and shell
completion answer at once. Results go to stdout, talk to stderr; with `--json` one document goes to stdout and nothing
else.
"""

import importlib
import sys
from collections.abc import Callable

import click

from instruments.shipped import guides
from instruments.version import __version__
from sequencer.cli.console import WIDTH, Face, left_with
from sequencer.cli.streams import keep_streams

__all__ = ["COMMANDS", "cli", "main"]

COMMANDS = {
    "baseline": ("over_time", "Pin a record by a name, to hold later runs against."),
    "batch": ("batch", "Run a sequence with many units of one type."),
    "bench": ("bench", "Check a bench, find its instruments, or simulate one."),
    "close": ("runs", "End a run that did not finish: judge what is there."),
    "compare": ("records", "Set two records side by side: two units, or two runs."),
    "completion": ("about", "Print the completion script of a shell."),
    "control": ("over_time", "Show the control chart of the check unit."),
    "correct": ("records", "Correct a reading of a sealed record."),
    "envelope": ("over_time", "Show what the units of a type do, and how far they spread."),
    "evaluate": ("by_hand", "Judge readings taken by hand (CSV, XLSX, ODS)."),
    "export": ("transfer", "Write records into a file for another site."),
    "history": ("over_time", "Show how a unit was found and left, run by run."),
    "impact": ("over_time", "Judge again what rested on an instrument that was wrong."),
    "import": ("transfer", "Take the records of a file that export made."),
    "index": ("index", "Build the index of records anew from their folders."),
    "new": ("new", "Write a type sheet, sequence, bench or description."),
    "plan": ("plans", "Show what a sequence will do on a bench, and for how long."),
    "records": ("index", "List records by serial, type, verdict, date and more."),
    "regression": ("over_time", "Hold repaired units against what they were."),
    "remark": ("records", "Add a remark to a sealed record."),
    "repaired": ("over_time", "Keep that a unit was repaired."),
    "report": ("records", "Write the report of a record, or of a batch, again."),
    "resume": ("runs", "Go on with a run that was stopped."),
    "risk": ("plans", "Show how often good units are rejected, bad ones accepted."),
    "run": ("plans", "Run a sequence on a bench, judge the unit, keep the record."),
    "salvage": ("runs", "Make a new record of what is whole in a damaged one."),
    "schema": ("about", "Print the JSON Schema of a kind of file, for an editor."),
    "sequences": ("about", "List what comes along, or copy it."),
    "trace": ("traces", "Tell what a trace of an oscilloscope is, and its cause."),
    "verify": ("records", "Prove that records are what was sealed."),
}
"""Of each command the module that has it, and what it does, on one line of `--help`."""


class _Commands(Face):
    """A group that imports a command once it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  as click asks
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"sequencer.cli.{COMMANDS[cmd_name][0]}")
        found = next(each for each in vars(module).values() if _is_command(each, cmd_name))
        assert isinstance(found, click.Command)
        return found

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """As click does; a name that there is not with the nearest that there is."""
        try:
            return super().resolve_command(ctx, args)
        except click.UsageError as error:
            from instruments.errors import nearest  # noqa: PLC0415

            guess = nearest(args[0], list(COMMANDS))
            meant = f' Did you mean "{guess}"?' if guess else ""
            raise click.UsageError(error.message + meant, ctx=error.ctx) from error

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        with formatter.section("Commands"):
            formatter.write_dl([(name, summary) for name, (_, summary) in COMMANDS.items()])


def _is_command(each: object, name: str) -> bool:
    return isinstance(each, click.Command) and each.name == name


def _guides() -> str:
    """Where the guides lie, a line each."""
    return "\b\nGuides:\n" + "\n".join(f"  {about}\n    {path}" for about, path in guides().items())


@click.group(
    cls=_Commands,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDTH},
    epilog=_guides(),
)
@click.version_option(__version__, prog_name="livezero")
def cli() -> None:
    """Prove a signal converter or transmitter on the bench.

    \b
    Example:
      livezero run pulse-to-current --bench simulated --serial GF-104
    """


def main(was_stopped: Callable[[], bool] = lambda: False) -> int:
    """Do what the command line says; returns the exit code.

    Args:
        was_stopped: True once a signal came: what it raises is turned into other errors by some libraries.
    """
    lost = keep_streams()
    code, is_judged = left_with(cli, was_stopped)
    sys.stdout.flush()
    if lost.reason:
        click.echo(f"stdout cannot be written: {lost.reason}", err=True)
        code = code or (0 if is_judged else 2)
    return code
