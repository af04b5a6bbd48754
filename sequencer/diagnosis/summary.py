"""What is said of the findings: three lines first, the evidence below, as plain values for every kind of report."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from instruments.datasheet import DataSheet
from instruments.texts import sized
from sequencer.diagnosis.diagnose import Finding, Findings
from sequencer.diagnosis.missing_information import lacking
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.transcription import is_transcription
from sequencer.diagnosis.next_check import Extra, extra_readings

__all__ = [
    "LIKELY",
    "SURE",
    "Account",
    "Candidate",
    "Curve",
    "Kind",
    "Member",
    "StageShare",
    "account",
    "either",
    "percent",
]

SURE, LIKELY = 0.9, 0.5
# What zero and span of a unit can take away.
_TRIMS = frozenset({"zero shift", "span error", "zero and span"})
_VAGUE = frozenset({"unknown", "noise", "no fault"})
_NAMED_N = 3
_WORTH_NAMING = 0.01
_ROUGH = 3.0
_FEWEST_POINTS = 3
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
class StageShare:
    """What a part of the chain adds to the error at the output where that is largest; in % of output span."""

    name: str
    error_pct: float
    share_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Curve:
    """Errors of the segment that the leading cause sits in, % of span against setpoint in %: read, and foretold."""

    name: str
    read: tuple[tuple[str, tuple[Point, ...]], ...]
    foretold: tuple[tuple[str, tuple[Point, ...]], ...]
    tolerance_pct: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Named:
    """What is wrong at one place: where, what with its probability, and what to check next."""

    stage: str
    cause: str
    check: str


_NOTHING_READ = "Check line, range and description of the instruments that read; see their replies in the journal."


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
        extra: readings that would tell the leading two apart.
        curve: of the leading cause; None where there is none to draw.
        lacking: what to read besides, and what it would tell; () where nothing is lacking.
    """

    is_fault: bool
    stage: str
    cause: str
    check: str
    ranking: tuple[Candidate, ...]
    shares: tuple[StageShare, ...]
    extra: tuple[Extra, ...]
    curve: Curve | None
    stages: tuple[Named, ...] = ()
    lacking: tuple[str, ...] = ()

    @property
    def names(self) -> tuple[str, ...]:
        """The causes of the leading candidate; () where nothing is found."""
        return self.ranking[0].names if self.is_fault and self.ranking else ()

    @property
    def leading(self) -> tuple[Candidate, ...]:
        """The candidates of every place that something is wrong at."""
        return self.ranking[: max(len(self.stages), 1)] if self.is_fault else ()


def account(findings: Findings, sheet: DataSheet) -> Account:
    """The findings of a unit in words."""
    weighing = findings.weighing
    if not weighing.segments:
        return _plain("no reading at any tap, so no cause can be told", check=_NOTHING_READ)
    shares = tuple(_shares(weighing, sheet))
    leading = _worst_first(findings, shares, sheet)
    top = leading[0]
    others = [each for each in findings.ranked if not any(each is one for one in leading)]
    named = [each for each in others[: _NAMED_N - 1] if each.weight >= _WORTH_NAMING]
    ranking = tuple(_candidate(each, weighing) for each in (*leading, *named))
    if top.best.name == "no fault":
        return _plain("no fault found: nothing beyond what a good unit does", ranking=ranking)
    missing = lacking(weighing.segments[0].series, sheet)
    points_n = np.unique(np.round(weighing.segments[0].series.setpoint, 3)).size
    if points_n < _FEWEST_POINTS and not is_transcription(top.best.name):
        few = f"{points_n} point{'s' if points_n > 1 else ''} cannot distinguish the causes"
        return _plain(few, is_fault=True, check=" ".join(missing))
    extras = [_telling(each, findings) for each in leading]
    stages = tuple(
        Named(stage=_where(each), cause=_cause(each, findings), check=_check(each, extra, weighing))
        for each, extra in zip(leading, extras, strict=True)
    )
    return Account(
        is_fault=True,
        stage=stages[0].stage,
        cause=stages[0].cause,
        check=stages[0].check,
        ranking=ranking,
        shares=shares if len(shares) > 1 else (),
        extra=extras[0],
        curve=_curve(top, weighing),
        stages=stages,
        lacking=missing,
    )


def _worst_first(findings: Findings, shares: Sequence[StageShare], sheet: DataSheet) -> list[Finding]:
    """The leading findings: what adds most to the error end to end, then what is misread on the way."""
    weighing = findings.weighing
    ahead = sum(each.first < 0 for each in weighing.segments[: weighing.chain_n])
    between = {tap.name for tap in sheet.taps[1:-1]}

    def size(finding: Finding) -> float:
        if finding.best.place in between:  # what is misread there changes nothing of what comes out
            return 0.0
        return abs(sum(each.error_pct for each in shares[max(finding.first - ahead, 0) : max(finding.end - ahead, 0)]))

    return sorted(findings.leading, key=lambda each: -size(each))


def _plain(cause: str, *, is_fault: bool = False, check: str = "nothing", ranking: Sequence[Candidate] = ()) -> Account:
    """Where no cause is named."""
    return Account(
        is_fault=is_fault,
        stage="not told" if is_fault else "none",
        cause=cause,
        check=check,
        ranking=tuple(ranking),
        shares=(),
        extra=(),
        curve=None,
    )


def _telling(top: Finding, findings: Findings) -> tuple[Extra, ...]:
    """The readings that tell a cause from the runner-up, or else from what it is not distinguishable from."""
    rivals = [each.best for each in findings.rivals(top)[:1] if top.weight < SURE]
    rivals += [each for each in top.causes[1:_NAMED_N] if each.name != top.best.name]
    for rival in rivals:
        if rival.segment == top.best.segment:
            found = extra_readings(top.best, rival, findings.weighing.segments[top.best.segment])
            if found:
                return found
    return ()


def _where(top: Finding) -> str:
    if is_transcription(top.best.name):
        return f"{top.best.place} (what was written down, not the unit)"
    is_of_bench = all(each.is_of_bench for each in top.causes)
    return f"{top.best.place} (bench, not the unit)" if is_of_bench else top.best.place


def _cause(top: Finding, findings: Findings) -> str:
    others = [name for name in top.names if name != top.best.name]
    lead = "" if top.weight >= SURE else "likely: " if top.weight >= LIKELY else "perhaps: "
    text = f"{lead}{top.best.name}, {top.best.text} ({percent(top.weight)})"
    if top.best.name == "unknown":
        text = f"no cause of the catalogue fits these readings ({percent(top.weight)})"
    if others:
        text += f"; not distinguishable with these readings from {either(others)}"
    second = next(iter(findings.rivals(top)), None)
    if top.weight < SURE and second is not None and second.weight >= _WORTH_NAMING:
        what = "none of the catalogue" if second.best.name == "unknown" else f"{second.best.name}, {second.best.text}"
        text += f"; or {what} ({percent(second.weight)})"
    return text


def percent(weight: float) -> str:
    """A probability as it is shown."""
    return "over 99 %" if weight > 0.99 else f"{100 * weight:.0f} %"


def either(names: Sequence[str]) -> str:
    """Names in a row: "a, b or c"."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"


def _check(top: Finding, extra: tuple[Extra, ...], weighing: Weighing) -> str:
    if not extra:
        return top.best.check
    best = extra[0]
    unit = weighing.segments[top.best.segment].after.unit
    wait = f", after {sized(best.wait_s)} s" if best.wait_s else ""
    side = "from below" if best.direction == "up" else "from above"
    return (
        f"read at {best.setpoint_pct:g} %, coming {side}{wait}: "
        f"{best.expected[0]:.5g} {unit} if it is the first, {best.expected[1]:.5g} {unit} if the second. "
        f"{top.best.check}"
    )


def _candidate(finding: Finding, weighing: Weighing) -> Candidate:
    best = finding.best
    before = after = None
    against = []
    if best.segment >= 0:
        segment = weighing.segments[best.segment]
        before = 100 * _rms((segment.y - segment.ideal)[segment.is_read])
        if best.predicted is not None:
            after = 100 * _rms((segment.y - best.predicted)[segment.is_read])
            if best.scale > _ROUGH:
                against.append(f"it leaves {best.scale:.1f} times the scatter that was expected")
    return Candidate(
        names=finding.names,
        place=best.place,
        weight=finding.weight,
        text=best.text,
        check=best.check,
        residual_before_pct=before,
        residual_after_pct=after,
        against=tuple(against),
        members=tuple(_members(finding, weighing)),
    )


def _members(finding: Finding, weighing: Weighing) -> Iterator[Member]:
    seen = set()
    for each in finding.causes:
        if (each.name, each.place) not in seen:
            seen.add((each.name, each.place))
            kind = _kind(each, weighing)
            yield Member(
                name=each.name,
                kind=kind,
                place=each.place,
                text=each.text,
                check=each.check,
                explains_scatter=bool(each.scatter),
            )


def _kind(found: Hypothesis, weighing: Weighing) -> Kind:
    names = set(found.name.split(" + "))
    if names <= _VAGUE:
        return "vague"
    if is_transcription(found.name):
        return "transcription"
    if found.is_of_bench and len(names) == 1:  # of two causes the second may be of the unit
        return "bench"
    if found.predicted is None:
        return "scatter"
    segment = weighing.segments[found.segment]
    last = len(segment.sheet.stages) - 1
    # Zero and span turn the last stage; of two causes it is not known which stage has the second.
    stages = segment.stages if found.fit is None else (found.fit.stage,)
    return "trim" if names <= _TRIMS and set(stages) == {last} else "unit"


def _rms(values: "np.typing.NDArray[np.float64]") -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def _shares(weighing: Weighing, sheet: DataSheet) -> Iterator[StageShare]:
    """Each segment's own error, carried to the output; they add up to the whole."""
    segments = [each for each in weighing.segments[: weighing.chain_n] if each.first >= 0]
    if not segments:
        return
    last = len(sheet.taps) - 1
    output = sheet.taps[last]

    def carried(frac: "np.typing.NDArray[np.float64]", tap: int) -> "np.typing.NDArray[np.float64]":
        value = sheet.taps[tap].value(frac)
        return output.fraction(sheet.ideal(value, first=tap, last=last) if tap < last else value)

    own = np.stack([carried(each.y, each.last) - carried(each.ideal, each.last) for each in segments])
    total = own.sum(axis=0)
    if not np.isfinite(total).any():
        return
    at = int(np.nanargmax(np.abs(total)))
    for segment, error in zip(segments, own[:, at], strict=True):
        share = error / total[at] if total[at] else 0.0
        yield StageShare(name=segment.name, error_pct=100 * float(error), share_pct=100 * float(share))


def _curve(top: Finding, weighing: Weighing) -> Curve | None:
    best = top.best
    if best.segment < 0:
        return None
    segment = weighing.segments[best.segment]
    way = segment.series.direction

    def lines(error: "np.typing.NDArray[np.float64]") -> tuple[tuple[str, tuple[Point, ...]], ...]:
        found = []
        for name, sign in (("up", 1.0), ("down", -1.0), ("", 0.0)):
            chosen = segment.is_read & (way == sign) & ~segment.series.is_again
            setpoint = np.round(100 * segment.series.setpoint[chosen], 6)
            means = tuple((float(at), float(100 * error[chosen][setpoint == at].mean())) for at in np.unique(setpoint))
            if means:
                found.append((name, means))
        return tuple(found)

    return Curve(
        name=segment.name,
        read=lines(segment.y - segment.ideal),
        foretold=() if best.predicted is None else lines(best.predicted - segment.ideal),
        tolerance_pct=100 * segment.tolerance,
    )
