"""What is said of the findings: three lines first, the evidence below, as plain values for every kind of report."""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from instruments.datasheet import DataSheet
from instruments.texts import sized
from sequencer.diagnosis.account import Account, Candidate, Curve, Kind, Member, Named, Point, StageShare
from sequencer.diagnosis.cause_words import LIKELY, NAMED_N, SURE, either, known_as, percent
from sequencer.diagnosis.diagnose import Finding, Findings
from sequencer.diagnosis.missing_information import lacking
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.transcription import is_transcription
from sequencer.diagnosis.next_check import GOOD, NextCheck, next_check
from sequencer.diagnosis.next_check_words import instruction
from sequencer.diagnosis.order_of_work import TRIMS, read_again, turn_of
from sequencer.diagnosis.shares import brought_in_by, segments_ahead_n, stage_shares

__all__ = ["account"]

_VAGUE = frozenset({"unknown", "noise", "no fault"})
_WORTH_NAMING = 0.01
_ROUGH = 3.0
_FEWEST_POINTS = 3
_NOTHING_READ = "Check line, range and description of the instruments that read; see their replies in the journal."


def account(findings: Findings, sheet: DataSheet) -> Account:
    """The findings of a unit in words."""
    weighing = findings.weighing
    if not weighing.segments:
        return _plain("no reading at any tap, so no cause can be told", check=_NOTHING_READ)
    largest, own = stage_shares(weighing, sheet)
    leading = _worst_first(findings, own, sheet)
    top = leading[0]
    others = [each for each in findings.ranked if not any(each is one for one in leading)]
    named = [each for each in others[: NAMED_N - 1] if each.weight >= _WORTH_NAMING]
    ranking = tuple(_candidate(each, weighing) for each in (*leading, *named))
    if top.best.name == GOOD:
        return _plain("no fault found: nothing beyond what a good unit does", ranking=ranking)
    missing = lacking(weighing.segments[0].series, sheet)
    points_n = np.unique(np.round(weighing.segments[0].series.setpoint, 3)).size
    if points_n < _FEWEST_POINTS and not is_transcription(top.best.name):
        few = f"{points_n} point{'s' if points_n > 1 else ''} cannot distinguish the causes"
        return _plain(few, is_fault=True, check=" ".join(missing))
    ahead = next_check([each for each in leading if not _is_settled(each, findings)], findings)
    shares = tuple(
        replace(each, causes=tuple(_beside(number, leading, weighing)))
        for number, each in enumerate(own, start=segments_ahead_n(weighing))
    )
    return Account(
        is_fault=True,
        stage=_where(top),
        cause=_cause(top, findings),
        check=_check(top, ahead, findings),
        ranking=ranking,
        shares=shares if len(shares) > 1 else (),
        extra=ahead.readings,
        curves=tuple(curve for each in leading if (curve := _curve(each, weighing)) is not None),
        largest=largest if len(shares) > 1 else None,
        stages=tuple(_named(leading, ahead, findings, own, sheet)),
        lacking=missing,
    )


def _worst_first(findings: Findings, shares: Sequence[StageShare], sheet: DataSheet) -> list[Finding]:
    """The leading findings: what adds most to the error end to end, then what is misread on the way."""

    def size(finding: Finding) -> float:
        return abs(sum(each.error_pct for each in brought_in_by(finding, findings.weighing, shares, sheet)))

    return sorted(findings.leading, key=lambda each: -size(each))


def _named(
    leading: Sequence[Finding],
    ahead: NextCheck,
    findings: Findings,
    shares: Sequence[StageShare],
    sheet: DataSheet,
) -> Iterator[Named]:
    weighing = findings.weighing
    in_turn = sorted(range(len(leading)), key=lambda each: turn_of(leading[each]))
    for number, each in enumerate(leading):
        brought_in = brought_in_by(each, weighing, shares, sheet)
        yield Named(
            stage=_where(each),
            cause=_cause(each, findings),
            check=_check(each, ahead, findings),
            place=each.best.place,
            names=each.names,
            weight=each.weight,
            text=each.best.text,
            error_pct=sum(share.error_pct for share in brought_in) if brought_in else None,
            share_pct=sum(share.share_pct for share in brought_in) if brought_in else None,
            order=in_turn.index(number) + 1,
            again=read_again(each, weighing, sheet),
        )


def _beside(number: int, leading: Sequence[Finding], weighing: Weighing) -> Iterator[str]:
    """The causes in a segment of the chain, and at the taps that it lies between."""
    segment = weighing.segments[number]
    taps = {segment.sheet.taps[segment.first].name, segment.after.name}
    all_stages = {stage.name for stage in segment.sheet.stages}
    for each in leading:
        in_stages = _stages_at(each.best.place) & all_stages
        if in_stages & _stages_of(segment):
            yield _short(each)
        elif in_stages or not each.first <= number < each.end:
            continue
        elif each.best.place in taps:
            yield f'{_short(each)} at "{each.best.place}"'
        else:  # a slip of the table, which was weighed against all stages
            yield f'not told before this is put right: {_short(each)} at "{each.best.place}"'


def _stages_of(segment: Segment) -> set[str]:
    return {segment.sheet.stages[index].name for index in segment.stages}


def _stages_at(place: str) -> set[str]:
    """A place as names of stages, of which no tap may divide several."""
    return {place, *place.split(" + ")}


def _short(finding: Finding) -> str:
    return f"{known_as(finding.names)} ({percent(finding.weight)})"


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
    )


def _is_settled(top: Finding, findings: Findings) -> bool:
    """Whatever of what is worth naming is true, the same is to be done: no reading would change that."""
    return len({_action(each, findings.weighing) for each in _possible(top, findings)}) == 1


def _possible(top: Finding, findings: Findings) -> tuple[Hypothesis, ...]:
    """The causes that are named at a place, and their rivals that have a weight worth naming."""
    rivals = [cause for each in findings.rivals(top) if each.weight >= _WORTH_NAMING for cause in each.causes]
    return (*top.causes, *rivals)


def _action(found: Hypothesis, weighing: Weighing) -> tuple[str, ...]:
    """What is done once it is known: adjust, swap what reads, write it right, leave it, or mend as its check says."""
    if found.name == GOOD:
        return ("leave",)
    kind = _kind(found, weighing)
    of_place = {"bench": (found.place,), "transcription": (found.place, found.text), "vague": (found.name,), "trim": ()}
    return (kind, *of_place.get(kind, (found.place, found.check)))


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
    if remains := _remains(top.best, findings.weighing):
        text += f"; {remains}"
    if others:
        text += f"; not distinguishable with these readings from {either(others)}"
    second = next(iter(findings.rivals(top)), None)
    if top.weight < SURE and second is not None and second.weight >= _WORTH_NAMING:
        what = "none of the catalogue" if second.best.name == "unknown" else f"{second.best.name}, {second.best.text}"
        text += f"; or {what} ({percent(second.weight)})"
    return text


def _remains(found: Hypothesis, weighing: Weighing) -> str:
    """How much of the largest error an explanation leaves, in words; "" where no more than a good unit has."""
    left = weighing.remains(found)
    if not left:
        return ""
    segment = weighing.segments[found.segment]
    before = segment.largest(segment.y - segment.ideal)
    return f"{sized(100 * left, 2)} of {sized(100 * before, 2)} % of span remains"


def _check(top: Finding, ahead: NextCheck, findings: Findings) -> str:
    if _is_settled(top, findings):
        several = len({each.name for each in _possible(top, findings)}) > 1
        return f"{top.best.check} No further reading changes what is to be done." if several else top.best.check
    answers = ahead.answers(top.best.segment)
    if not answers:
        return top.best.check
    return f"{instruction(ahead, answers, findings.weighing.segments[top.best.segment])} {top.best.check}"


def _candidate(finding: Finding, weighing: Weighing) -> Candidate:
    best = finding.best
    before = after = None
    against = []
    if best.segment >= 0:
        segment = weighing.segments[best.segment]
        before = 100 * _rms((segment.y - segment.ideal)[segment.is_read])
        if best.predicted is not None:
            after = 100 * _rms((segment.y - best.predicted)[segment.is_read])
            if remains := _remains(best, weighing):
                against.append(remains)
            elif best.scale > _ROUGH:
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
    return "trim" if names <= TRIMS and set(stages) == {last} else "unit"


def _rms(values: "np.typing.NDArray[np.float64]") -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else 0.0


def _curve(top: Finding, weighing: Weighing) -> Curve | None:
    best = top.best
    if best.segment < 0:
        return None
    # A slip stands for the whole table: it shows where its tap is read.
    places = [each for each in weighing.segments[: weighing.chain_n] if each.after.name == best.place]
    segment = places[0] if places and is_transcription(best.name) else weighing.segments[best.segment]
    way, turned = segment.series.direction, float(np.sign(segment.after.span))

    def lines(values: "np.typing.NDArray[np.float64]") -> tuple[tuple[str, tuple[Point, ...]], ...]:
        found = []
        for name, sign in (("up", 1.0), ("down", -1.0), ("", 0.0)):
            chosen = segment.is_read & (way == sign) & ~segment.series.is_again
            setpoint = np.round(100 * segment.series.setpoint[chosen], 6)
            means = tuple((float(at), float(100 * values[chosen][setpoint == at].mean())) for at in np.unique(setpoint))
            if means:
                found.append((name, means))
        return tuple(found)

    allowed = segment.tolerance if segment.allowed is None else segment.allowed
    widths = dict(point for _, points in lines(np.broadcast_to(allowed, segment.y.shape)) for point in points)
    return Curve(
        name=segment.name,
        cause=_short(top) if _stages_at(best.place) & _stages_of(segment) else f'{_short(top)} at "{best.place}"',
        read=lines(turned * (segment.y - segment.ideal)),
        foretold=() if best.predicted is None else lines(turned * (best.predicted - segment.ideal)),
        tolerance=tuple(sorted(widths.items())),
    )
