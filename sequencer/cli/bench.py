"""The commands for benches (check, simulate, faults), and how a bench is named at any command."""

import contextlib
import shlex
import sys
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click
from click.shell_completion import CompletionItem

from sequencer.cli.console import (
    Face,
    acknowledge_option,
    error_document,
    in_lines,
    json_option,
    print_json,
    printable,
    say,
)

if TYPE_CHECKING:
    from instruments.benchcheck import InstrumentCheck
    from instruments.benchfile import LoadedBench

__all__ = ["bench_group", "bench_options", "completed_from", "said_if_left_on", "show_checks"]


def completed_from(kind: str) -> Callable[[click.Context, click.Parameter, str], list[CompletionItem]]:
    """Completes what comes along by name, then files."""

    def complete(ctx: click.Context, param: click.Parameter, typed: str) -> list[CompletionItem]:
        del ctx, param
        from sequencer import core  # noqa: PLC0415

        found = [CompletionItem(name, help=title) for name, title in core.shipped_names()[kind].items()]
        return [each for each in found if each.value.startswith(typed)] + [CompletionItem(typed, type="file")]

    return complete


def _fault_names(ctx: click.Context, param: click.Parameter, typed: str) -> list[CompletionItem]:
    del ctx, param
    from instruments.simulated.faults import CATALOGUE  # noqa: PLC0415

    return [CompletionItem(name, help=kind.meaning) for name, kind in CATALOGUE.items() if name.startswith(typed)]


def bench_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Which bench, and what a simulated one is given, as the arguments `bench`, `faults` and `seed`."""
    for option in (
        click.option("--seed", type=click.IntRange(0, 2**31), help="Seed of a simulated bench."),
        click.option(
            "--fault",
            "faults",
            multiple=True,
            shell_complete=_fault_names,
            help='Fault for a simulated bench: "span error, span=0.8 %". Repeatable.',
        ),
        click.option(
            "--bench",
            required=True,
            shell_complete=completed_from("benches"),
            help='Bench file, or the name of one that is supplied: "simulated".',
        ),
    ):
        command = option(command)
    return command


@contextlib.contextmanager
def said_if_left_on(bench: "LoadedBench") -> Iterator[None]:
    """Say first of a bench that nothing is asked of what is not proved safe on it; then leave with 4, come what may.

    Raises:
        UnsafeError: something is not proved safe, and what is done here fails as well: that stands after it.
    """
    from instruments.errors import LivezeroError, UnsafeError  # noqa: PLC0415
    from sequencer import core  # noqa: PLC0415

    found = core.not_proved_safe(bench)
    for line in found:
        say(line)
    if found:
        say(f"  do: livezero bench check {bench.path} tries again to make it safe")
    try:
        yield
    except LivezeroError as error:
        if not found:
            raise
        raise UnsafeError(found[0], others=(error,)) from error
    if found:
        sys.exit(UnsafeError.family_code)


@click.group("bench", cls=Face)
def bench_group() -> None:
    """Check a bench, find its instruments, or simulate one.

    \b
    Example:
      livezero bench check simulated
    """


@bench_group.command("check")
@click.argument("bench", shell_complete=completed_from("benches"))
@acknowledge_option
@json_option
def check_command(bench: str, acknowledged_by: str, *, as_json: bool) -> None:
    """Talk to every instrument of BENCH: identity, errors, ranges, safe level.

    Nothing is energised: outputs stay off, at their safe level. A source that an
    earlier run left on is made safe first.

    \b
    Example:
      livezero bench check instruments/benches/workshop-network.yaml
    """
    from sequencer import core  # noqa: PLC0415

    checks = core.check_bench(bench, acknowledged_by=acknowledged_by, say=say)
    if as_json:
        print_json(
            [
                {"instrument": each.instrument, "resource": each.resource, "identity": each.identity}
                | {"findings": list(each.findings), "error": error_document(each.error) if each.error else None}
                | {"told_only": each.is_told_only}
                for each in checks
            ]
        )
    else:
        show_checks(checks)
    sys.exit(_code_of(checks))


def _code_of(checks: "Sequence[InstrumentCheck]") -> int:
    return max((each.error.exit_code for each in checks if each.error), default=0)


def show_checks(checks: "Sequence[InstrumentCheck]") -> int:
    """What was found at each instrument; returns the exit code for it."""
    for each in checks:
        word = "FAULT" if each.error else "told" if each.is_told_only else "ok"
        click.echo(printable(f"{word:6}{each.instrument}: {each.identity or each.what}"))
        for line in (*each.findings, *(each.error.lines if each.error else ())):
            click.echo(printable(f"      {line}"))
    return _code_of(checks)


@bench_group.command("find")
@click.option(
    "--ask",
    multiple=True,
    metavar="RESOURCE",
    help="Ask who is here, by *IDN? and nothing else. Repeatable.",
)
@click.option("--backend", default="@py", show_default=True, help='VISA backend; "@ivi" is that of the system.')
@json_option
def find_command(ask: tuple[str, ...], backend: str, *, as_json: bool) -> None:
    """List the USB, GPIB and serial resources of this computer.

    Nothing is sent to any of them but to those that --ask names. The network is not
    searched: a socket is named as TCPIP::192.0.2.7::5025::SOCKET.

    \b
    Example:
      livezero bench find --ask USB0::0x0000::0x0001::SN1::INSTR
    """
    from sequencer import core  # noqa: PLC0415

    found = core.find_instruments(ask=ask, backend=backend)
    if as_json:
        print_json(
            [
                {"resource": each.resource, "identity": each.identity}
                | {"error": error_document(each.error) if each.error else None}
                for each in found
            ]
        )
    else:
        for each in found:
            click.echo(printable(f"{each.resource}{f': {each.identity}' if each.identity else ''}"))
            for line in each.error.lines if each.error else ():
                click.echo(printable(f"      {line}"))
        if not found:
            say("no USB, GPIB or serial resource was found; a socket has to be named: --ask TCPIP::HOST::PORT::SOCKET")
    sys.exit(max((each.error.exit_code for each in found if each.error), default=0))


@bench_group.command("simulate")
@click.argument("sequence", shell_complete=completed_from("sequences"))
@click.option(
    "--bench",
    default="simulated",
    show_default=True,
    shell_complete=completed_from("benches"),
    help="Bench file with a simulation.",
)
@click.option("--seed", type=click.IntRange(0, 2**31), help="Seed.")
@click.option(
    "--fault", "faults", multiple=True, shell_complete=_fault_names, help='Fault: "span error, span=0.8 %". Repeatable.'
)
@click.option("--write", "path", type=click.Path(path_type=Path), help="Write the bench file for it here.")
@json_option
def simulate_command(
    sequence: str, bench: str, seed: int | None, faults: tuple[str, ...], path: Path | None, *, as_json: bool
) -> None:
    """Serve a simulated bench for the unit of SEQUENCE over real sockets.

    It runs in real time on this computer's loopback address, on free ports, until
    Ctrl-C. The bench file that it prints, or writes, is used from another terminal.

    \b
    Example:
      livezero bench simulate pulse-to-current --write served.yaml
      livezero run pulse-to-current --bench served.yaml --serial GF-104 --confirm
    """
    from sequencer import core  # noqa: PLC0415

    with core.simulate(sequence, core.load_bench(bench, faults=faults, seed=seed)) as served:
        if path is not None:
            try:
                path.write_text(served.bench_text, encoding="utf-8")
            except OSError as error:
                raise click.FileError(str(path), hint=error.strerror) from error
        if as_json:
            print_json({"resources": dict(served.resources), "bench": served.bench_text})
        elif path is None:
            click.echo(served.bench_text)
        click.echo(f"serving {len(served.resources)} instruments on the loopback address; Ctrl-C ends it", err=True)
        lines = "write the lines above to" if sys.stdout.isatty() else "the bench file on standard output is here"
        to_file = "" if path is not None else f"{lines} served.yaml; "
        click.echo(in_lines(f"{to_file}in another terminal:"), err=True)
        click.echo(printable(f"  {_run_on(sequence, path or Path('served.yaml'))}"), err=True)
        sys.stdout.flush()
        served.wait()


def _run_on(sequence: str, bench: Path) -> str:
    """The command that runs a sequence on a served bench."""
    return f"livezero run {shlex.quote(sequence)} --bench {shlex.quote(str(bench))} --serial SERIAL --confirm"


@bench_group.command("faults")
@json_option
def faults_command(*, as_json: bool) -> None:
    """List the faults that a simulated bench can be given, with their sizes.

    \b
    Example:
      livezero bench faults
    """
    from instruments.simulated.faults import CATALOGUE  # noqa: PLC0415
    from instruments.simulated.setup import size_keys  # noqa: PLC0415

    rows: list[dict[str, Any]] = [
        {"fault": name, "meaning": kind.meaning}
        | {
            "sizes": {
                key: f"{each.default:g} {each.unit}".removesuffix(" 1").replace("delta_", "")
                for (key, _), each in zip(size_keys(kind).items(), kind.parameters, strict=True)
            }
        }
        for name, kind in CATALOGUE.items()
    ]
    if as_json:
        print_json(rows)
        return
    for row in rows:
        sizes = ", ".join(f"{key}={size}" for key, size in row["sizes"].items())
        click.echo(f"{row['fault']}" + (f", {sizes}" if sizes else ""))
        click.echo(f"    {row['meaning']}")
