"""livezero: proves signal converters and transmitters on the bench, and tells why one fails.

    import sequencer

    plan = sequencer.plan("pulse-to-current", "simulated")
    result = sequencer.run(plan, serial="GF-104")
    sequencer.open("GF-104").plot()

Of each name here `help` has an example. Whatever is wrong with what they are given is a `LivezeroError`, which says
what, where, and what to do.
"""

TYPE_CHECKING = False  # that of `typing` takes longer to import than this package, and the program has no signals yet
if TYPE_CHECKING:
    from typing import Any

    from instruments.errors import LivezeroError
    from instruments.version import __version__
    from sequencer.core import (
        Record,
        RunResult,
        check_bench,
        close,
        compare,
        evaluate,
        load,
        load_bench,
        load_type,
        open,  # noqa: A004  as it is called
        plan,
        report,
        resume,
        run,
        stated_type,
        verify,
    )
    from sequencer.diagnosis.noise.burst import noise_of
    from sequencer.evaluation.result import Evaluation
    from sequencer.jobs.index_jobs import records
    from sequencer.jobs.types import envelope_of

__all__ = [
    "Evaluation",
    "LivezeroError",
    "Record",
    "RunResult",
    "__version__",
    "check_bench",
    "close",
    "compare",
    "envelope_of",
    "evaluate",
    "load",
    "load_bench",
    "load_type",
    "noise_of",
    "open",
    "plan",
    "records",
    "report",
    "resume",
    "run",
    "stated_type",
    "verify",
]


def __getattr__(name: str) -> "Any":  # noqa: ANN401  whatever is asked for
    """Load a name when it is first used: `livezero --help` and shell completion import none of the heavy packages."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib  # noqa: PLC0415

    homes = {
        "Evaluation": "sequencer.evaluation.result",
        "LivezeroError": "instruments.errors",
        "__version__": "instruments.version",
        "envelope_of": "sequencer.jobs.types",
        "noise_of": "sequencer.diagnosis.noise.burst",
        "records": "sequencer.jobs.index_jobs",  # a database is loaded by those alone who ask it
    }
    return getattr(importlib.import_module(homes.get(name, "sequencer.core")), name)


def __dir__() -> list[str]:
    """The door alone: no module of the package, nothing of how it is loaded."""
    return sorted(__all__)
