"""The commands for records: report, compare, verify, remark, correct."""

import sys
from pathlib import Path

import click

from sequencer.cli.batch import show_batch_report
from sequencer.cli.console import WIDTH, json_option, print_json, print_summary, printable, trials_option

__all__ = ["compare_command", "correct_command", "remark_command", "report_command", "verify_command"]


@click.command("report")
@click.argument("record", type=click.Path(path_type=Path))
@trials_option
@json_option
def report_command(record: Path, trials: int | None, *, as_json: bool) -> None:
    """Write the report of a RECORD, or of a batch, again, recomputed from its journal.

    \b
    Example:
      livezero report results/2026-01-05T08-00-00_GF-104_pulse-to-current
    """
    from sequencer import core  # noqa: PLC0415

    if core.is_batch(record):
        show_batch_report(record, as_json=as_json)
        return
    content = core.load_record(record).content if trials is None else core.by_trials(record, limit=trials)
    path = core.write_report(content, core.report_path(record))
    if as_json:
        print_json(core.document(content) | {"report": str(path)})
        return
    print_summary(content)
    click.echo(printable(f"report: {path}"))


@click.command("compare")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("--within", default="", help='Ask for equivalence within this: "0.1 % of span".')
@click.option("--to", "path", type=click.Path(path_type=Path), help="Write it with its plots to this HTML file.")
@click.option("--type", "type_sheet", help="Type sheet, where A or B is a CSV taken by hand.")
@click.option("--bench", help="Bench file of the instruments such a CSV was taken with.")
@click.option("--same-bench", is_flag=True, help="The same instruments took both, in the same ranges.")
@json_option
def compare_command(
    a: Path,
    b: Path,
    within: str,
    path: Path | None,
    type_sheet: str | None,
    bench: str | None,
    *,
    same_bench: bool,
    as_json: bool,
) -> None:
    """Set two records A and B side by side: two units, or two runs of one.

    \b
    Exit status: 0 no significant difference, or with --within equivalent;
    1 different, not shown equivalent, or not determinable; 2 input at fault.
    \b
    Example:
      livezero compare results/RECORD-OF-A results/RECORD-OF-B --within "0.1 % of span"
    """
    from sequencer import core  # noqa: PLC0415
    from sequencer.reports.json_document import comparison_document  # noqa: PLC0415
    from sequencer.reports.terminal import comparison_text  # noqa: PLC0415

    if path is not None and path.resolve() in {a.resolve(), b.resolve()}:
        raise click.UsageError("--to would overwrite what is compared")
    compared = core.compare(a, b, type_sheet=type_sheet, bench=bench, margin=within, same_bench=same_bench)
    if path is not None:
        core.write_comparison(compared, path)
    if as_json:
        print_json(comparison_document(compared))
    else:
        click.echo(comparison_text(compared, width=WIDTH))
        if path is not None:
            click.echo(printable(f"page: {path}"))
    sys.exit(0 if compared.is_alike else 1)


@click.command("verify")
@click.argument("records", metavar="RECORD...", nargs=-1, required=True, type=click.Path(path_type=Path))
@json_option
def verify_command(records: tuple[Path, ...], *, as_json: bool) -> None:
    """Prove that each RECORD is what was sealed, or list what was altered.

    Digests, the chain of the journal and all figures are computed again. Compare the
    digest with one stored elsewhere, such as on a printed report.

    \b
    Exit status: 0 every one intact, 1 one altered or not sealed, 2 no record.
    \b
    Example:
      livezero verify results/2026-01-05T08-00-00_GF-104_pulse-to-current
    """
    from sequencer import core  # noqa: PLC0415

    found = [core.verify(record) for record in records]
    if as_json:
        print_json(
            [
                {"record": str(each.folder), "is_intact": each.is_intact, "sha256": each.sha256}
                | {"findings": list(each.findings), "files": each.files_n, "lines": each.lines_n}
                | {"added": each.added_n}
                for each in found
            ]
        )
    else:
        for each in found:
            state = "intact" if each.is_intact else "ALTERED" if each.findings else "NOT SEALED"
            click.echo(printable(f"{each.folder}: {state}"))
            for finding in each.findings:
                click.echo(printable(f"  {finding}"))
            if each.sha256:
                click.echo(f"  sha256 {each.sha256}")
            click.echo(f"  {each.files_n} files, {each.lines_n} lines of journal, {each.added_n} added after sealing")
    sys.exit(0 if all(each.is_intact for each in found) else 1)


@click.command("remark")
@click.argument("record", type=click.Path(path_type=Path))
@click.argument("text")
@click.option("--by", required=True, help="Who says it.")
@json_option
def remark_command(record: Path, text: str, by: str, *, as_json: bool) -> None:
    """Add a remark to a RECORD that is sealed; nothing in it is changed.

    \b
    Example:
      livezero remark results/2026-01-05T08-00-00_GF-104_pulse-to-current \\
        --by "A. Cellarman" "The cover was off while it ran."
    """
    from sequencer import core  # noqa: PLC0415

    added = core.remark(record, text, by=by)
    if as_json:
        print_json(added)
    click.echo(printable(f"added; livezero report {record} shows it"), err=True)


@click.command("correct")
@click.argument("record", type=click.Path(path_type=Path))
@click.argument("why")
@click.option("--point", required=True, type=click.IntRange(1), help='Number of the point: "number" in readings.csv.')
@click.option("--tap", default="", help="Tap it was read at; the last one unless given.")
@click.option("--reading", required=True, type=click.IntRange(1), help="Which reading at that point.")
@click.option("--to", required=True, help='What it should have been: "12.013 mA".')
@click.option("--by", required=True, help="Who corrects it.")
@click.option("--confirm", is_flag=True, help="The value is meant, even if it looks like a slip.")
@json_option
def correct_command(  # noqa: PLR0913  one for each option
    record: Path, why: str, *, point: int, tap: str, reading: int, to: str, by: str, confirm: bool, as_json: bool
) -> None:
    """Correct a reading of a RECORD that is sealed, with the reason WHY.

    What was read stays; figures and report are computed with the correction, and
    the report shows both. A value that looks like a slip itself is asked about.

    \b
    Example:
      livezero correct results/2026-01-05T08-00-00_GF-104_by-hand --point 9 \\
        --reading 1 --to "12.013 mA" --by "A. Cellarman" "figures transposed"
    """
    from sequencer import core  # noqa: PLC0415

    def is_meant(question: str) -> bool:
        if confirm:
            click.echo(printable(f"{question} yes (--confirm)"), err=True)
            return True
        click.echo(printable(f"{question} [y/n] "), err=True, nl=False)
        return sys.stdin.readline().strip().casefold() in {"y", "yes"}

    can_ask = confirm or (sys.stdin is not None and sys.stdin.isatty())
    added = core.correct(
        record, point=point, tap=tap, reading=reading, to=to, by=by, why=why, is_meant=is_meant if can_ask else None
    )
    if as_json:
        print_json(added)
    before = "no reading" if added["before"] is None else f"{added['before']:.15g} {added['signal_unit']}"
    now = f"{added['signal']:.15g} {added['signal_unit']}"
    place = f'reading {reading} at point {point}, tap "{added["tap"]}"'
    click.echo(
        printable(f"corrected {place}: {before} is now {now}; livezero report {record} judges it again"), err=True
    )
