"""What is said of the findings, as plain values for every kind of report."""

from dataclasses import dataclass
from typing import Literal, TypeAlias

from sequencer.diagnosis.next_check import Extra

__all__ = ["Account", "Candidate", "Curve", "Kind", "Largest", "Member", "Named", "StageShare"]

Point: TypeAlias = tuple[float, float]
Kind = Literal["trim", "unit", "scatter", "bench", "transcription", "vague"]
"""What a cause concerns: zero and span of the last stage, anything else of the unit, its scatter, an instrument of the
bench or the person at it, what was written down; or nothing that has a name."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """One of the causes that these readings cannot tell apart; the attributes as those of `Candidate`.

    `explains_scatter` where it, or its second half, is a kind of noise: no better instruments take that away.
    """

    name: str
    kind: Kind
    place: str
    text: str
    check: str
    explains_scatter: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One place of the ranking: causes that are not distinguishable, with sizes in words.

    Attributes:
        names: the causes, the most probable first.
        place: stage or tap.
        weight: probability, 0 to 1.
        text: the sizes in words.
        check: the next check for it.
        residual_before_pct: root mean square of the errors, % of span at the tap after the place.
        residual_after_pct: the same of what it leaves unexplained; None where it foretells no single reading.
        against: what speaks against it; () = nothing.
        members: each cause by itself, once at each place, the most probable first.
    """

    names: tuple[str, ...]
    place: str
    weight: float
    text: str
    check: str
    residual_before_pct: float | None
    residual_after_pct: float | None
    against: tuple[str, ...]
    members: tuple[Member, ...]

    def is_only(self, *kinds: Kind) -> bool:
        """Every one of its causes is of these kinds."""
        return all(each.kind in kinds for each in self.members)


@dataclass(frozen=True, slots=True, kw_only=True)
class Largest:
    """Where the error end to end is largest, of the visits that every tap was read at; in % of output span."""

    setpoint_pct: float
    direction: str
    error_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class StageShare:
    """What a part of the chain brings in of the error at the output where that is largest; in % of output span.

    The signal that was read behind it, carried to the output by ideal stages, less the signal that was read before it,
    carried likewise. So each part begins where the one before ended, and all add up to the whole error, also where
    stages are not linear.

    Attributes:
        name: of the stage, or of several that no tap divides.
        error_pct: what it brings in.
        share_pct: of the whole error; negative where it takes some of it away.
        causes: what is wrong in it or with what reads it, each with its probability; () = in order.
    """

    name: str
    error_pct: float
    share_pct: float
    causes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Errors of the segment that a cause sits in, % of span against setpoint in %: read, foretold, allowed.

    `read` and `foretold` by direction: "up", "down" or ""; `tolerance` is the half width, ascending setpoints.
    """

    name: str
    cause: str
    read: tuple[tuple[str, tuple[Point, ...]], ...]
    foretold: tuple[tuple[str, tuple[Point, ...]], ...]
    tolerance: tuple[Point, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What is wrong at one place.

    Attributes:
        stage: where, in words.
        cause: what, with its probability and what else it may be.
        check: what to check next.
        place: name of the stage or tap.
        names: the causes that are not distinguishable, the most probable first.
        weight: their probability, 0 to 1.
        text: the sizes of the first.
        error_pct: what it brings in of the largest error at the output, % of span; None where that is not told, and
            of a tap on the way, which nothing that comes out depends on.
        share_pct: the same in % of that error.
        order: its place in the order of work, from 1.
        again: taps to read again once it is mended.
    """

    stage: str
    cause: str
    check: str
    place: str = ""
    names: tuple[str, ...] = ()
    weight: float = 1.0
    text: str = ""
    error_pct: float | None = None
    share_pct: float | None = None
    order: int = 1
    again: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Account:
    """What is the matter, in words.

    Attributes:
        is_fault: something is found that a good unit does not do.
        stage: first line: where.
        cause: second line: what, with its probability.
        check: third line: what to check next.
        stages: every place that something is wrong at, the one that most of the error comes from first, as above.
        ranking: at most a few candidates: those of the places above, then others, the likeliest first.
        shares: of the stages in the largest error; () for a unit of one stage.
        largest: that error; None where there are no shares.
        extra: readings expected to tell most for their time, over all stages; () = none is worth it.
        curves: of the leading causes, in the order of `stages`; those that there is something to draw of.
        lacking: what to read besides, and what it would tell; () where nothing is lacking.
    """

    is_fault: bool
    stage: str
    cause: str
    check: str
    ranking: tuple[Candidate, ...]
    shares: tuple[StageShare, ...]
    extra: tuple[Extra, ...]
    curves: tuple[Curve, ...] = ()
    largest: Largest | None = None
    stages: tuple[Named, ...] = ()
    lacking: tuple[str, ...] = ()

    def __str__(self) -> str:
        return f"stage: {self.stage}\ncause: {self.cause}\nnext check: {self.check}"

    @property
    def names(self) -> tuple[str, ...]:
        """The causes of the leading candidate; () where nothing is found."""
        return self.ranking[0].names if self.is_fault and self.ranking else ()

    @property
    def leading(self) -> tuple[Candidate, ...]:
        """The candidates of every place that something is wrong at."""
        return self.ranking[: max(len(self.stages), 1)] if self.is_fault else ()

    @property
    def work(self) -> tuple[Named, ...]:
        """The places in the order of work; () where there are not several."""
        return tuple(sorted(self.stages, key=lambda each: each.order)) if len(self.stages) > 1 else ()
