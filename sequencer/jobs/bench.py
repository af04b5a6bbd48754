"""A bench tried without a run: every instrument talked to, or a simulated one served to train on."""

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import yaml

from instruments.benchcheck import InstrumentCheck, check
from instruments.benchfile import LoadedBench
from instruments.clock import Clock, RealClock
from instruments.errors import InputError, UnsafeError
from instruments.finding import FoundResource, find_resources
from instruments.latch import left_on
from instruments.locks import bench_held, resources_of
from instruments.simulated.server import serve
from instruments.simulated.setup import simulated_bench
from instruments.wiring import wire
from sequencer.evaluation.certificates import with_certified
from sequencer.inputs.files import LoadedSequence
from sequencer.jobs.plan import acknowledgement, load, load_bench
from sequencer.jobs.safe import Say, see_to
from sequencer.planning.bench_statements import statements
from sequencer.running.confirmations import signals_stop

__all__ = ["ServedBench", "check_bench", "find_instruments", "simulate"]


def find_instruments(*, ask: Sequence[str] = (), backend: str = "@py") -> tuple[FoundResource, ...]:
    """The USB, GPIB and serial resources of this computer; who answers is asked only where `ask` names a resource.

    Raises:
        InstrumentError: the VISA backend cannot be used.
    """
    return find_resources(backend, ask)


def check_bench(
    bench: LoadedBench | str | Path,
    sequence: LoadedSequence | str | Path | None = None,
    *,
    acknowledged_by: str = "",
    say: Say | None = None,
) -> tuple[InstrumentCheck, ...]:
    """Talk to every instrument of a bench: identity, error queue, every function and range, safe level.

    Nothing is energised. It is what proves a description.

    Args:
        bench: the bench.
        sequence: whose unit a simulated bench takes; None = one that uses every kind of instrument.
        acknowledged_by: "NAME: reason" of who answers for a source that is not proved safe; "" = nobody does.
        say: takes what is not proved safe, and what becomes of it.

    Returns:
        What was found, instrument by instrument; of one that was left on, and is not proved safe, that alone.

    Raises:
        InputError: a file is at fault.
        InstrumentError: another run holds the bench, or the VISA backend cannot be used.

    Example:
        >>> checked = sequencer.check_bench("simulated")
        >>> [each.instrument for each in checked if each.error]
        []
    """
    loaded = load_bench(bench)
    if sequence is None:  # the chain uses most instruments, if the bench has its taps
        is_chain = {"demand", "returned"} <= set(loaded.file.taps)
        sequence = load("glycol-pump-loop" if is_chain else "pulse-to-current")
    unit = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    who = acknowledgement(acknowledged_by)
    with bench_held(loaded, job="bench check"):
        unsafe = {}
        for name, resource in resources_of(loaded).items():
            try:
                see_to(left_on({name: resource}), who=who, say=say)
            except UnsafeError as error:
                unsafe[name] = error
        return check(loaded, unit.sheet.datasheet(), unsafe=unsafe)


@dataclass(frozen=True, slots=True, kw_only=True)
class ServedBench:
    """A simulated bench behind real sockets: VISA resource by instrument, and the bench file that uses them."""

    resources: Mapping[str, str]
    bench_text: str
    clock: Clock

    def wait(self) -> None:
        """Until Ctrl-C or SIGTERM."""
        with signals_stop(), contextlib.suppress(KeyboardInterrupt):
            while True:
                self.clock.sleep(1.0)


@contextlib.contextmanager
def simulate(sequence: LoadedSequence | str | Path, bench: LoadedBench | str | Path) -> Iterator[ServedBench]:
    """Serve a simulated bench for the unit of a sequence over the loopback address, on free ports, in real time.

    Raises:
        InputError: a file is at fault, or the bench has no simulation.
    """
    loaded = load_bench(bench)
    unit = sequence if isinstance(sequence, LoadedSequence) else load(sequence)
    if loaded.file.simulation is None:
        raise InputError(
            "this bench has no simulation", where=str(loaded.path), todo="take --bench simulated, or add one"
        )
    clock = RealClock()
    sheet = unit.sheet.datasheet()
    certified = with_certified(sheet, statements(loaded, wire(loaded, sheet), unit.sheet))
    with serve(simulated_bench(loaded, certified, clock)) as served:
        yield ServedBench(resources=served.resources, bench_text=_served_text(loaded, served.resources), clock=clock)


def _served_text(loaded: LoadedBench, resources: Mapping[str, str]) -> str:
    """The bench file for a served bench: the same wiring and statements, its resources, through pyvisa-py."""
    file = loaded.file
    stated = file.model_dump(mode="json", by_alias=True, exclude_unset=True)
    instruments = {name: stated["instruments"][name] | {"resource": each} for name, each in resources.items()}
    for name in instruments.keys() & loaded.certificates.keys():  # the served file lies elsewhere
        inline = loaded.certificates[name].file.model_dump(mode="json", by_alias=True, exclude_unset=True)
        instruments[name]["certificate"] = inline
    taps = {
        tap: {"set by": wiring.set_by, "read by": wiring.read_by}
        for tap, wiring in file.taps.items()
        if {wiring.set_by, wiring.read_by} - {None} <= set(resources)
    }
    return yaml.safe_dump(
        {
            "bench": f"{file.bench}, served on this computer",
            "backend": "@py",
            "watchdog": "none",
            "instruments": instruments,
            "taps": {tap: {key: each for key, each in uses.items() if each} for tap, uses in taps.items()},
        }
        | {key: stated[key] for key in ("ambient", "correlations", "units") if key in stated},
        sort_keys=False,
        allow_unicode=True,
    )
