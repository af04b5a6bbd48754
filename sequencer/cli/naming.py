"""How a record is named at any command: by its folder, or by the serial of its unit."""

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from sequencer.cli.console import say

__all__ = ["found", "results_option"]


def results_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """The option --results of a command that reads records, as its argument `results`."""
    return click.option(
        "--results",
        default="results",
        show_default=True,
        type=click.Path(path_type=Path),
        help="Where a serial is looked for.",
    )(command)


def found(name: Path, results: Path, *, is_open: bool = False) -> Path:
    """The folder of the record that is named; of one that is named by its serial it is said which. Raises RecordError.

    Args:
        name: a folder; or a serial, with @ and which of its records behind it; or a digest.
        results: where a serial is looked for.
        is_open: among runs alone that are not over.
    """
    from sequencer.record.layout import is_place  # noqa: PLC0415

    if is_place(name):  # as most are: no database is loaded
        return name
    from sequencer.jobs.index_jobs import find_record  # noqa: PLC0415

    named = find_record(str(name), results, is_open=is_open)
    if named.said:
        say(named.said)
    return named.folder
