"""The commands that take records from one site to another: export, import."""

import sys
from collections import Counter
from pathlib import Path

import click

from sequencer.cli.console import json_option, print_json, printable
from sequencer.cli.index import filter_options, index_options

__all__ = ["export_command", "import_command"]


@click.command("export")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("serial", default="")
@filter_options
@index_options
@json_option
def export_command(file: Path, serial: str, results: Path, index: str, *, as_json: bool, **asked: str) -> None:
    """Write records into a FILE for another site: all, those of a SERIAL, or by what they say.

    Sealed records go as they are, with remarks and corrections, and with the repairs and
    baselines of their units. One that was altered or is not over is left out, and told.

    \b
    Exit status: 0 all of them, 1 one was left out, 2 none or not possible.
    \b
    Example:
      livezero export to-the-brewery.zip GF-104
    """
    from sequencer.jobs.transfer import export_records  # noqa: PLC0415

    found = export_records(file, results, index=index, serial=serial, **asked)
    if as_json:
        left_out = [{"folder": folder, "reason": why} for folder, why in found.left_out]
        print_json({"file": str(found.path), "records": list(found.folders), "left_out": left_out})
    else:
        click.echo(printable(f"{len(found.folders)} records in {found.path}, {len(found.left_out)} left out"))
        for folder, why in found.left_out:
            click.echo(printable(f"  {folder}: {why}"))
    sys.exit(1 if found.left_out else 0)


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path))
@index_options
@json_option
def import_command(file: Path, results: Path, index: str, *, as_json: bool) -> None:
    """Take the records of a FILE that livezero export made.

    One that is there already is not taken again; what was added to it elsewhere is
    added. One that is not what was sealed is refused.

    \b
    Exit status: 0 all are here, 1 one was refused, 2 no such file.
    \b
    Example:
      livezero import to-the-brewery.zip
    """
    from sequencer.jobs.transfer import import_records  # noqa: PLC0415

    found = import_records(file, results, index=index)
    if as_json:
        rows = [
            {"folder": each.folder, "what": each.what, "said": each.said, "where": each.where and str(each.where)}
            for each in found.taken
        ]
        print_json({"records": rows, "log": found.log_n})
    else:
        count = Counter(each.what for each in found.taken)
        parts = ", ".join(f"{count[what]} {what}" for what in ("new", "there already", "amended", "refused"))
        batches_n = sum(each.is_batch for each in found.taken)
        what = f"{len(found.taken) - batches_n} records" + (f" and {batches_n} batches" if batches_n else "")
        click.echo(f"{what}: {parts}; {found.log_n} new in the log of units")
        for each in found.taken:
            if each.said or (each.where is not None and each.where.name != each.folder):
                where = f" ({each.where.name})" if each.where is not None and each.where.name != each.folder else ""
                click.echo(printable(f"  {each.folder}{where}: {each.what}{': ' * bool(each.said)}{each.said}"))
    sys.exit(1 if any(each.what == "refused" for each in found.taken) else 0)
