"""livezero: proves signal converters and transmitters on the bench, and tells why one fails.

import sequencer

plan = sequencer.plan("pulse-to-current", "simulated")
result = sequencer.run(plan, serial="GF-104")
result.evaluation.verdict
"""

TYPE_CHECKING = False  # that of `typing` takes longer to import than this package, and the program has no signals yet
if TYPE_CHECKING:
    from typing import Any

    from instruments.version import __version__
    from sequencer.core import (
        RunResult,
        check_bench,
        close,
        compare,
        evaluate,
        load,
        load_bench,
        load_type,
        plan,
        report,
        resume,
        run,
        verify,
    )
    from sequencer.evaluation.result import Evaluation
    from sequencer.jobs.index_jobs import records

__all__ = [
    "Evaluation",
    "RunResult",
    "__version__",
    "check_bench",
    "close",
    "compare",
    "evaluate",
    "load",
    "load_bench",
    "load_type",
    "plan",
    "records",
    "report",
    "resume",
    "run",
    "verify",
]


def __getattr__(name: str) -> "Any":  # noqa: ANN401  whatever is asked for
    """Load a name when it is first used: `livezero --help` and shell completion import none of the heavy packages."""
    if name not in __all__:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    import importlib  # noqa: PLC0415

    homes = {
        "Evaluation": "sequencer.evaluation.evaluate",
        "__version__": "instruments.version",
        "records": "sequencer.jobs.index_jobs",  # a database is loaded by those alone who ask it
    }
    return getattr(importlib.import_module(homes.get(name, "sequencer.core")), name)
