"""The commands for records: report, compare, verify, remark, correct."""

import sys
from pathlib import Path

import click

from sequencer.cli.batch import show_batch_report
from sequencer.cli.console import WIDTH, json_option, print_json, print_summary, printable, say, trials_option
from sequencer.cli.naming import found, results_option

__all__ = ["compare_command", "correct_command", "remark_command", "report_command", "verify_command"]


@click.command("report")
@click.argument("record", type=click.Path(path_type=Path))
@click.option(
    "--to",
    type=click.Path(path_type=Path),
    help="Write it to this file: .pdf, .html; tables as .xlsx, .parquet, .csv; .xml.",
)
@click.option("--table", default="", help="Which table: visits, points, figures, stages, end pairs, readings.")
@click.option("--order", type=click.Path(path_type=Path), help="Customer, order, condition ... (YAML): a test report.")
@click.option("--template", default="", help="Template of the workshop, by path or name: a test report.")
@click.option("--language", type=click.Choice(["en", "de", "es"]), help="Of the test report.")
@results_option
@trials_option
@json_option
def report_command(  # noqa: PLR0913  one an option
    record: Path,
    results: Path,
    to: Path | None,
    table: str,
    order: Path | None,
    template: str,
    language: str | None,
    trials: int | None,
    *,
    as_json: bool,
) -> None:
    """Write the report of a RECORD, or of a batch, again, recomputed from its journal.

    A RECORD is named by its folder; by the serial of its unit, whose last one is
    taken; by SERIAL@as-found, SERIAL@as-left or SERIAL@DATE; or by its digest.

    With an order or a template it is the test report for a customer; what it should
    state and nobody stated is named. As .xml it is a Digital Calibration Certificate
    (PTB, DCC 3.3).

    \b
    Examples:
      livezero report results/2026-01-05T08-00-00_GF-104_pulse-to-current
      livezero report GF-104@as-found
      livezero report RECORD --to readings.csv --table readings
      livezero report RECORD --to TR-17.pdf --order order.yaml \\
        --template brewery-workshop --language de
    """
    from sequencer import core  # noqa: PLC0415

    record = found(record, results)
    is_certificate = to is not None and to.suffix.lower() == ".xml"
    is_for_customer = bool(order or template or language) or is_certificate
    if to is None and (is_for_customer or table):
        raise click.UsageError("--order, --template, --language and --table need --to FILE")
    if core.is_batch(record):
        if is_for_customer or table:
            raise click.UsageError("a batch has one page; name the record of one of its units")
        show_batch_report(record, to=to, as_json=as_json)
        return
    read = core.load_record(record) if trials is None else core.by_trials(record, limit=trials)
    missing: tuple[str, ...] = ()
    if to is None:
        path = core.write_report(read.content, core.report_path(record))
    elif is_for_customer:
        issued = core.issue(read, to, order=order, template=template, language=language or "")
        path, missing = issued.path, issued.missing
        for each in issued.doubts:
            click.echo(printable(f"warning: {each}: see the order; a correction is a new revision"), err=True)
    else:
        path = core.write_document(read, to, table=table)
    if missing:
        click.echo(printable(f"not stated in it: {'; '.join(missing)}"), err=True)
    if as_json:
        print_json(core.document(read.content) | {"report": str(path)} | ({"not_stated": missing} if missing else {}))
        return
    print_summary(read.content)
    click.echo(printable(f"report: {path}"))


@click.command("compare")
@click.argument("a", type=click.Path(path_type=Path))
@click.argument("b", type=click.Path(path_type=Path))
@click.option("--within", default="", help='Ask for equivalence within this: "0.1 % of span".')
@click.option(
    "--to", "path", type=click.Path(path_type=Path), help="Write it with its plots to this file, .html or .pdf."
)
@click.option("--type", "type_sheet", help="Type sheet, where A or B is a CSV taken by hand.")
@click.option("--bench", help="Bench file of the instruments such a CSV was taken with.")
@click.option("--same-bench", is_flag=True, help="The same instruments took both, in the same ranges.")
@results_option
@json_option
def compare_command(  # noqa: PLR0913  one for each option
    a: Path,
    b: Path,
    results: Path,
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
    Examples:
      livezero compare results/RECORD-A results/RECORD-B --within "0.1 % of span"
      livezero compare GF-104@as-found GF-104@as-left
    """
    from sequencer import core  # noqa: PLC0415
    from sequencer.reports.json_document import comparison_document  # noqa: PLC0415
    from sequencer.reports.terminal import comparison_text  # noqa: PLC0415

    a, b = found(a, results), found(b, results)

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
@results_option
@json_option
def verify_command(records: tuple[Path, ...], results: Path, *, as_json: bool) -> None:
    """Prove that each RECORD is what was sealed, or list what was altered.

    Of a batch it is the record of each unit. Digests, the chain of the journal and
    all figures are computed again. Compare the digest with one stored elsewhere, such
    as on a printed report.

    \b
    Exit status: 0 every one intact, 1 one altered or not sealed, 2 no record.
    \b
    Example:
      livezero verify results/2026-01-05T08-00-00_GF-104_pulse-to-current
    """
    from sequencer import core  # noqa: PLC0415

    named = [_each_of(record, results) for record in records]
    verified = [core.verify(each) for folders, _ in named for each in folders]
    is_whole = all(of_all for _, of_all in named)
    if as_json:
        print_json(
            [
                {"record": str(each.folder), "is_intact": each.is_intact, "sha256": each.sha256}
                | {"findings": list(each.findings), "files": each.files_n, "lines": each.lines_n}
                | {"added": each.added_n, "todo": each.todo}
                for each in verified
            ]
        )
    else:
        for each in verified:
            state = "intact" if each.is_intact else "ALTERED" if each.findings else "NOT SEALED"
            click.echo(printable(f"{each.folder}: {state}"))
            for finding in each.findings:
                click.echo(printable(f"  {finding}"))
            if each.sha256:
                click.echo(f"  sha256 {each.sha256}")
            click.echo(f"  {each.files_n} files, {each.lines_n} lines of journal, {each.added_n} added after sealing")
            for line in each.todo:
                click.echo(printable(f"  do: {line}"))
    sys.exit(0 if is_whole and all(each.is_intact for each in verified) else 1)


def _each_of(record: Path, results: Path) -> tuple[list[Path], bool]:
    """The record that is named, of a batch those of its units, which is said; and whether each unit has one."""
    from sequencer.record.batch import is_batch, load_batch, records_of  # noqa: PLC0415

    if not is_batch(record):
        return [found(record, results)], True
    serials, of_units = load_batch(record).serials, records_of(record)
    say(f"{record} is a batch of {len(serials)} units: the record of each is verified; its pages are made of them")
    missing = [serial for serial in serials if serial not in of_units]
    if missing:
        say(f"without a record, or with one that is of another unit now: {', '.join(missing)}")
    return list(of_units.values()), not missing


@click.command("remark")
@click.argument("record", type=click.Path(path_type=Path))
@click.argument("text")
@click.option("--by", required=True, help="Who says it.")
@results_option
@json_option
def remark_command(record: Path, text: str, by: str, results: Path, *, as_json: bool) -> None:
    """Add a remark to a RECORD that is sealed; nothing in it is changed.

    \b
    Example:
      livezero remark results/2026-01-05T08-00-00_GF-104_pulse-to-current \\
        --by "A. Cellarman" "The cover was off while it ran."
    """
    from sequencer import core  # noqa: PLC0415

    record = found(record, results)
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
@results_option
@json_option
def correct_command(  # noqa: PLR0913  one for each option
    record: Path,
    why: str,
    results: Path,
    *,
    point: int,
    tap: str,
    reading: int,
    to: str,
    by: str,
    confirm: bool,
    as_json: bool,
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

    record = found(record, results)
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
