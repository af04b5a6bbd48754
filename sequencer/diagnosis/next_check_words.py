"""The next reading as a work instruction: what to set, and what each answer would mean."""

import math
from collections.abc import Sequence

from instruments.texts import sized
from sequencer.diagnosis.model.segment import Segment
from sequencer.diagnosis.next_check import Answer, Extra, NextCheck

__all__ = ["instruction"]

_NAMED_N = 3
_SIDES = {"up": "from below", "down": "from above"}


def instruction(check: NextCheck, answers: Sequence[Answer], segment: Segment) -> str:
    """What to set and read, by hand in the unit of the input, else in % of its range; and what each answer means.

    Args:
        check: with one reading or two.
        answers: of the segment.
        segment: whose tap is read.
    """
    taps = segment.sheet.taps
    order = _in_turn(check.readings)
    readings = [check.readings[each] for each in order]
    tap = f'"{segment.after.name}"' if len(taps) > 2 else ""
    if check.is_by_hand:
        places = _places([f"{each.setting:g} {taps[0].unit}" for each in readings], list(map(_by_hand, readings)))
        lead = f"set {places}" + (f" and read {tap}" if tap else "")
    else:
        places = _places([f"{each.setpoint_pct:.4g} %" for each in readings], list(map(_in_a_run, readings)))
        lead = f"read {tap + ' ' if tap else ''}at {places}"
    meanings = _meanings([(each, [each.values[place] for place in order]) for each in answers], segment.after.unit)
    return f"{lead}: {'; '.join(meanings)}."


def _in_turn(readings: Sequence[Extra]) -> list[int]:
    """Indices of the readings, those from below first, without turning back between two of one side."""

    def way(index: int) -> tuple[bool, float]:
        each = readings[index]
        is_down = each.is_one_way and each.direction == "down"
        return is_down, -each.setpoint_pct if is_down else each.setpoint_pct

    return sorted(range(len(readings)), key=way)


def _by_hand(reading: Extra) -> str:
    """How a person comes to the point: from which side, where that tells, and how long it stands."""
    side = f" {_SIDES[reading.direction]}" if reading.is_one_way else ""
    return side + (f", wait {sized(reading.wait_s)} s" if reading.wait_s else "")


def _in_a_run(reading: Extra) -> str:
    wait = f", after {sized(reading.wait_s)} s" if reading.wait_s else ""
    return f", coming {_SIDES[reading.direction]}{wait}"


def _places(levels: Sequence[str], ways: Sequence[str]) -> str:
    """Where to read, and how one comes there: said once where it is the same."""
    if len(set(ways)) == 1:
        return " and ".join(levels) + ways[0]
    return " and ".join(level + way for level, way in zip(levels, ways, strict=True))


def _meanings(answers: Sequence[tuple[Answer, Sequence[float]]], unit: str) -> list[str]:
    """What is read under each explanation; digits as far as the surest of the readings goes."""
    digits = max(0, math.ceil(-math.log10(2 * min(each.sd for each, _ in answers))))
    by_level: dict[str, list[str]] = {}
    for each, values in answers:
        # What is no more than its scatter is nothing: no speed is -1 rpm.
        levels = [f"{0.0 if abs(value) < 2 * each.sd else value:.{digits}f}" for value in values]
        said = f"{' and '.join(levels)} {unit}" if len(set(levels)) == len(levels) else f"{levels[0]} {unit} both"
        by_level.setdefault(said, []).extend(each.names)
    return [f"{said} if {_either(list(dict.fromkeys(names)))}" for said, names in by_level.items()]


def _either(names: Sequence[str]) -> str:
    named = [*names[:_NAMED_N], *(["others"] if len(names) > _NAMED_N else [])]
    return named[0] if len(named) == 1 else f"{', '.join(named[:-1])} or {named[-1]}"
