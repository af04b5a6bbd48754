"""The reading expected to tell most for its time, over all stages and all that may be wrong in each.

A reading at a setpoint tells something of each stage whose tap is read. What it would tell is the mutual information of
which explanation is true and what would be read, by what each explanation foretells. It says nothing in words, and
knows no action: who asks leaves out what nothing would change.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from instruments.datasheet import FloatArray, Tap
from sequencer.diagnosis.diagnose import Finding, Findings
from sequencer.diagnosis.forecast import Ahead, Explanation, Forecast, Path, usual_s
from sequencer.diagnosis.information import beyond_bits, entropy_bits, information_bits
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.model.transcription import is_transcription

__all__ = ["GOOD", "Answer", "Extra", "NextCheck", "Told", "next_check"]

GOOD = "no fault"
"""Name of the explanation that nothing is wrong in a stage."""

# Trade practice, no source: a person sets and reads a point in a minute; second instrument, swap or a look into the
# configuration take ten; less than a twentieth of a bit is worth no reading; what weighs less changes nobody's mind.
_BY_HAND_MIN, _OWN_CHECK_MIN, _LEAST_BITS, _LEAST_SHARE = 1.0, 10.0, 0.05, 1e-3
_MOST_EXPLANATIONS, _MOST_DISTINCT, _MOST_ANSWERS = 12, 5, 3
_PLACES_N, _STEPS = 20, (5.0, 2.0, 1.0)
_DWELLS = 5.0
_ALIKE_SDS, _ONE_WAY_SDS = 1.5, 3.0  # nearer than this answers are one, and both sides of a setpoint
_SAME_SDS = 0.1  # nearer than this everywhere, no reading tells them apart
_AS_GOOD = 0.98  # of the best: then what is farther apart goes first
_SURE_ENOUGH = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class Extra:
    """One reading worth taking.

    Attributes:
        setpoint_pct: input, % of range.
        setting: the same in the unit of the first tap; a round number.
        direction: "up" or "down": from which side the point is approached.
        is_one_way: the other side would not tell the same.
        wait_s: how long the input stands before it is read; 0 = as usual.
        bits: what it is expected to tell, over all stages; of a second one, beyond the first.
        minutes: what it takes.
    """

    setpoint_pct: float
    setting: float
    direction: str
    is_one_way: bool
    wait_s: float
    bits: float
    minutes: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Answer:
    """What would be read if one of some explanations is true, that foretell alike.

    Attributes:
        names: of the explanations, the likeliest first.
        values: one for each of the readings, in the unit of the tap that is read.
        sd: standard deviation of the surest of them, in that unit.
    """

    names: tuple[str, ...]
    values: tuple[float, ...]
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the readings would tell of one segment, by its index: the answers, that of the likeliest first."""

    segment: int
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextCheck:
    """The readings to take next, the most telling first; () = no reading is worth its time.

    Attributes:
        readings: at most two: the second where the first is not enough.
        told: of each segment where the answers lie apart; elsewhere only many of them would tell.
        is_by_hand: a person sets and reads.
    """

    readings: tuple[Extra, ...] = ()
    told: tuple[Told, ...] = ()
    is_by_hand: bool = False

    def answers(self, segment: int) -> tuple[Answer, ...]:
        """What each answer would mean in a segment, by its index; () where it tells nothing of it."""
        return next((each.answers for each in self.told if each.segment == segment), ())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Question:
    """What may be wrong in one segment. `told` is the probability of all of it that foretells readings."""

    number: int
    explanations: tuple[Explanation, ...]
    weights: FloatArray
    told: float

    @property
    def bits(self) -> float:
        return self.told * entropy_bits(self.weights)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Block:
    """Setpoints come to from below, then from above, with a wait: by question, a forecast for each explanation."""

    setpoint: FloatArray
    wait_s: float
    minutes: float
    forecasts: tuple[tuple[Forecast, ...], ...]


def next_check(asked: Sequence[Finding], findings: Findings) -> NextCheck:
    """The readings expected to tell most for their time.

    Args:
        asked: findings that a reading could change what is to be done about.
        findings: all of them.
    """
    series = findings.weighing.segments[0].series
    numbers = dict.fromkeys(each.best.segment for each in asked)
    questions = [found for number in numbers if (found := _question(number, findings)) is not None]
    nothing = NextCheck(is_by_hand=series.is_keyed)
    if not questions:
        return nothing
    settings = _round_settings(findings.weighing.segments[0].sheet.taps[0])
    blocks = _blocks(questions, findings, settings)
    open_bits = sum(each.bits for each in questions)
    told = [_told(questions, block) for block in blocks]
    rates = [bits / block.minutes for bits, block in zip(told, blocks, strict=True)]
    chosen = max(range(len(blocks)), key=lambda each: float(rates[each].max()))
    block = blocks[chosen]
    first = _plainly(_farthest(rates[chosen], questions, block), block)
    bits = float(told[chosen][first])
    largest = max(each.bits for each in questions)  # a check that is no reading tells of one stage
    if not _is_worth(bits, block.minutes, largest):
        return nothing
    picked, gains = [first], [bits]
    meant = _meant(questions, block, picked, findings)
    if open_bits - bits > _LEAST_BITS:
        more = _told_beyond(first, told[chosen], questions, block)
        second = _plainly(_farthest(more, questions, block), block)
        with_both = _meant(questions, block, [first, second], findings)
        if _is_worth(float(more[second]), block.minutes, largest) and _parts_n(with_both) > _parts_n(meant):
            picked, gains, meant = [first, second], [bits, float(more[second])], with_both
    readings = tuple(_extra(at, gain, block, findings) for at, gain in zip(picked, gains, strict=True))
    return NextCheck(readings=readings, told=meant, is_by_hand=series.is_keyed)


def _meant(
    questions: Sequence[_Question], block: _Block, picked: Sequence[int], findings: Findings
) -> tuple[Told, ...]:
    """What the answers would mean in each segment that they tell something of."""
    found = [
        Told(segment=question.number, answers=_answers(question, forecasts, picked, findings))
        for question, forecasts in zip(questions, block.forecasts, strict=True)
    ]
    return tuple(each for each in found if len(each.answers) > 1)


def _parts_n(told: Sequence[Told]) -> int:
    """Into how many parts the answers divide the explanations, over all segments."""
    return sum(len({each.names for each in one.answers}) for one in told)


def _is_worth(bits: float, minutes: float, by_check: float) -> bool:
    """It tells more than a small part of a bit, and more for its time than a check that would tell all of a stage."""
    return bits >= _LEAST_BITS and bits / minutes >= by_check / _OWN_CHECK_MIN


def _question(number: int, findings: Findings) -> _Question | None:
    """What may be wrong in a segment; None where one explanation at most foretells readings there."""
    shares = [
        (share, cause)
        for each in findings.ranked
        for cause, share in zip(each.causes, each.shares, strict=True)
        if cause.segment == number and not is_transcription(cause.name)
        if cause.fit is not None or cause.predicted is not None
    ]
    found: list[tuple[float, Hypothesis | None]] = [*shares]
    if number < findings.weighing.chain_n:
        rest = 1 - sum(each.weight for each in findings.ranked if each.best.segment >= 0 and _covers(each, number))
        found.append((rest, None))
    found = sorted((each for each in found if each[0] >= _LEAST_SHARE), key=lambda each: -each[0])
    found = found[:_MOST_EXPLANATIONS]
    if len(found) < 2:
        return None
    weights = np.array([share for share, _ in found])
    told = float(weights.sum())
    segment = findings.weighing.segments[number]
    explanations = Explanation.each([each for _, each in found], segment)
    return _Question(number=number, explanations=explanations, weights=weights / told, told=min(told, 1.0))


def _covers(finding: Finding, number: int) -> bool:
    return finding.first <= number < finding.end


def _round_settings(tap: Tap) -> FloatArray:
    """What a person can set of a range, in its unit: multiples of a round step, twenty to fifty, and the ends."""
    low, high = min(tap.low, tap.high), max(tap.low, tap.high)
    widest = (high - low) / _PLACES_N
    decade = 10.0 ** np.floor(np.log10(widest))
    step = decade * next(each for each in _STEPS if each * decade <= widest * (1 + 1e-9))
    inner = step * np.arange(np.ceil(low / step + 1e-6), np.floor(high / step - 1e-6) + 1)
    return np.concatenate(([low], inner, [high]))


def _blocks(questions: Sequence[_Question], findings: Findings, settings: FloatArray) -> list[_Block]:
    segments = findings.weighing.segments
    series, tap = segments[0].series, segments[0].sheet.taps[0]
    setpoint = np.sort(tap.fraction(settings))
    usual = usual_s(series)
    # From one visit to the next; to the end of the range that the point is approached from, and to the point.
    move_min = _BY_HAND_MIN if series.is_keyed or not series.has_times else 2 * usual / 60
    blocks = []
    for dwells in (1.0, _DWELLS) if series.has_times else (1.0,):
        path = Path.to_each(setpoint, dwells)
        entering = _carried(findings, path)
        wait_s = dwells * usual if dwells > 1 else 0.0
        forecasts = []
        for each in questions:
            segment = segments[each.number]
            ahead = Ahead(segment, path, entering.get(segment.first))
            forecasts.append(tuple(ahead.of(explanation).every_other() for explanation in each.explanations))
        blocks.append(
            _Block(
                setpoint=path.setpoint[1::2],
                wait_s=wait_s,
                minutes=move_min + wait_s / 60,
                forecasts=tuple(forecasts),
            )
        )
    return blocks


def _carried(findings: Findings, path: Path) -> dict[int, FloatArray]:
    """What would be read at each tap, as fraction, if in each stage what is likeliest is true; by index of the tap."""
    weighing = findings.weighing
    causes = [one for each in findings.leading for one in zip(each.causes, each.shares, strict=True)]
    likely = {one.segment: one for one, share in reversed(causes) if share >= _SURE_ENOUGH and one.fit is not None}
    found = {0: path.setpoint}
    for number, segment in enumerate(weighing.segments[: weighing.chain_n]):
        if segment.first >= 0 and segment.last < len(segment.sheet.taps) - 1:
            ahead = Ahead(segment, path, found.get(segment.first))
            (explanation,) = Explanation.each([likely.get(number)], segment)
            found[segment.last] = ahead.of(explanation).mean
    return found


def _told(questions: Sequence[_Question], block: _Block) -> FloatArray:
    """What each reading of a block is expected to tell, bits; over all stages."""
    total = np.zeros(block.setpoint.size)
    for question, forecasts in zip(questions, block.forecasts, strict=True):
        weights, distinct = _distinct(question.weights, forecasts)
        total += question.told * information_bits(weights, _means(distinct), _sds(distinct))
    # Nothing lies beyond the ends of the range that they could be approached from.
    total[[0, block.setpoint.size // 2]] = 0.0
    return total


def _told_beyond(first: int, told: FloatArray, questions: Sequence[_Question], block: _Block) -> FloatArray:
    """The same of a second reading, beyond what the first tells. What tells little alone tells no more beside it."""
    total, choices = np.zeros(block.setpoint.size), np.flatnonzero(told >= _LEAST_BITS)
    for question, forecasts in zip(questions, block.forecasts, strict=True):
        weights, distinct = _distinct(question.weights, forecasts)
        means, sds = _means(distinct), _sds(distinct)
        along = np.stack([each.common @ each.common[first] / each.sd[first] for each in distinct], axis=1)
        total[choices] += question.told * beyond_bits(
            weights, (means[first], sds[first]), means[choices], sds[choices], along[choices]
        )
    return total


def _means(forecasts: Sequence[Forecast]) -> FloatArray:
    """Shape (readings, explanations); so are standard deviations."""
    return np.stack([each.mean for each in forecasts], axis=1)


def _sds(forecasts: Sequence[Forecast]) -> FloatArray:
    return np.stack([each.sd for each in forecasts], axis=1)


def _distinct(weights: FloatArray, forecasts: Sequence[Forecast]) -> tuple[FloatArray, list[Forecast]]:
    """The likeliest explanations that some reading tells apart, with the weights of those that none does together."""
    kept: list[Forecast] = []
    sums: list[float] = []
    for weight, each in zip(weights, forecasts, strict=True):
        for index, other in enumerate(kept):
            is_near = np.abs(each.mean - other.mean) < _SAME_SDS * np.minimum(each.sd, other.sd)
            if is_near.all() and np.allclose(each.sd, other.sd, rtol=_SAME_SDS):
                sums[index] += weight
                break
        else:
            kept.append(each)
            sums.append(float(weight))
    order = np.argsort(-np.array(sums), kind="stable")[:_MOST_DISTINCT]
    return np.array(sums)[order] / sum(sums[each] for each in order), [kept[each] for each in order]


def _farthest(rates: FloatArray, questions: Sequence[_Question], block: _Block) -> int:
    """Of the readings that are as good as the best, the one where the explanations lie farthest apart."""
    apart = np.zeros(rates.size)
    for question, forecasts in zip(questions, block.forecasts, strict=True):
        mean = np.stack([each.mean for each in forecasts])
        variance = question.weights @ np.stack([each.sd**2 for each in forecasts])
        apart += question.weights @ (mean - question.weights @ mean) ** 2 / variance
    return int(np.argmax(np.where(rates >= _AS_GOOD * rates.max(), apart, -1.0)))


def _plainly(at: int, block: _Block) -> int:
    """The same setpoint come to from below, where that tells as much."""
    other = block.setpoint.size - 1 - at
    return other if 0 < other < at and not _is_one_way(at, block) else at


def _is_one_way(at: int, block: _Block) -> bool:
    """Coming from the other side something else is foretold. The ends have one side alone."""
    other = block.setpoint.size - 1 - at
    return 0 < min(at, other) < block.setpoint.size // 2 - 1 and any(
        abs(each.mean[at] - each.mean[other]) > _ONE_WAY_SDS * np.hypot(each.sd[at], each.sd[other])
        for forecasts in block.forecasts
        for each in forecasts
    )


def _extra(at: int, bits: float, block: _Block, findings: Findings) -> Extra:
    tap = findings.weighing.segments[0].sheet.taps[0]
    return Extra(
        setpoint_pct=round(100 * float(block.setpoint[at]), 6),
        setting=round(float(tap.value(block.setpoint[at])), 9),
        direction="up" if at < block.setpoint.size // 2 else "down",
        is_one_way=_is_one_way(at, block),
        wait_s=block.wait_s,
        bits=bits,
        minutes=block.minutes,
    )


def _answers(
    question: _Question, forecasts: Sequence[Forecast], picked: Sequence[int], findings: Findings
) -> tuple[Answer, ...]:
    """The explanations by what they foretell, those that are not distinguishable there together."""
    segment = findings.weighing.segments[question.number]
    groups: list[list[int]] = []
    for number in range(len(forecasts)):
        for group in groups:
            first, this = forecasts[group[0]], forecasts[number]
            is_apart = np.abs(first.mean - this.mean) >= _ALIKE_SDS * np.hypot(first.sd, this.sd)
            if not is_apart[list(picked)].any():
                group.append(number)
                break
        else:
            groups.append([number])
    groups.sort(key=lambda each: -question.weights[each].sum())
    found: list[Answer] = []
    for group in groups:
        first = forecasts[group[0]]
        causes = (question.explanations[each].found for each in group)
        # One name may stand for several places or sizes: it is said where it is likeliest.
        said = {name for each in found for name in each.names}
        names = dict.fromkeys(GOOD if each is None else each.name for each in causes)
        if left := tuple(each for each in names if each not in said):
            values = _value(segment, first.mean[list(picked)])
            sd = float(first.sd[list(picked)].min() * abs(segment.after.span))
            found.append(Answer(names=left, values=tuple(map(float, values)), sd=sd))
    return tuple(found[:_MOST_ANSWERS])


def _value(segment: Segment, frac: FloatArray) -> FloatArray:
    """Fractions of what is read behind a segment in the unit of the tap; of the source they are those of its signal."""
    tap = segment.after
    if segment.first >= 0:
        return tap.value(frac)
    low, high = tap.to_signal(np.array([tap.low, tap.high]))
    return tap.to_value(low + (high - low) * frac)
