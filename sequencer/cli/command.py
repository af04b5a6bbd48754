"""The command: parse, call `core`, show. Each thing it can do is one function there.

Nothing heavy is imported at the top: `livezero --help` and shell completion answer at once. Results go to stdout, talk
to stderr; with `--json` one document goes to stdout and nothing else.
"""

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from instruments.version import __version__
from sequencer.cli.batch import batch_command
from sequencer.cli.bench import bench_group, bench_options, completed_from, said_if_left_on
from sequencer.cli.by_hand import evaluate_command
from sequencer.cli.console import (
    WIDTH,
    Face,
    json_option,
    left_with,
    named_options,
    print_json,
    say,
    step_options,
)
from sequencer.cli.index import index_command, records_command
from sequencer.cli.new import new_group
from sequencer.cli.over_time import (
    baseline_command,
    control_command,
    envelope_command,
    history_command,
    impact_command,
    regression_command,
    repaired_command,
)
from sequencer.cli.records import compare_command, correct_command, remark_command, report_command, verify_command
from sequencer.cli.runs import (
    Watch,
    close_command,
    drive_options,
    resume_command,
    salvage_command,
    see_to_cut_off,
    show_result,
)
from sequencer.cli.streams import keep_streams
from sequencer.cli.transfer import export_command, import_command

__all__ = ["main"]


@click.group(cls=Face, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": WIDTH})
@click.version_option(__version__, prog_name="livezero")
def cli() -> None:
    """Prove a signal converter or transmitter on the bench.

    \b
    Example:
      livezero run pulse-to-current --bench simulated --serial GF-104
    """


@cli.command("plan")
@click.argument("sequence", shell_complete=completed_from("sequences"))
@bench_options
@step_options
@click.option("--results", default="results", show_default=True, help="Records of earlier runs, which tell the time.")
@json_option
def plan_command(
    sequence: str,
    bench: str,
    faults: tuple[str, ...],
    seed: int | None,
    only: str,
    first: str,
    results: str,
    *,
    as_json: bool,
) -> None:
    """Show what SEQUENCE will do on a bench, for how long, and whether the bench can.

    \b
    Exit status: 0 possible, 2 input or plan at fault, 4 a source of the bench is
    NOT proved safe after an earlier run.
    \b
    Example:
      livezero plan pulse-to-current --bench simulated
    """
    from sequencer import core  # noqa: PLC0415

    named = core.load_bench(bench, faults=faults, seed=seed)
    with said_if_left_on(named):
        planned = core.plan(sequence, named, only=only, first=first, results=results)
        if as_json:
            print_json(core.plan_document(planned))
            return
        from sequencer.reports.terminal import plan_text  # noqa: PLC0415

        click.echo(plan_text(planned, width=WIDTH))


@cli.command("run")
@click.argument("sequence", shell_complete=completed_from("sequences"))
@bench_options
@step_options
@click.option("--serial", required=True, help="Serial of the unit, as on its plate.")
@click.option("--tag", default="", help="Tag of the place that it is for.")
@click.option("--as-found", is_flag=True, help="The unit is as it came; nothing was adjusted.")
@click.option("--as-left", is_flag=True, help="The unit was adjusted or repaired.")
@click.option("--results", default="results", show_default=True, help="Folder for the records.")
@named_options
@drive_options
def run_command(  # noqa: PLR0913  one an option
    sequence: str,
    bench: str,
    faults: tuple[str, ...],
    seed: int | None,
    serial: str,
    tag: str,
    operator: str,
    results: str,
    *,
    only: str,
    first: str,
    low_tur_accepted: str,
    bench_cleared: str,
    trials: int | None,
    as_found: bool,
    as_left: bool,
    confirm: bool,
    pursue: bool,
    acknowledged_by: str,
    **watched: bool,
) -> None:
    """Run SEQUENCE on a bench, judge the unit, keep the record.

    What a run before left on comes first: it is made safe, or nothing begins. One that is
    stopped after its first reading is not over: livezero resume goes on with it.

    \b
    Exit status: 0 pass, 1 not passed, 2 input or plan at fault, 3 bench fault
    (made safe), 4 NOT made safe, 130 interrupted (made safe).
    \b
    Example:
      livezero run pulse-to-current --bench simulated --serial GF-104 --as-found
    """
    from sequencer import core  # noqa: PLC0415

    if as_found and as_left:
        raise click.UsageError("a run is as found or as left, not both")
    named = core.load_bench(bench, faults=faults, seed=seed)
    core.prove_safe(named, acknowledged_by=acknowledged_by, say=say)
    planned = core.plan(sequence, named, only=only, first=first, results=results)
    if see_to_cut_off(Path(results), acknowledged_by=acknowledged_by, **watched):
        return
    with Watch(planned, confirm=confirm, **watched) as watch:
        result = core.run(
            planned,
            serial=serial,
            tag=tag,
            results=Path(results),
            state="as found" if as_found else "as left" if as_left else "",
            operator_name=operator,
            operator=watch.operator,
            listener=watch.listener,
            trace=watch.trace,
            low_tur_accepted=low_tur_accepted,
            bench_cleared=bench_cleared,
            monte_carlo=trials,
            pursue=pursue,
        )
    show_result(result, **watched)


@cli.command("trace")
@click.argument("file", type=click.Path(path_type=Path))
@click.argument("other", required=False, type=click.Path(path_type=Path))
@click.option("--pulses-per-revolution", type=click.IntRange(2, 100_000), help="Pulses of one revolution of the wheel.")
@click.option("--column", default="", help="Column by name, or channel by number; else the first after the time.")
@click.option("--interval", help='Time from sample to sample of a file without times: "10 us".')
@click.option(
    "--thresholds", type=(float, float), help="Lower and upper threshold of a count, in the unit of the trace."
)
@click.option("--report", "page", type=click.Path(path_type=Path), help="Write a report to this file, .html or .pdf.")
@json_option
def trace_command(
    file: Path,
    other: Path | None,
    pulses_per_revolution: int | None,
    column: str,
    interval: str | None,
    thresholds: tuple[float, float] | None,
    page: Path | None,
    *,
    as_json: bool,
) -> None:
    """Tell what a trace from an oscilloscope (CSV or WAV FILE) is, what causes it, and what to check next.

    With an OTHER trace of the same signal, what changed from the first to it: drive off
    and on, before and after a filter.

    \b
    Examples:
      livezero trace pickup.csv --pulses-per-revolution 60
      livezero trace pickup.csv --report pickup.html
      livezero trace off.csv on.csv --thresholds 1.5 3.5
    """
    from instruments.units import magnitude, quantity  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415
    from sequencer.diagnosis import waveform as tracing  # noqa: PLC0415
    from sequencer.diagnosis.trace_pair import pair_json  # noqa: PLC0415

    interval_s = None if interval is None else magnitude(quantity(interval, like="s"), "s", where="--interval")
    given: dict[str, Any] = {
        "column": column,
        "interval_s": interval_s,
        "pulses_per_revolution": pulses_per_revolution,
        "thresholds": thresholds,
    }
    if other is not None:
        if page is not None:
            raise click.UsageError("--report is of one trace: leave the other out")
        pair = core.compare_traces(file, other, **given)
        if as_json:
            print_json(pair_json(pair))
            return
        from sequencer.reports.terminal import pair_text  # noqa: PLC0415

        click.echo(pair_text(pair, file.name, other.name, width=WIDTH))
        return
    found = core.trace(file, page=page, **given)
    if as_json:
        print_json(tracing.as_json(found))
        return
    from sequencer.reports.terminal import trace_text  # noqa: PLC0415

    click.echo(trace_text(found, file.name, width=WIDTH))


@cli.command("risk")
@click.argument("sequence", shell_complete=completed_from("sequences"))
@bench_options
@click.option("--in-tolerance", default="95 %", show_default=True, help="Share of all units truly in tolerance.")
@click.option("--scatter", default="", help='Standard deviation of one reading at the output: "0.01 % of span".')
@json_option
def risk_command(
    sequence: str,
    bench: str,
    faults: tuple[str, ...],
    seed: int | None,
    in_tolerance: str,
    scatter: str,
    *,
    as_json: bool,
) -> None:
    """Show how often SEQUENCE on a bench rejects a good unit or accepts a bad one.

    \b
    Example:
      livezero risk pulse-to-current --bench simulated --in-tolerance "90 %"
    """
    import dataclasses  # noqa: PLC0415

    from instruments.texts import COMPUTED_DIGITS, json_value  # noqa: PLC0415
    from instruments.units import magnitude, quantity  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415

    share = magnitude(quantity(in_tolerance, like="%"), "%") / 100
    planned = core.plan(sequence, core.load_bench(bench, faults=faults, seed=seed))
    found = core.risk(planned, in_tolerance=share, scatter=scatter)
    if as_json:
        print_json(json_value(dataclasses.asdict(found), digits=COMPUTED_DIGITS))
        return
    from sequencer.reports.terminal import risk_text  # noqa: PLC0415

    click.echo(risk_text(found))


@cli.command("sequences")
@click.option("--copy-to", "folder", type=click.Path(path_type=Path), help="Copy them, type sheets and benches here.")
@json_option
def sequences_command(folder: Path | None, *, as_json: bool) -> None:
    """List the sequences, type sheets and benches that come along, or copy them.

    \b
    Example:
      livezero sequences --copy-to my-sequences
    """
    from sequencer import core  # noqa: PLC0415

    if folder is not None:
        copied = core.copy_shipped(folder)
        click.echo(f"{len(copied)} files copied to {folder}", err=True)
    names = core.shipped_names()
    if as_json:
        print_json(names)
        return
    for kind, entries in names.items():
        click.echo(f"{kind}:")
        for name, title in entries.items():
            click.echo(f"  {name:28} {title}")


@cli.command("schema")
@click.argument(
    "kind", type=click.Choice(["sequence", "type", "bench", "instrument", "certificate", "order", "template"])
)
def schema_command(kind: str) -> None:
    """Print the JSON Schema of a kind of file, for an editor.

    \b
    Example:
      livezero schema sequence > sequence.schema.json
    """
    from sequencer import core  # noqa: PLC0415

    print_json(core.schema(kind))


@cli.command("completion")
@click.argument("shell", type=click.Choice(["bash", "zsh", "fish"]))
def completion_command(shell: str) -> None:
    """Print the completion script of a shell.

    \b
    Example, for bash:
      eval "$(livezero completion bash)"
    """
    from click.shell_completion import get_completion_class  # noqa: PLC0415

    found = get_completion_class(shell)
    assert found is not None
    click.echo(found(cli, {}, "livezero", "_LIVEZERO_COMPLETE").source())


for _command in (
    evaluate_command,
    new_group,
    index_command,
    records_command,
    export_command,
    import_command,
    batch_command,
    bench_group,
    resume_command,
    close_command,
    salvage_command,
    report_command,
    compare_command,
    verify_command,
    remark_command,
    correct_command,
    baseline_command,
    control_command,
    envelope_command,
    history_command,
    impact_command,
    regression_command,
    repaired_command,
):
    cli.add_command(_command)


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
