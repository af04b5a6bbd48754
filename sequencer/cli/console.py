"""What every command shares: how errors are shown, how results are printed, how a person at the terminal is asked.

Like the command it imports nothing heavy at the top. Nothing here calls `core`.
"""

import contextlib
import errno
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import click

from sequencer.cli.typed_ahead import discard_typed_ahead

if TYPE_CHECKING:
    from contextlib import AbstractContextManager

    from instruments.errors import LivezeroError

__all__ = [
    "WIDTH",
    "AtTerminal",
    "Face",
    "acknowledge_option",
    "error_document",
    "in_lines",
    "json_option",
    "left_with",
    "named_options",
    "print_json",
    "print_summary",
    "printable",
    "say",
    "show_error",
    "step_options",
    "tell_error",
    "trials_option",
]

WIDTH = 80
_LEAST_WIDTH = 20
_STOPPED = "stopped by {}"


class Face(click.Group):
    """A group whose errors are shown once, here, with their exit code, and never as a traceback."""

    def invoke(self, ctx: click.Context) -> Any:  # noqa: ANN401  what click returns
        """Run a command; turn what a user can meet into lines and an exit code."""
        try:
            return super().invoke(ctx)
        except (click.exceptions.Exit, click.Abort, click.ClickException):
            raise
        except KeyboardInterrupt as error:
            click.echo(_STOPPED.format(_named(error)), err=True)  # a run says itself what became of its outputs
            ctx.exit(130)
        except Exception as error:  # noqa: BLE001  nobody sees a traceback; ours goes to a file
            from instruments.errors import LivezeroError  # noqa: PLC0415

            if isinstance(error, LivezeroError):
                show_error(error)
                ctx.exit(error.exit_code)
            if ctx.obj is not None and ctx.obj():  # a signal in the middle of an import comes out as its failure
                click.echo(_STOPPED.format("a signal"), err=True)
                ctx.exit(130)
            if isinstance(error, OSError) and error.filename is not None:
                refused = _of_a_file(error)
                show_error(refused)
                ctx.exit(refused.exit_code)
            _fault_of_ours(error)
            ctx.exit(70)


def _named(error: KeyboardInterrupt) -> str:
    """The signal that raised it."""
    return str(error.args[0]) if error.args else "Ctrl-C"


def _of_a_file(error: OSError) -> "LivezeroError":
    """What the system refuses of a file, as any other error."""
    from instruments.errors import InputError  # noqa: PLC0415

    refused = InputError(
        f"cannot be used: {error.strerror}",
        where=str(error.filename),
        allowed="names of at most 255 bytes" if error.errno == errno.ENAMETOOLONG else "",
        todo="check name, disk and rights",
    )
    refused.__cause__ = error
    return refused


def show_error(error: "LivezeroError") -> None:
    """An error on stderr as a user reads it, and with --json as a document on stdout."""
    tell_error(error)
    if "--json" in sys.argv:
        print_json({"error": error_document(error)})


def tell_error(error: "LivezeroError") -> None:
    """An error on stderr as a user reads it."""
    for line in error.lines:
        click.echo(_as_it_fits(printable(line)), err=True)


def _as_it_fits(line: str) -> str:
    """A line broken between words where a terminal would break it within one.

    On a pipe it stays as it is, and so does one with a command in it, which is copied from there.
    """
    if sys.stderr is None or not sys.stderr.isatty() or any(each in line for each in (": livezero ", '"livezero ')):
        return line
    import shutil  # noqa: PLC0415
    from textwrap import wrap  # noqa: PLC0415

    indent = " " * (len(line) - len(line.lstrip()) + 4)
    width = max(shutil.get_terminal_size((WIDTH, 0)).columns - 1, _LEAST_WIDTH)
    parts = wrap(line, width, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)
    return "\n".join(parts) or line


def error_document(error: "LivezeroError") -> dict[str, Any]:
    """An error as JSON values."""
    fields: dict[str, Any] = {name: getattr(error, name) for name in ("what", "where", "allowed", "todo")}
    return fields | {"exit_code": error.exit_code, "others": [error_document(other) for other in error.others]}


def printable(text: str, *, keep: str = "") -> str:
    """A line without control characters: what an instrument or a file says must not drive the terminal."""
    from instruments.texts import visible  # noqa: PLC0415

    return visible(text, keep=keep)


def _fault_of_ours(error: Exception) -> None:
    """An exception nobody foresaw: one line for the user, the traceback in a file for whoever mends it."""
    import tempfile  # noqa: PLC0415
    import traceback  # noqa: PLC0415

    where = f'"{error}"'
    with (
        contextlib.suppress(OSError),  # a disk that is full
        tempfile.NamedTemporaryFile("w", prefix="livezero-", suffix=".txt", delete=False, encoding="utf-8") as kept,
    ):
        traceback.print_exception(error, file=kept)
        where = kept.name
    click.echo(
        printable(f"a fault of livezero itself ({type(error).__name__}); please report it with {where}"), err=True
    )


def say(text: str) -> None:
    """A line of talk on stderr."""
    click.echo(_as_it_fits(printable(text)), err=True)


def acknowledge_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option --acknowledge of a command, as its argument `acknowledged_by`."""
    return click.option(
        "--acknowledge",
        "acknowledged_by",
        default="",
        metavar='"NAME: REASON"',
        help="Who answers for a source that is NOT proved safe, and why.",
    )(command)


def json_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option --json of a command, as its argument `as_json`."""
    return click.option("--json", "as_json", is_flag=True, help="Print one JSON document on stdout and nothing else.")(
        command
    )


def named_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options whose word a person by name stands for."""
    cleared = click.option(
        "--bench-cleared",
        default="",
        metavar='"NAME: HOW"',
        help="Who proved bench and wiring right by other means, and how.",
    )
    low_tur = click.option(
        "--accept-low-tur",
        "low_tur_accepted",
        default="",
        metavar='"NAME: REASON"',
        help="Who accepts a pass with a test uncertainty ratio below 1.5, and why.",
    )
    return low_tur(cleared(command))


def step_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options --only and --from of a command, as its arguments `only` and `first`."""
    first = click.option("--from", "first", default="", metavar="STEP", help="Begin with this step, by number or name.")
    only = click.option(
        "--only", default="", metavar="STEP[,STEP]", help="Take these steps alone, by number or name: no plain pass."
    )
    return only(first(command))


def trials_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option --monte-carlo of a command, as its argument `trials`."""
    return click.option(
        "--monte-carlo",
        "trials",
        type=click.IntRange(20_000, 50_000_000),
        metavar="N",
        help="Check the first-order uncertainty by Monte Carlo, up to N trials at a point; 1000000 take seconds.",
    )(command)


_ROOM = 12  # letters that an answer may have without being broken
_WRONG_N = 5  # wrong answers to one question that a script may give, which learns from none


class AtTerminal:
    """The operator at the terminal."""

    def __init__(self, paused: "Callable[[], AbstractContextManager[None]]", *, cautions_confirmed: bool) -> None:
        self._paused = paused  # while a question stands, the live view does not draw over it
        self._cautions_confirmed = cautions_confirmed
        self._asked, self._wrong_n = "", 0
        with contextlib.suppress(AttributeError, OSError):  # what is no text is a wrong key like any other
            sys.stdin.reconfigure(errors="backslashreplace")  # type: ignore[union-attr]

    def ask(self, question: Any) -> str:  # noqa: ANN401  a Question; its module is not loaded for --help
        """The answer as typed; with --confirm a caution is answered with yes, and shown all the same."""
        if question.kind == "caution" and self._cautions_confirmed:
            click.echo(in_lines(f"{question.text} yes (--confirm)"), err=True)
            return "yes"
        self._refuse_to_ask_for_ever(question.text)
        ends = {
            "caution": " [yes/no]",
            "confirm": " [yes/no]",
            "go on": " [yes/no]",
            "set": " (Enter when done)",
            "reading": ":",
            "text": ":",
        }
        with self._paused():
            if discard_typed_ahead():
                click.echo("(what was typed before this was asked is not taken)", err=True)
            is_said = question.kind == "text" and question.text.endswith("?")
            asked = question.text + ("" if is_said else ends[question.kind])
            line = ""
            with contextlib.suppress(OSError):  # a window that is closed takes the terminal with it
                click.echo(in_lines(asked, room=1 if question.kind == "set" else _ROOM) + " ", err=True, nl=False)
                line = self._typed(question)
        if not line:
            from instruments.errors import AbsentError  # noqa: PLC0415

            with contextlib.suppress(OSError):
                click.echo("", err=True)  # else what is said next stands behind the question
            raise AbsentError(
                "no operator is present to answer",
                todo="run at a terminal; --confirm answers the cautions of a sequence",
            )
        return line.rstrip("\r\n")

    @staticmethod
    def _typed(question: Any) -> str:  # noqa: ANN401  a Question
        """The line that is typed; "" at the end of the input."""
        # Started with its input closed; or a script, which answers what it knew of, and may never end its input.
        if sys.stdin is None or not (question.kind != "go on" or sys.stdin.isatty()):
            return ""
        try:
            return sys.stdin.readline()
        except KeyboardInterrupt:
            with contextlib.suppress(OSError):
                click.echo("", err=True)  # else what is asked next stands behind the question
            raise

    def _refuse_to_ask_for_ever(self, text: str) -> None:
        """A person is asked again as often as it takes; a script or a pipe that answers wrong would be without end."""
        is_again = bool(self._asked) and text.endswith(f"\n{self._asked}")
        self._wrong_n = self._wrong_n + 1 if is_again else 0
        if not is_again:
            self._asked = text
        if self._wrong_n >= _WRONG_N and not (sys.stdin is not None and sys.stdin.isatty()):
            from instruments.errors import AbsentError  # noqa: PLC0415

            said = text.removesuffix(f"\n{self._asked}")
            raise AbsentError(
                f'"{self._asked}" was answered wrong {_WRONG_N} times, and nobody is at a terminal: {said}',
                todo="answer at a terminal, or give the input of the command an answer of that kind, a line each",
            )


def in_lines(text: str, *, room: int = 1) -> str:
    """A question or remark within the width of the page, with room for the answer.

    What is said before it stands on lines of its own. A blank before a bracket does not end a line.
    """
    from textwrap import wrap  # noqa: PLC0415

    *before, last = map(printable, text.splitlines() or [""])
    last = last.replace(" [", "\xa0[")
    lines = [part for line in before for part in wrap(line, WIDTH - 1) or [""]]
    asked = wrap(last, WIDTH - 1) or [""]
    if len(asked[-1]) > WIDTH - room:
        asked = wrap(last, WIDTH - room)
    return "\n".join([*lines, *asked]).replace("\xa0", " ")


def print_json(document: object) -> None:
    """A document on stdout."""
    from instruments.texts import as_json  # noqa: PLC0415

    click.echo(as_json(document, indent=1))


def print_summary(content: Any) -> None:  # noqa: ANN401  a Content; its module is not loaded for --help
    """A run, or readings taken by hand, as text on stdout."""
    from sequencer.reports.terminal import summary  # noqa: PLC0415

    click.echo(summary(content, width=WIDTH, colour=sys.stdout.isatty()))


def left_with(command: click.Group, was_stopped: Callable[[], bool]) -> tuple[int, bool]:
    """The exit code of the command, and whether it is that of a judgement; `was_stopped` by a signal is asked."""
    try:
        return int(command.main(prog_name="livezero", standalone_mode=False, obj=was_stopped) or 0), False
    except SystemExit as ended:
        return int(ended.code or 0), True
    except click.ClickException as error:
        error.show()
        if "--json" in sys.argv:
            said = {"what": error.format_message(), "where": "command line", "allowed": "", "todo": "see --help"}
            print_json({"error": said | {"exit_code": error.exit_code, "others": []}})
        return error.exit_code, False
    except click.Abort as error:
        if isinstance(error.__cause__, KeyboardInterrupt):
            click.echo(_STOPPED.format(_named(error.__cause__)), err=True)
            return 130, False
        click.echo("Aborted!", err=True)
        return 1, False
