"""The command that judges readings which a person took."""

import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from sequencer.cli.bench import completed_from
from sequencer.cli.console import json_option, named_options, print_json, print_summary, trials_option

if TYPE_CHECKING:
    from sequencer.inputs.type_sheet import TypeSheet

__all__ = ["evaluate_command"]


@click.command("evaluate")
@click.argument("readings", type=click.Path(path_type=Path))
@click.option(
    "--type", "type_sheet", shell_complete=completed_from("type sheets"), help="Type sheet of the unit: path or name."
)
@click.option("--input", "input_range", help='In place of a type sheet: range of the input, "0 .. 60 Hz".')
@click.option("--output", "output_range", help='Range of the output, "4 .. 20 mA".')
@click.option("--tolerance", help='What the unit may be wrong by, "0.5 % of span".')
@click.option("--worksheet", default="", help="Worksheet of a workbook (XLSX, ODS); else the first.")
@click.option("--serial", default="", help="Serial of the unit.")
@click.option(
    "--bench", shell_complete=completed_from("benches"), help="Bench file of the instruments used, for the uncertainty."
)
@click.option("--report", "report_path", type=click.Path(path_type=Path), help="Write a report, .html or .pdf.")
@named_options
@trials_option
@json_option
def evaluate_command(  # noqa: PLR0913  one an option
    readings: Path,
    *,
    type_sheet: str | None,
    input_range: str | None,
    output_range: str | None,
    tolerance: str | None,
    worksheet: str,
    serial: str,
    bench: str | None,
    report_path: Path | None,
    low_tur_accepted: str,
    bench_cleared: str,
    trials: int | None,
    as_json: bool,
) -> None:
    """Judge READINGS taken by hand (CSV, XLSX, ODS), with the same figures as a run.

    \b
    Examples, with columns "injected [Hz]" and "returned [mA]":
      livezero evaluate readings.csv --type pulse-to-current --bench by-hand
      livezero evaluate readings.xlsx --input "0 .. 60 Hz" --output "4 .. 20 mA" \\
        --tolerance "0.5 % of span"
    """
    from sequencer import core  # noqa: PLC0415

    content = core.by_hand(
        readings,
        _type_of(type_sheet, {"input": input_range, "output": output_range, "tolerance": tolerance}),
        serial=serial,
        bench=bench,
        low_tur_accepted=low_tur_accepted,
        bench_cleared=bench_cleared,
        monte_carlo=trials,
        worksheet=worksheet,
    )
    if report_path is not None:
        core.write_report(content, report_path)
    if as_json:
        print_json(core.document(content))
    else:
        print_summary(content)
    sys.exit(0 if content.verdict.is_pass else 1)


def _type_of(type_sheet: str | None, stated: dict[str, str | None]) -> "TypeSheet | str":
    """The type sheet that was named, or one of the ranges and the tolerance that were."""
    from sequencer.inputs.stated_type import stated_type  # noqa: PLC0415

    given = {name: text for name, text in stated.items() if text is not None}
    if type_sheet is not None:
        if given:
            raise click.UsageError(f"--type says what --{' and --'.join(given)} would: give the one or the other")
        return type_sheet
    missing = [f"--{name}" for name in stated if name not in given]
    if missing:
        raise click.UsageError(
            f"{' and '.join(missing)} missing: "
            'give --type, or --input "0 .. 60 Hz" --output "4 .. 20 mA" --tolerance "0.5 % of span"'
        )
    return stated_type(**given)
