"""In which order several faults of a chain are worked off, and what to read again after each. It names no cause."""

from enum import IntEnum

from instruments.datasheet import DataSheet
from sequencer.diagnosis.causes import limits, ranges
from sequencer.diagnosis.diagnose import Finding
from sequencer.diagnosis.model.chain import Weighing
from sequencer.diagnosis.model.hypothesis import Hypothesis
from sequencer.diagnosis.model.transcription import is_transcription

__all__ = ["TRIMS", "Turn", "read_again", "turn_of"]

TRIMS = frozenset({"zero shift", "span error", "zero and span"})
"""What zero and span of a stage can take away."""
_OF_RANGE = frozenset(each.name for each in (*limits.CAUSES, *ranges.CAUSES))


class Turn(IntEnum):
    """What comes before what (common practice, no source).

    What is written down or read wrong shows errors that are none. A limit, a lost live zero or a wrong range changes
    every reading behind it, so that a trim before it would have to be done again.
    """

    WRITTEN = 1
    MISREAD = 2
    RANGE = 3
    UNIT = 4
    TRIM = 5


def turn_of(finding: Finding) -> Turn:
    """When it is the turn of a finding: of causes that are not distinguishable, of the earliest that is in the unit."""
    turns = [_turn(each) for each in finding.causes]
    return min([each for each in turns if each >= Turn.RANGE] or turns)


def _turn(found: Hypothesis) -> Turn:
    names = set(found.name.split(" + "))
    if is_transcription(found.name):
        return Turn.WRITTEN
    if found.is_of_bench and len(names) == 1:  # of two causes the second may be of the unit
        return Turn.MISREAD
    if names & _OF_RANGE:
        return Turn.RANGE
    return Turn.TRIM if names <= TRIMS else Turn.UNIT


def read_again(finding: Finding, weighing: Weighing, sheet: DataSheet) -> tuple[str, ...]:
    """The taps that read otherwise once it is mended: the one that is misread, else all behind what is wrong."""
    best, taps, stages = finding.best, [tap.name for tap in sheet.taps], [stage.name for stage in sheet.stages]
    if best.place in taps and turn_of(finding) <= Turn.MISREAD:
        return (best.place,)
    if best.place in taps:
        first = taps.index(best.place)
    elif best.place in stages:
        first = stages.index(best.place) + 1
    else:  # several stages that no tap divides, or the source
        first = weighing.segments[best.segment].first + 1
    read = {each.after.name for each in weighing.segments[: weighing.chain_n]}
    return tuple(name for name in taps[first:] if name in read)
