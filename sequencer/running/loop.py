"""Drives the bench through a plan: set, wait until settled, read; everything through the journal.

It never prints and never computes a figure. Whatever ends it, the outputs go to the safe level first (`safety.py`).
"""

import contextlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from typing import TypeAlias

import numpy as np

from instruments.bench import Bench
from instruments.entry import Doubting
from instruments.errors import (
    InstrumentError,
    LivezeroError,
    NoReadingError,
    OutOfTouchError,
    UnsafeError,
)
from instruments.roles import Operator, Receiver, Sample
from instruments.units import to_digits
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan, Point
from sequencer.readings.plausibility import Expectation
from sequencer.running.confirmations import Stop, confirm, confirm_again, signals_stop, undisturbed
from sequencer.running.events import (
    Closed,
    Event,
    Listener,
    MadeSafe,
    Planned,
    PointBegun,
    PointSettled,
    ReadingTaken,
    Remarked,
    SampleTaken,
)
from sequencer.running.outcome import Outcome, StopBySequenceError, outcome_of
from sequencer.running.plausibility_check import Questioning
from sequencer.running.reapproach import approach
from sequencer.running.safety import Output, Safety
from sequencer.running.settling import Settled, Settling, State
from sequencer.running.settling_history import Pace

__all__ = ["Further", "Rest", "run_plan"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rest:
    """What is left of a plan whose run was cut off.

    Args:
        points: still to be visited, in order.
        taken: how often each point, by number, was taken before; the next attempt counts on from there.
        began: when the run began, from which `at_s` counts on.
    """

    points: tuple[Point, ...]
    taken: Mapping[int, int]
    began: datetime


Further: TypeAlias = Callable[[], tuple[Point, ...]]
"""Gives points to be taken beyond the plan, numbered on from it."""


def run_plan(
    plan: Plan,
    bench: Bench,
    *,
    serial: str,
    operator: Operator,
    journal: Journal,
    listener: Listener,
    rest: Rest | None = None,
    further: Further | None = None,
) -> Outcome:
    """Run a plan on an open bench.

    Args:
        plan: what to do.
        bench: opened for this plan; safe when this returns, unless the status is "not safe".
        serial: of the unit.
        operator: confirms the cautions, and serves keyed instruments.
        journal: takes every exchange, settling and reading.
        listener: takes every event.
        rest: what is left of the plan, where a run that was cut off is resumed; None = all of it.
        further: asked once all points are taken, before the outputs go to their safe levels: points to be taken beyond
            the plan; None = nobody wants any.

    Returns:
        The outcome; a dead instrument, a refused level, a stop by a person are outcomes, not exceptions. What is
        raised after all is a fault of livezero, and the bench was made safe before it.
    """
    with signals_stop() as stop:
        run = _Run(
            plan,
            bench,
            serial=serial,
            operator=operator,
            journal=journal,
            listener=listener,
            stop=stop,
            rest=rest,
            further=further,
        )
        ended: BaseException | None = None
        outcome = None
        try:
            outcome = run.to_the_end()
            unsafe = run.make_safe()
        except BaseException as error:  # noqa: BLE001  raised again below if it is a fault of livezero
            ended = error
            unsafe = run.make_safe()
        if outcome is None or ended is not None or unsafe is not None:
            outcome = outcome_of(ended, unsafe, at=run.place)
        outcome = run.close(outcome)
    if ended is not None and not isinstance(ended, (LivezeroError, KeyboardInterrupt, StopBySequenceError)):
        if unsafe is not None:
            raise unsafe from ended
        raise ended
    return outcome


class _Run:
    """The state of one run: where it is, and what is selected."""

    def __init__(  # noqa: PLR0913  what a run is made of
        self,
        plan: Plan,
        bench: Bench,
        *,
        serial: str,
        operator: Operator,
        journal: Journal,
        listener: Listener,
        stop: Stop,
        rest: Rest | None,
        further: Further | None,
    ) -> None:
        self._plan = plan
        self._bench = bench
        self._serial = serial
        self._operator = operator
        self._journal = journal
        self._tell = listener
        self._stop = stop
        self._safety = Safety()
        self._retries = plan.sequence.file.retries
        self._source = bench.sources[plan.sheet.taps[0].name]
        self._point: Point | None = None
        self._standing_at: Point | None = None  # whose level the source has confirmed
        self._is_astray = False  # the output went off, and the input is not back on its way yet
        self._ranges: dict[str, str] = {}
        self._pace = Pace()
        self._rest = rest
        self._has_read = rest is not None  # something that a new run would have to read again
        self._further = further
        self._points = plan.points
        self._start_s = self._beginning()
        self._questioning = Questioning(plan, operator, keep=self._note, remark=self._remark)

    # -- from beginning to end ---------------------------------------------------------------------------------------

    def _beginning(self) -> float:
        """When the run began, on the bench's clock: now, or so long ago as the journal says."""
        clock = self._bench.clock
        return clock.now() - ((clock.date() - self._rest.began).total_seconds() if self._rest else 0.0)

    def to_the_end(self) -> Outcome:
        """Prepare, confirm, energise, visit every point."""
        self._safety.enter(Output.MAKING_SAFE)  # preparing does, before anything is set up
        identities = self._bench.prepare()
        self._safety.enter(Output.SAFE)
        self._start_s = self._beginning()
        self._journal.write("identified", sync=True, identities=identities)
        self._tell(Planned(plan=self._plan, identities=identities))
        points = self._rest.points if self._rest else self._plan.points
        beyond = () if points else self._wanted()
        if not points and not beyond:
            return Outcome(status="complete", reason="every point had been read")
        if not self._plan.bench.file.is_simulated:  # a simulated bench can hurt nobody
            confirm(self._plan.cautions, self._operator)
        self._select()
        self._energise()
        self._visit_all(points)
        if points:
            beyond = self._wanted()
        self._visit_all(beyond)
        read_n = sum(point.role == "reading" for point in beyond)
        more = f", and {read_n} more to tell causes apart" if read_n else ""
        return Outcome(status="complete", reason=f"all {len(self._plan.points)} points taken{more}")

    def _wanted(self) -> tuple[Point, ...]:
        """Points beyond the plan that somebody wants after seeing the readings."""
        further = self._further() if self._further is not None else ()
        self._points = (*self._points, *further)
        return further

    def _visit_all(self, points: tuple[Point, ...]) -> None:
        for point in points:
            self._point = point
            self._visit(point)

    def _select(self) -> None:
        for wired, tap in zip(self._plan.wires, self._plan.sheet.taps, strict=True):
            if wired.source is not None:
                self._source.select(wired.source.entry)
            if wired.receiver is not None:
                self._bench.receivers[wired.tap].select(wired.receiver.entry, tap.reading_unit)
                self._ranges[wired.tap] = str(wired.receiver.entry.range)

    def _heed(self) -> None:
        """Stop here if somebody asked for it, or if the journal could not keep an exchange."""
        self._stop.heed()
        self._journal.heed()

    def _energise(self) -> None:
        """On at 0 %, or the setpoint nearest to it: never with a jump to the top."""
        self._heed()
        tap = self._plan.sheet.taps[0]
        first = min(self._plan.points, key=lambda point: abs(point.value - tap.low))
        self._safety.enter(Output.ENERGISED)
        self._source.set(first.level)
        self._source.energise()

    def make_safe(self) -> UnsafeError | None:
        """Outputs to the safe level; the error if that failed. Not interrupted by anything."""
        with undisturbed():
            if self._safety.state is not Output.MAKING_SAFE:  # preparing may have ended in the middle of it
                self._safety.enter(Output.MAKING_SAFE)
            try:
                done = self._bench.make_safe()
            except UnsafeError as error:
                self._safety.enter(Output.NOT_SAFE)
                return error
            self._safety.enter(Output.SAFE)
            for instrument, level in done.items():
                self._keep("safe", instrument=instrument, level=level)
                self._tell_anyhow(MadeSafe(instrument=instrument, level=level))
        return None

    @property
    def place(self) -> str:
        """Where the run stands, in words."""
        return f"at point {self._point.number} of {len(self._points)}" if self._point else "before the first point"

    def close(self, outcome: Outcome) -> Outcome:
        """The last line of the journal; the outcome with whether it can go on. Not interrupted by anything."""
        # Also a run that was to go on, and did not come to its first point: its instruments may be off still.
        is_stopped = outcome.status == "interrupted" or (outcome.status == "bench fault" and self._point is None)
        can_resume = is_stopped and self._has_read
        with undisturbed():
            self._safety.enter(Output.ENDED)
            kind = "interrupted" if can_resume else "closed"
            self._keep(kind, date=self._date(), status=outcome.status, reason=outcome.reason)
            self._tell_anyhow(Closed(status=outcome.status, reason=outcome.reason))
        return replace(outcome, can_resume=can_resume)

    def _keep(self, kind: str, **fields: object) -> None:
        """A line of the journal after the outputs are safe; a full disk must not hide how the run ended."""
        try:
            self._journal.write(kind, sync=True, at_s=self._at(self._bench.clock.now()), **fields)
        except LivezeroError as error:
            self._tell_anyhow(Remarked(point=self._point, text=error.what))

    def _tell_anyhow(self, event: Event) -> None:
        """An event after the outputs are safe; a listener that fails must not hide how the run ended."""
        with contextlib.suppress(Exception):
            self._tell(event)

    # -- one point ---------------------------------------------------------------------------------------------------

    def _visit(self, point: Point) -> None:
        """Take a point; after touch with an instrument was lost, have it back and take the point again.

        The input is left where it stands, unless the source had not confirmed the level yet, or its output went off.
        """
        for attempt in range(1, self._retries + 2):
            self._heed()
            self._tell(PointBegun(point=point, attempt=attempt))
            try:
                if attempt > 1:
                    self._recover(point)
                self._take(point, attempt + (self._rest.taken.get(point.number, 0) if self._rest else 0))
            except OutOfTouchError as error:
                if attempt > self._retries:
                    raise InstrumentError(
                        f"{error.what}; given up after {attempt} attempts at one point",
                        where=error.where,
                        todo=error.todo,
                    ) from error
                self._remark(f"{error.where}: {error.what}; point discarded")
            else:
                return

    def _recover(self, point: Point) -> None:
        """Every line is cleared and identified again: a late answer must not be taken for the next one."""
        is_off = self._source.recover()
        for receiver in self._bench.receivers.values():
            receiver.recover()
        if is_off and self._safety.state is Output.ENERGISED:  # else it is off for a capture, and stays so
            self._safety.enter(Output.MAKING_SAFE)  # recovering did
            self._safety.enter(Output.SAFE)
            self._standing_at, self._is_astray = None, True
            self._remark(f"{self._source.name}: its output was off, and is set up again at its safe level")
            if self._plan.cautions and not self._plan.bench.file.is_simulated:
                confirm_again(self._source.name, self._operator)
            self._energise()
        if self._is_astray:
            self._come_back(point)
        else:
            self._remark("every instrument identified and set up; the input stands where it stood")

    def _come_back(self, point: Point) -> None:
        """Visit what decides on which branch of a hysteresis the unit stands."""
        via = approach(self._points, point)
        tap = self._plan.sheet.taps[0]
        places = ", ".join(f"{100 * float(tap.fraction(np.array(each.value))):.4g} %" for each in via)
        self._remark(f"point approached again{' by way of ' if via else ''}{places}")
        for each in via:
            self._pace.move()
            self._source.set(each.level)
            self._standing_at = each
            self._wait(each, self._bench.clock.now())
        self._is_astray = False

    def _take(self, point: Point, attempt: int) -> None:
        start_s = self._bench.clock.now()
        # An end pair is read again without moving the input, and so is a point that is taken again.
        if self._standing_at is None or (point.role != "end pair" and self._standing_at.number != point.number):
            self._pace.move()
            self._move(point)
            self._standing_at = point
        settled, invalid = self._wait(point, start_s)
        if not settled.is_steady:  # it may be an instrument that does not see the unit any more
            for receiver in self._bench.receivers.values():
                receiver.check()
        is_keyed = self._bench.receivers[self._plan.sheet.taps[-1].name].is_keyed
        self._journal.write(
            "settled",
            sync=False,
            number=point.number,
            attempt=attempt,
            at_s=self._at(start_s),
            state="by the operator" if is_keyed else "no reading" if invalid else str(settled.state),
            after_s=settled.after_s,
            to_go=settled.to_go,
            noise_sd=settled.noise_sd,
            held_s=round(settled.held_s, 6),
            trace=[(round(at_s, 6), value) for at_s, value in settled.trace],
        )
        self._tell(PointSettled(point=point, settled=settled))
        if point.role != "exercise":
            for reading in range(1, point.setpoint.readings_n + 1):
                self._read_all(point, attempt, reading, settled, invalid=invalid)
            if point.is_capture:  # asked after each reading it would lose its pace
                self._source.check()
                for receiver in self._bench.receivers.values():
                    receiver.check()
        # A capture is taken of what never comes to rest, too.
        is_waiting_in_vain = not (settled.is_steady or invalid or is_keyed or point.is_capture)
        if is_waiting_in_vain and self._plan.sequence.file.if_never_settled == "stop":
            raise StopBySequenceError(f"point {point.number} never settled")

    def _move(self, point: Point) -> None:
        """Set the level of a point; or switch the source off, from where it comes on again before the next level."""
        if point.role == "capture, drive off":
            self._safety.enter(Output.MAKING_SAFE)
            self._source.make_safe()
            self._safety.enter(Output.SAFE)
            return
        if self._safety.state is Output.SAFE:
            self._energise()
        self._source.set(point.level)

    def _wait(self, point: Point, start_s: float) -> tuple[Settled, str]:
        """Wait until the unit is steady or given up, and learn its pace.

        Returns:
            How it settled, and why there was no reading ("" if there was one).
        """
        settling = Settling(self._pace.rule(point.rule))
        invalid = self._watch(point, start_s, settling)
        settled = settling.settled()
        self._pace.learn(settling.rule, settled)
        return settled, invalid

    def _watch(self, point: Point, start_s: float, settling: Settling) -> str:
        """Sample the last tap until it is steady or given up.

        Returns:
            Why there was no reading; "" if there was one.
        """
        clock = self._bench.clock
        receiver = self._bench.receivers[self._plan.sheet.taps[-1].name]
        tap = self._plan.sheet.taps[-1]
        expected = float(tap.to_reading(np.array(point.expected[-1])))
        if receiver.is_keyed:  # the person reads when it stands still; the time they need is not ours to judge
            clock.sleep(min(point.estimate_s, point.rule.maximum_s))
            return ""
        missed = 0
        while True:
            self._heed()
            began_s = clock.now()
            try:
                sample = self._read(receiver, expected)
            except NoReadingError as error:
                missed += 1
                if missed > self._retries:
                    self._remark(f"{error.where}: {error.what} {missed} times running")
                    return error.kind
                settling.add(clock.now() - start_s, float("nan"))  # only time passes
            else:
                missed = 0
                # Stamped at the middle of the measurement would need its aperture; its end is what is known.
                after_s = sample.at_s - start_s
                value = float(tap.from_reading(np.array(sample.value)))
                state = settling.add(after_s, value)
                self._tell(SampleTaken(point=point, after_s=after_s, value=value, state=state, to_go=settling.to_go))
                if state is not State.MOVING:
                    return ""
            self._heed()
            clock.sleep(began_s + point.rule.interval_s - clock.now())

    def _read(self, receiver: Receiver, expected: float | None, doubt: Doubting | None = None) -> Sample:
        """One reading; an overload is tried again in the next wider range, if there is one."""
        while True:
            try:
                return receiver.read(expected=expected, doubt=doubt)
            except NoReadingError as error:
                wider = receiver.wider() if error.kind == "overload" else None
                if wider is None:
                    raise
                tap = self._tap_of(receiver)
                self._remark(f"{receiver.name}: overload; range changed to {wider.range}")
                unit = next(each.reading_unit for each in self._plan.sheet.taps if each.name == tap)
                receiver.select(wider, unit)
                self._ranges[tap] = str(wider.range)

    def _tap_of(self, receiver: Receiver) -> str:
        return next(tap for tap, each in self._bench.receivers.items() if each is receiver)

    # -- readings ----------------------------------------------------------------------------------------------------

    def _read_all(self, point: Point, attempt: int, reading: int, settled: Settled, *, invalid: str) -> None:
        """One reading at every tap that has a receiver; kept once no instrument has shown a loss of its settings."""
        if not point.is_capture:
            self._source.check()
        for index, tap in enumerate(self._plan.sheet.taps):
            receiver = self._bench.receivers.get(tap.name)
            if receiver is None or point.setpoint.tap not in {"", tap.name}:
                continue
            at = self._questioning.expectation(point, index)
            tries = 1 if invalid else self._retries + 1
            doubt = self._questioning.of_entries(tap.name, at) if receiver.is_keyed else None
            sample, note = self._valid(receiver, at.signal, tries=tries, doubt=doubt)
            if not point.is_capture:
                receiver.check()
            correction = receiver.take_correction()
            if correction is not None:
                self._journal.write("correction", sync=True, tap=tap.name, signal=correction.value, raw=correction.raw)
                self._remark(f'the reading before at tap "{tap.name}" was corrected to {correction.raw}')
            if receiver.is_keyed:
                self._questioning.keyed(tap.name, at, sample, correction)
            signal = sample.value if sample else float("nan")
            value = to_digits(float(tap.from_reading(np.array(signal))))
            self._journal.write(
                "reading",
                # A capture asks for speed; each of its readings alone is worth nothing.
                sync=not point.is_capture or reading == point.setpoint.readings_n,
                serial=self._serial,
                number=point.number,
                step=point.step,
                step_name=point.step_name,
                cycle=point.setpoint.cycle,
                direction=point.setpoint.direction,
                point=point.setpoint.point,
                role=point.role,
                attempt=attempt,
                reading=reading,
                tap=tap.name,
                setpoint_pct=100 * point.setpoint.frac,
                commanded=point.value,
                value=value,
                unit=tap.unit,
                signal=signal,
                signal_unit=tap.reading_unit,
                at=self._date(),
                at_s=self._at(sample.at_s if sample else self._bench.clock.now()),
                settling="by the operator" if receiver.is_keyed else "no reading" if invalid else str(settled.state),
                settle_s=to_digits(settled.after_s, 12),
                to_go=to_digits(settled.to_go, 12),
                instrument=receiver.name,
                range=self._ranges[tap.name],
                note=note,
                raw=sample.raw if sample else "",
            )
            self._has_read = True
            self._tell(ReadingTaken(point=point, tap=tap.name, reading=reading, value=value, unit=tap.unit))
            if sample is not None and not (receiver.is_keyed or point.is_capture):
                self._doubt(receiver, tap.name, at, sample)

    def _doubt(self, receiver: Receiver, tap: str, at: Expectation, sample: Sample) -> None:
        """Hold what an instrument read against what is expected; in doubt it is read once more."""
        self._questioning.read(tap, at, sample, lambda: self._valid(receiver, at.signal, tries=1)[0])

    def _valid(
        self, receiver: Receiver, expected: float, *, tries: int, doubt: Doubting | None = None
    ) -> tuple[Sample | None, str]:
        """A reading, tried within the bound; None and the reason if there was none."""
        note = ""
        for _ in range(tries):
            try:
                return self._read(receiver, expected, doubt), ""
            except NoReadingError as error:
                note = error.kind
                self._remark(f'{error.where}: {error.what}, reply "{error.reply[:40]}"')
        return None, note

    def _note(self, kind: str, **fields: object) -> None:
        """A line of the journal about the point where the run stands."""
        at_s, number = self._at(self._bench.clock.now()), self._point.number if self._point else None
        self._journal.write(kind, sync=False, at_s=at_s, number=number, **fields)

    def _remark(self, text: str) -> None:
        self._note("remark", text=text)
        self._tell(Remarked(point=self._point, text=text))

    def _at(self, clock_s: float) -> float:
        return round(clock_s - self._start_s, 6)

    def _date(self) -> str:
        return self._bench.clock.date().isoformat(timespec="milliseconds")
