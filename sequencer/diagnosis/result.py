"""What was found, and what is known of the run: everything a report shows, in one frozen object.

`examine` makes it from a table; who took the readings, when and with what is added by whoever knows. A result never
knows its report.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from sequencer.diagnosis.account import Account
from sequencer.evaluation.adjustment import Adjustment
from sequencer.evaluation.monte_carlo import Trials
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.verdict import Verdict

__all__ = ["Content", "Ended", "InstrumentLine", "Trace"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ended:
    """How a run ended: `status` and `reason` as in `Content`; `can_resume` = it can go on."""

    status: str
    reason: str
    can_resume: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class InstrumentLine:
    """One instrument as the report lists it.

    `use` is what it did, such as "sets input, range 0 .. 10000 Hz"; `identity` what it said of itself, "" if nothing.
    """

    name: str
    what: str
    resource: str
    identity: str
    use: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Trace:
    """How one point settled: samples as (seconds since the setpoint change, level in the unit of the output)."""

    number: int
    setpoint_pct: float
    direction: str
    cycle: int
    role: str
    state: str
    after_s: float
    to_go: float | None
    samples: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Content:
    """A run, or readings taken by hand, ready to be shown.

    Args:
        evaluation: figures and verdict of the traverse; None where there was none, or no reading to evaluate.
        alone: the verdict of a sequence without a traverse, by the limits of its steps; None of any other.
        advice: what to do, one or two sentences.
        state: "as found", "as left" or "".
        status: how the run ended: "complete", "stopped by the sequence", "interrupted", "bench fault", "not safe", or
            "by hand" for readings that no run took.
        reason: of that, in words.
        is_simulated: the bench was simulated, which must be said wherever the verdict stands.
        digest: SHA-256 over the record as sealed, "" if there is none.
        doubts: those of the remarks that put a reading in question, which must be said before the verdict.
        told: what was told to go to its safe level, and could not prove it: a reservation of the bench; () if nothing.
        alterations: what was changed in the record since it was sealed, which must be said first; () if nothing.
        adjustment: what to turn and what will remain; None where adjusting is not the answer.
        before: the as-found run that an as-left run is set beside; None if there is none.
        before_folder: where that is kept.
        trials: what Monte Carlo trials say of the uncertainties; None where nobody asked for them.
        steps: what each step found beside the figures, by its name in the registry; only those that found anything.
        findings: what is the matter with the unit, ranked; None where there was nothing to evaluate.
        versions: of livezero and what it is built on.
    """

    evaluation: Evaluation | None
    advice: str
    type: str
    status: str
    reason: str
    remarks: tuple[str, ...]
    serial: str = ""
    sequence: str = ""
    date: str = ""
    operator: str = ""
    state: str = ""
    is_simulated: bool = False
    bench: str = "not known"
    instruments: tuple[InstrumentLine, ...] = ()
    cautions: tuple[str, ...] = ()
    traces: tuple[Trace, ...] = ()
    versions: dict[str, str] = field(default_factory=dict)
    digest: str = ""
    folder: str = ""
    adjustment: Adjustment | None = None
    before: Evaluation | None = None
    before_folder: str = ""
    trials: Trials | None = None
    steps: Mapping[str, tuple[Any, ...]] = field(default_factory=dict)
    doubts: tuple[str, ...] = ()
    told: tuple[str, ...] = ()
    alterations: tuple[str, ...] = ()
    findings: Account | None = None
    alone: Verdict | None = None

    @property
    def verdict(self) -> Verdict:
        """What is said of the unit, whatever it rests on."""
        if self.evaluation is not None:
            return self.evaluation.verdict
        return self.alone or Verdict(result="not determinable", reason=self.reason, rule="")
