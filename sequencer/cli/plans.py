"""The commands that plan and run a sequence, and say what the risks of it are."""

from pathlib import Path

import click

from sequencer.cli.bench import bench_options, completed_from, said_if_left_on
from sequencer.cli.console import WIDTH, json_option, named_options, print_json, say, step_options
from sequencer.cli.runs import Watch, drive_options, see_to_cut_off, show_result

__all__ = ["plan_command", "risk_command", "run_command"]


@click.command("plan")
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


@click.command("run")
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


@click.command("risk")
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
