"""Files opened by path or by name, planned on a bench; what the plan risks, and who accepts a low TUR."""

from collections.abc import Iterable
from pathlib import Path

from instruments.benchfile import LoadedBench
from instruments.benchfile import load_bench as load_bench_file
from instruments.benchmodel import LARGEST_SEED
from instruments.errors import InputError
from instruments.units import terms
from instruments.yamlfile import find
from sequencer.inputs.files import LoadedSequence, load_sequence, load_type_sheet
from sequencer.inputs.selection import selected
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.earlier_runs import earlier_times
from sequencer.jobs.shipped import BENCHES
from sequencer.planning.plan import Plan
from sequencer.planning.plan import plan as planned
from sequencer.planning.risk_table import IN_TOLERANCE, RiskTable, risk_table

__all__ = ["acceptance", "acknowledgement", "clearance", "load", "load_bench", "load_type", "plan", "risk", "seal_anew"]


def load(sequence: str | Path) -> LoadedSequence:
    """A sequence by path, or by the name of one that comes with livezero; raises InputError.

    Example:
        >>> sequencer.load("pulse-to-current").sheet.type
        'glycol flow converter, pulse rate to current (invented)'
    """
    return load_sequence(str(sequence))


def load_type(sheet: str | Path) -> TypeSheet:
    """A type sheet by path, or by the name of one that comes with livezero; raises InputError.

    Example:
        >>> sequencer.load_type("pulse-to-current").datasheet().taps[-1].unit
        'mA'
    """
    return load_type_sheet(str(sheet))[0]


def load_bench(
    bench: LoadedBench | str | Path, *, faults: Iterable[str] | str = (), seed: int | None = None
) -> LoadedBench:
    """A bench file by path, or by the name of one that comes with livezero, such as "simulated".

    Args:
        bench: path or name; or one that was loaded, which is given faults or a seed.
        faults: that a simulated bench is given beside its own, each as "span error, span=0.8 %".
        seed: of a simulated bench; None = its own.

    Raises:
        InputError: there is none, it is at fault, or there is no such fault.

    Example:
        >>> bench = sequencer.load_bench("simulated", faults="zero shift, zero=0.4 %", seed=7)
        >>> bench.file.simulation.seed
        7
    """
    loaded = (
        bench
        if isinstance(bench, LoadedBench)
        else load_bench_file(find(str(bench), what="bench file", folder=BENCHES))
    )
    given = tuple(filter(None, (faults,) if isinstance(faults, str) else faults))
    if not given and seed is None:
        return loaded
    if seed is not None and seed not in range(LARGEST_SEED + 1):
        raise InputError(f'"{seed}" is no seed', where="--seed", allowed=f"a whole number, 0 to {LARGEST_SEED}")
    from instruments.simulated.setup import entry_from_text  # noqa: PLC0415  a real bench needs none of it

    return loaded.with_simulation(seed=seed, faults=tuple(entry_from_text(str(each)) for each in given))


def plan(
    sequence: LoadedSequence | str | Path,
    bench: LoadedBench | str | Path,
    *,
    faults: Iterable[str] | str = (),
    seed: int | None = None,
    only: str = "",
    first: str = "",
    results: Path | str | None = None,
) -> Plan:
    """What will happen, for how long, and whether this bench can do it.

    Args:
        sequence: by path, by name, or loaded.
        bench: likewise.
        faults: as in `load_bench`.
        seed: as in `load_bench`.
        only: steps to take, by number or name, with commas between; "" = all.
        first: the step to begin with, by number or name; "" = the first.
        results: where the records of earlier runs are, by which it is timed; None = by the type sheet alone.

    Raises:
        InputError: a file is at fault.
        PlanError: the bench cannot do it, or the unit could be harmed.

    Example:
        >>> plan = sequencer.plan("pulse-to-current", "simulated", faults="span error, span=0.8 %", seed=7)
        >>> len(plan.points), plan.tur > 4
        (73, True)
    """
    loaded = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    if only or first:
        loaded = selected(loaded, only=str(only), first=str(first))
    made = planned(loaded, load_bench(bench, faults=faults, seed=seed))
    if results is None:
        return made
    earlier = earlier_times(made, Path(results))
    return made.timed(earlier.points, runs_n=earlier.runs_n, searched_s=earlier.searched_s) if earlier.runs_n else made


def risk(planned: Plan, *, in_tolerance: float = IN_TOLERANCE, scatter: str = "") -> RiskTable:
    """How often a good unit will be rejected and a bad one accepted: with all its points, and over the guard band.

    Args:
        planned: with the uncertainty of its points.
        in_tolerance: share of all units that is truly in tolerance, 0..1.
        scatter: standard deviation of one reading at the output, such as "0.002 mA" or "0.01 % of span"; "" = none.

    Raises:
        InputError: the share is not between 0 and 1, or the scatter is no such.
        PlanError: no uncertainty is known, or it exceeds the tolerance.
    """
    if not 0 < in_tolerance < 1:
        raise InputError("the share of good units is not between 0 and 100 %", todo="give such as 95 %")
    output = planned.sheet.taps[-1]
    width = 0.0
    if scatter:
        width = terms(scatter, bases=("span",), like=(output.unit,)).half_width(output.unit, span=output.span)
    return risk_table(planned, in_tolerance=in_tolerance, scatter=abs(width))


def acceptance(accepted: str) -> str:
    """Who accepts a low test uncertainty ratio, and why, as it is kept; raises InputError where one is not said."""
    return _named(
        accepted,
        what="who accepts the low TUR, and why,",
        where="--accept-low-tur",
        example="A. Brewer: the next better meter is away for calibration",
    )


def clearance(cleared: str) -> str:
    """Who proved bench and wiring right, and how, as it is kept; raises InputError where one is not said."""
    return _named(
        cleared,
        what="who proved bench and wiring right, and how,",
        where="--bench-cleared",
        allowed="NAME: how",
        example="A. Brewer: a second meter at the terminals of the unit reads the same",
    )


def acknowledgement(acknowledged: str) -> str:
    """Who answers for a bench that is not proved safe, and why, as it is kept; raises InputError as `acceptance`."""
    return _named(
        acknowledged,
        what="who answers for the bench, and why,",
        where="--acknowledge",
        example="A. Brewer: the source is switched off at its mains",
    )


def seal_anew(sealed_anew_by: str) -> str:
    """Who has a record sealed anew, and why, as it is kept; raises InputError as `acceptance`."""
    return _named(
        sealed_anew_by,
        what="who has the record sealed anew, and why,",
        where="--seal-anew",
        example="A. Brewer: digest.json was lost with the disk; the printed report agrees",
    )


def _named(text: str, *, what: str, where: str, example: str, allowed: str = "NAME: reason") -> str:
    """A person and a reason as they are kept; "" where neither is given."""
    name, _, reason = (part.strip() for part in text.partition(":"))
    if text.strip() and not (name and reason):
        raise InputError(f"{what} is not said", where=where, allowed=allowed, todo=f'give such as "{example}"')
    return f"{name}: {reason}" if name else ""
