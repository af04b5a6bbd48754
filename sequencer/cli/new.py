"""The command that writes a new type sheet, sequence, bench file or description from a few answers."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from sequencer.cli.bench import show_checks
from sequencer.cli.console import Face, in_lines, printable, say

if TYPE_CHECKING:
    from sequencer.inputs.new_questions import Question

__all__ = ["new_group"]

_ABOUT = {
    "type": "a type of unit: ranges, tolerance, time constant",
    "sequence": "a sequence: points, cycles, readings",
    "bench": "a bench: its instruments and what is wired to what",
    "instrument": "an instrument that is spoken to in text, from the commands in its manual",
}

_EXAMPLES = {
    "type": 'livezero new type --input "0 .. 2.4 bar" --tolerance "0.5 % of span"',
    "sequence": "livezero new sequence --type-sheet level.yaml --points 5 --cycles 1",
    "bench": "livezero new bench --source keyed-source --meter keyed-meter",
    "instrument": "livezero new instrument --role source --try-at GPIB0::5::INSTR",
}


class _Kinds(Face):
    """A command for each kind of file, with an option for each of its questions; made when it is called."""

    def list_commands(self, ctx: click.Context) -> list[str]:  # noqa: ARG002  as click asks
        return list(_ABOUT)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:  # noqa: ARG002
        return _command(cmd_name) if cmd_name in _ABOUT else None


@click.group("new", cls=_Kinds)
def new_group() -> None:
    """Write a type sheet, sequence, bench file or description from a few answers.

    At a terminal it asks, with what is usual in brackets; every answer is an option
    too. The file is shown, read again as livezero reads it, and never overwritten.

    \b
    Example:
      livezero new type --input "0 .. 2.4 bar" --tolerance "0.5 % of span"
    """


def _command(kind: str) -> click.Command:
    from sequencer.inputs.new_files import KINDS  # noqa: PLC0415

    options: list[click.Parameter] = [
        click.Option(
            [question.option, question.key.replace(" ", "_")],
            help=f"{question.text}. [{question.usual}]",
        )
        for question in KINDS[kind].questions
    ]
    options.append(click.Option(["--to", "path"], type=click.Path(path_type=Path), help="File; else by its name."))
    options.append(click.Option(["--usual"], is_flag=True, help="Ask nothing: what is not given is as usual."))
    if kind == "instrument":
        about = "Where VISA finds it: each command is tried there, the output off."
        options.append(click.Option(["--try-at", "resource"], default="", help=about))
    return click.Command(
        kind,
        params=options,
        callback=_writing(kind),
        help=f"Write {_ABOUT[kind]}.\n\n\b\nExample:\n  {_EXAMPLES[kind]}",
    )


def _writing(kind: str) -> Callable[..., None]:
    def write(*, path: Path | None, usual: bool, resource: str = "", **options: Any) -> None:  # noqa: ANN401  of click
        from instruments.resource_names import wrong_resource  # noqa: PLC0415
        from sequencer import core  # noqa: PLC0415

        # Before the file is there, which is never overwritten.
        if (wrong := wrong_resource(resource, "--try-at")) is not None:
            raise wrong
        given = {key.replace("_", " "): text for key, text in options.items() if text is not None}
        answers = core.answered(kind, given, _asked if _is_there() and not usual else None)
        written, text = core.write_new(kind, answers, path)
        for line in text.splitlines():
            click.echo(printable(line))
        say(f"written to {written}, and read again without a fault")
        code = show_checks(core.tried(written, resource, role=answers["role"])) if resource else 0
        if code:
            say(f"the trial failed; {written} stays as it is written: correct there what was not right")
        say(f"next: {core.next_command(kind, written, answers)}")
        sys.exit(code)

    return write


def _is_there() -> bool:
    """Whether a person sits at the terminal."""
    return sys.stdin is not None and sys.stdin.isatty()


def _asked(question: "Question") -> str | None:
    """The answer of the person at the terminal, asked for until it can stand; None for "back"."""
    from instruments.errors import InputError, StoppedError  # noqa: PLC0415

    usual = f" [{question.usual}]" if question.usual else ""
    while True:
        click.echo(printable(f"{question.text}{usual}: "), err=True, nl=False)
        line = sys.stdin.readline()
        if not line:
            raise StoppedError("stopped before all was answered; nothing was written")
        text = line.strip() or question.usual
        word = text.casefold()
        if word == "stop":
            raise StoppedError("stopped before all was answered; nothing was written")
        if word == "back":
            return None
        if word == "?":
            enter = f', Enter for "{question.usual}"' if question.usual else ""
            click.echo(in_lines(f"type an answer{enter}, back, ?, or stop"), err=True)
            continue
        try:
            question.check(text)
        except InputError as error:
            for each in error.lines:
                say(f"  {each}")
        else:
            return text
