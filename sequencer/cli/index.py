"""The commands for records in number: index, records."""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from sequencer.cli.console import WIDTH, json_option, print_json, printable, say

__all__ = ["filter_options", "index_command", "index_options", "progress_shown", "records_command"]


def index_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options --results and --index of a command."""
    for option in (
        click.option(
            "--index",
            "index",
            default="",
            metavar="URL|FILE",
            help="Another index than that in the folder; else as LIVEZERO_INDEX says.",
        ),
        click.option(
            "--results",
            default="results",
            show_default=True,
            type=click.Path(path_type=Path),
            help="Folder of the records.",
        ),
    ):
        command = option(command)
    return command


def filter_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """The options that say which records, as their arguments in `asked`."""
    options = {
        "--tag": "Tag of the unit.",
        "--type": "A part of the name of the type.",
        "--verdict": '"pass", "conditional pass", "fail", "not determinable" ...',
        "--cause": 'A part of a cause that is named: "span error".',
        "--since": "Begun on this day or later: 2026, 2026-01, 2026-01-05, or an instant.",
        "--until": "Begun on this day or before.",
        "--bench": "A part of the name of the bench.",
        "--operator": "A part of the name of the operator.",
        "--instrument": "A part of name, identity or certificate of an instrument.",
        "--text": "A part of anything that was said: reason, advice, remarks.",
        "--state": '"as found" or "as left".',
        "--condition": '"whole", "altered", "unreadable", "missing" or "copied".',
    }
    for name, text in reversed(options.items()):
        command = click.option(name, default="", help=text)(command)
    return command


def progress_shown(done_n: int, of_n: int) -> None:
    """How many of how many records were read, on the last line of a terminal."""
    if sys.stderr is not None and sys.stderr.isatty():
        click.echo(f"\r{done_n} of {of_n} records", err=True, nl=done_n == of_n)


@click.command("index")
@index_options
@click.option("--forget-missing", is_flag=True, help="Take records whose folder is gone out of the index.")
@json_option
def index_command(results: Path, index: str, *, forget_missing: bool, as_json: bool) -> None:
    """Build the index of records anew from their folders, which are the truth.

    It is made by itself when records are first asked for. Here every record is read
    again, and those that were altered, or are gone, are told.

    \b
    Exit status: 0 all whole, 1 one altered, unreadable or gone, 2 no such folder.
    \b
    Example:
      livezero index --results results
    """
    from sequencer.jobs.index_jobs import build_index  # noqa: PLC0415

    found = build_index(results, index=index, forgets_missing=forget_missing, progress=progress_shown)
    if as_json:
        print_json(
            {"records": found.records_n, "read": found.read_n, "missing": list(found.missing)}
            | {"wrong": [{"folder": folder, "condition": what, "said": said} for folder, what, said in found.wrong]}
            | {"moved": [{"folder": folder, "now": now} for folder, now in found.moved]}
            | {"copied": [{"folder": folder, "counts": other} for folder, other in found.copied]}
            | {"log_faults": list(found.log_faults)}
        )
    else:
        from sequencer.reports.terminal.listing import looked_text  # noqa: PLC0415

        click.echo(looked_text(results, found, width=WIDTH))
    sys.exit(1 if found.wrong or found.log_faults or (found.missing and not forget_missing) else 0)


@click.command("records")
@click.argument("serial", default="")
@filter_options
@index_options
@click.option("--sort", type=click.Choice(["date", "serial", "type", "verdict", "bench", "operator"]), default="date")
@click.option("--reverse", "is_reversed", is_flag=True, help="The other way round; by date the newest come first.")
@click.option("--page", type=click.IntRange(1), default=1, show_default=True)
@click.option("--per-page", type=click.IntRange(1, 100_000), default=20, show_default=True)
@click.option("--kept-for", default="", metavar='"10 years"', help="List those that may be removed after this time.")
@click.option("--deeds", "with_deeds", is_flag=True, help="List who did what when to them, in place of the records.")
@click.option("--csv", "as_csv", is_flag=True, help="Print them as CSV.")
@json_option
def records_command(  # noqa: PLR0913  one for each option
    serial: str,
    results: Path,
    index: str,
    sort: str,
    page: int,
    per_page: int,
    kept_for: str,
    *,
    is_reversed: bool,
    with_deeds: bool,
    as_csv: bool,
    as_json: bool,
    **asked: str,
) -> None:
    """List records: all, or those of a SERIAL, and by what they say.

    A serial is found however it is written: "q1" finds "Q1". A star stands for any
    letters. What was kept since the last time is looked at first. Nothing is ever
    removed: --kept-for lists what may be, and says why others stay.

    \b
    Examples:
      livezero records GF-104
      livezero records --verdict fail --since 2026-01 --cause "span error"
      livezero records --kept-for "10 years"
    """
    from sequencer.inputs.serials import as_written  # noqa: PLC0415
    from sequencer.jobs import index_jobs  # noqa: PLC0415
    from sequencer.reports.listing import listing_csv, listing_document  # noqa: PLC0415

    if as_csv and as_json:
        raise click.UsageError("--csv and --json are two forms: take one of them")
    if with_deeds:
        _show_deeds(index_jobs.list_deeds(results, index=index, serial=serial, **asked), as_json=as_json)
        return
    if kept_for:
        found = index_jobs.list_removable(results, kept_for=kept_for, index=index, serial=serial, **asked)
    else:
        found = index_jobs.list_records(
            results,
            index=index,
            sort=sort,
            is_reversed=is_reversed,
            page=page,
            per_page=per_page,
            serial=serial,
            **asked,
        )
    if found.spellings:
        say(
            "written in several ways: " + ", ".join(f"{as_written(each)}: {number}" for each, number in found.spellings)
        )
    if found.alike:
        say(f"no record of {as_written(serial)}; it looks like {', '.join(map(as_written, found.alike))}")
    if as_json:
        print_json(listing_document(found))
    elif as_csv:
        click.echo(printable(listing_csv(found), keep="\n"), nl=False)
    else:
        from sequencer.reports.terminal.listing import listing_text  # noqa: PLC0415

        click.echo(listing_text(found, width=WIDTH))


def _show_deeds(deeds: list[dict[str, Any]], *, as_json: bool) -> None:
    """Who did what when, in order of time."""
    if as_json:
        print_json([line | {"at": str(line["at"])} for line in deeds])
        return
    from sequencer.reports.terminal.listing import deeds_text  # noqa: PLC0415

    click.echo(deeds_text(deeds, width=WIDTH))
