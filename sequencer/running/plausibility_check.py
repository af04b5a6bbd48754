"""Slips of bench and person while a run goes on: asked about on the spot, or read once more; never changed silently.

A person confirms an entry or keys it again; an instrument is read once more, and what it gave first stays the reading.
Once confirmed or reported, a kind of doubt is not raised again at that tap. Each is a remark and a line of the journal.
"""

import math
from collections.abc import Callable, Collection, Mapping
from typing import Any

import numpy as np

from instruments.entry import Doubt, Doubting
from instruments.errors import AbsentError, StoppedError
from instruments.prompts import yes_or_no
from instruments.roles import Operator, Question, Sample
from sequencer.inputs.step import READING
from sequencer.planning.plan import Plan, Point
from sequencer.readings.plausibility import Doubts, Expectation

__all__ = ["Questioning"]

_WORTH_A_STOP = {"loop open", "no signal", "not moved"}


class Questioning:
    """The doubts of one run, and what became of them.

    Args:
        plan: what is run; nobody is asked on a simulated bench.
        operator: whom to ask whether to go on.
        keep: writes a line of the journal: kind and fields.
        remark: tells a remark.
    """

    def __init__(
        self, plan: Plan, operator: Operator, *, keep: Callable[..., None], remark: Callable[[str], None]
    ) -> None:
        self._plan = plan
        self._operator = operator
        self._keep = keep
        self._remark = remark
        self._doubts = Doubts()
        self._raised: list[tuple[str, str, Doubt]] = []  # tap, what was typed, what was doubted of it
        self._is_asked = False

    def expectation(self, point: Point, index: int) -> Expectation:
        """What the tap of that index should read at a point."""
        taps = self._plan.sheet.taps

        def signal(number: int, value: float) -> float:
            return float(taps[number].to_reading(np.array(value)))

        beside = self._plan.points[max(point.number - 2, 0) : point.number + 1]
        tap = taps[index]
        is_judged = tap is taps[-1] and tap.sensor is None and not math.isnan(point.tolerance)
        return Expectation(
            signal=signal(index, point.expected[index]),
            low=signal(index, tap.low),
            high=signal(index, tap.high),
            unit=tap.reading_unit,
            tolerance=abs(signal(index, tap.low + point.tolerance) - signal(index, tap.low)) if is_judged else 0.0,
            others={each.name: signal(n, point.expected[n]) for n, each in enumerate(taps) if n != index},
            neighbours=tuple(
                signal(index, each.expected[index])
                for each in beside
                if each.role == READING and each.number != point.number
            ),
        )

    def of_entries(self, tap: str, at: Expectation) -> Doubting:
        """What doubts the entries of a person at a tap."""

        def doubted(value: float, typed: str) -> Doubt | None:
            found = self._doubts.about(tap, value, at, typed=typed)
            if found is not None:
                self._raised.append((tap, typed, found))
            return found

        return doubted

    def keyed(self, stand: Mapping[str, Collection[str]]) -> None:
        """Say what became of the doubts of a person's entries, by what stands at each tap as it was typed."""
        for tap, typed, found in self._raised:
            is_kept = typed in stand.get(tap, ())
            if is_kept:
                self._doubts.settle(tap, found)
            self._note(tap, found, "confirmed" if is_kept else "keyed again", typed=typed)
            self._remark(f'tap "{tap}": {found.text} ' + ("Confirmed as keyed." if is_kept else "It was keyed again."))
        self._raised.clear()

    def take(self, tap: str, at: Expectation, sample: Sample) -> None:
        """Take a person's entry, which later ones are held against."""
        self._doubts.take(tap, sample.value, at)

    def read(self, tap: str, at: Expectation, sample: Sample, again: Callable[[], Sample | None]) -> None:
        """Doubt a reading of an instrument: read once more, say it, and ask whether to go on where that is wise.

        Raises:
            StoppedError: somebody said no; or going on could do harm, and the run is unattended.
        """
        found = self._doubts.about(tap, sample.value, at)
        self._doubts.take(tap, sample.value, at)
        if found is None:
            return
        second = again()
        is_still = second is not None and abs(second.value - sample.value) <= at.allowed
        self._doubts.settle(tap, found)
        self._note(tap, found, "persists" if is_still else "gone", signal=sample.value, again=second and second.value)
        shown = "nothing" if second is None else f"{second.value:.6g} {at.unit}"
        self._remark(f'tap "{tap}": {found.text} Read once more: ' + ("the same." if is_still else f"{shown}."))
        if is_still and (found.is_unsafe or found.kind in _WORTH_A_STOP):
            self._may_go_on(tap, found)

    def _note(self, tap: str, found: Doubt, answer: str, **fields: Any) -> None:  # noqa: ANN401  JSON values
        self._keep("doubt", tap=tap, doubt=found.kind, text=found.text, answer=answer, **fields)

    def _may_go_on(self, tap: str, found: Doubt) -> None:
        if self._plan.bench.file.is_simulated or (self._is_asked and not found.is_unsafe):
            return
        self._is_asked = True
        question = Question(kind="go on", text=f'Tap "{tap}": {found.text} Go on?')
        try:
            may_go_on = yes_or_no(self._operator, question)
        except AbsentError:
            if found.is_unsafe:
                raise
            self._remark("no operator was present to ask, so the run went on")
            return
        self._note(tap, found, "go on" if may_go_on else "stop")
        if not may_go_on:
            raise StoppedError(f'stopped at a doubt at tap "{tap}"', todo="correct this, then go on")
