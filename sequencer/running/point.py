"""One point of a run: wait until the unit has settled, read every tap, keep what was read.

It sets nothing: the input was brought there before (`position`).
"""

from collections import defaultdict
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

import numpy as np

from instruments.bench import Bench
from instruments.datasheet import Tap
from instruments.entry import Doubting
from instruments.errors import NoReadingError
from instruments.roles import Receiver, Sample
from instruments.texts import to_digits
from sequencer.inputs.step import Setpoint
from sequencer.planning.plan import Plan, Point
from sequencer.running.events import PointSettled, ReadingTaken, SampleTaken, Waited
from sequencer.running.logbook import Logbook
from sequencer.running.plausibility_check import Questioning
from sequencer.running.settling import Settled, Settling, State
from sequencer.running.settling_history import Pace
from sequencer.running.turns import Turns

__all__ = ["Reader", "Visit"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """A point whose wait is over.

    Attributes:
        point: where.
        attempt: from 1.
        start_s: when the input was about to be set, by the clock of the bench.
        settled: how the unit settled.
        invalid: why there was no reading while waiting; "" if there was one, or a person reads.
    """

    point: Point
    attempt: int
    start_s: float
    settled: Settled
    invalid: str

    def settling(self, receiver: Receiver) -> str:
        """How it settled, in the words of the journal, as a receiver saw it."""
        if receiver.is_keyed:
            return "by the operator"
        if not self.point.setpoint.is_waited_for:
            return "not waited for"
        return "no reading" if self.invalid else str(self.settled.state)


class Reader:
    """Reads the points of one run.

    Args:
        plan: what is run.
        bench: takes what tells of its sources.
        receivers: by tap, as this unit sees them.
        serial: of the unit.
        log: of the run.
        pace: learns how fast the unit is.
        questioning: doubts what is read.
        alarm: told why, as soon as a receiver answers without sense again and again; True if an output was told off.
        taken: how often each point, by number, was taken before.
        stays: other units are served in turn: what may end its wait is read at once, and is its first reading.

    Attributes:
        lost: why nothing is read any more, since the output is off; "" = it is.
        serial: of the unit.
        log: of the unit.
        values: what was read of the output at the point where it stands.
    """

    def __init__(  # noqa: PLR0913  all but plan and bench by keyword
        self,
        plan: Plan,
        bench: Bench,
        *,
        receivers: Mapping[str, Receiver],
        serial: str,
        log: Logbook,
        pace: Pace,
        questioning: Questioning,
        alarm: Callable[[str], bool],
        taken: dict[int, int],
        stays: bool = False,
    ) -> None:
        self.lost = ""
        self.values: list[float] = []
        self.taken = taken
        self._stays = stays
        self._alarm = alarm
        self.has_read = False  # something that a new run would have to read again
        self._plan = plan
        self._bench = bench
        self._receivers = receivers
        self.serial = serial
        self.log = self._log = log
        self.pace = self._pace = pace
        self._questioning = questioning
        self._settled_by: Sample | None = None  # the reading that ended the last wait
        self._retries = plan.sequence.file.retries
        self._ranges: dict[str, str] = {}
        self._said: tuple[int, set[str]] = (0, set())  # number of a point, and what was remarked there
        self._keyed: dict[int, tuple[Sample, dict[str, int]]] = {}  # what a person typed, and which reading it is

    def select(self) -> None:
        """Function and range of every receiver."""
        for wired, tap in zip(self._plan.wires, self._plan.sheet.taps, strict=True):
            if wired.receiver is not None:
                self._receivers[wired.tap].select(wired.receiver.entry, tap.reading_unit)
                self._ranges[wired.tap] = str(wired.receiver.entry.range)

    def check(self) -> None:
        """Raises PowerCycledError if a receiver has lost its settings."""
        for receiver in self._receivers.values():
            receiver.check()

    @property
    def last(self) -> Receiver:
        """What reads the output of the unit."""
        return self._receivers[self._plan.sheet.taps[-1].name]

    def settles_s(self, point: Point) -> float:
        """How long it is expected to take there until it has settled."""
        rule = self._pace.rule(point.rule)
        return max(rule.step_takes_s, rule.minimum_s)

    # -- waiting -----------------------------------------------------------------------------------------------------

    def wait(self, point: Point, start_s: float) -> Turns[tuple[Settled, str]]:
        """Wait, in turns, until the unit is steady or given up, and learn its pace.

        Returns:
            How it settled, and why there was no reading ("" if there was one).
        """
        settling = Settling(self._pace.rule(point.rule))
        invalid = yield from self._watch(point, start_s, settling)
        settled = settling.settled()
        self._pace.learn(settling.rule, settled)
        return settled, invalid

    def settle(self, point: Point, attempt: int, start_s: float) -> Turns[Visit]:
        """Wait as `wait`, and keep how it settled."""
        self.values.clear()
        self._settled_by = None
        if point.setpoint.is_waited_for:
            settled, invalid = yield from self.wait(point, start_s)
        else:
            settled, invalid = Settling(point.rule).settled(), ""
        visit = Visit(point=point, attempt=attempt, start_s=start_s, settled=settled, invalid=invalid)
        if point.setpoint.is_waited_for and not settled.is_steady and not self.lost:
            self.check()  # it may be an instrument that does not see the unit any more
        self._log.journal.write(
            "settled",
            sync=False,
            number=point.number,
            attempt=attempt,
            at_s=self._log.at(start_s),
            state=visit.settling(self.last),
            after_s=settled.after_s,
            to_go=settled.to_go,
            noise_sd=settled.noise_sd,
            held_s=round(settled.held_s, 6),
            **({"waited_s": round(settled.waited_s, 6)} if settled.waited_s else {}),
            trace=[(round(at_s, 6), value) for at_s, value in settled.trace],
        )
        self._log.tell(PointSettled(point=point, settled=settled))
        return visit

    def _watch(self, point: Point, start_s: float, settling: Settling) -> Turns[str]:
        """Sample the last tap, once a turn, until it is steady or given up.

        Returns:
            Why there was no reading; "" if there was one.
        """
        clock, receiver, tap = self._bench.clock, self.last, self._plan.sheet.taps[-1]
        expected = float(tap.to_reading(np.array(point.expected[-1])))
        if receiver.is_keyed:  # the person reads when it stands still; the time they need is not ours to judge
            yield clock.now() + self._left_to_settle(point)
            return ""
        missed = 0
        while not self.lost:
            self._log.check_stop()
            began_s = clock.now()
            try:
                sample = self._read(receiver, expected)
            except NoReadingError as error:
                missed += 1
                if missed > self._retries:
                    self._raise_alarm(error)
                    self._log.remark(f'{error.where}: {error.what} {missed} times running, last "{error.reply[:40]}"')
                    return error.kind
                settling.add(clock.now() - start_s, float("nan"))  # only time passes
            else:
                missed = 0
                # Stamped at the middle of the measurement would need its aperture; its end is what is known.
                after_s = sample.at_s - start_s
                value = float(tap.from_reading(np.array(sample.value)))
                state = settling.add(after_s, value)
                self._log.tell(
                    SampleTaken(point=point, after_s=after_s, value=value, state=state, to_go=settling.to_go)
                )
                if state is not State.MOVING:
                    self._settled_by = sample if self._stays else None
                    return ""
            self._log.check_stop()
            if self._stays and settling.is_confirming:  # to come back would cost the others a round
                continue
            due_s = began_s + point.rule.interval_s
            yield due_s
            if self._stays:
                settling.delayed(max(clock.now() - due_s, 0.0))
        return self.lost

    def _left_to_settle(self, point: Point) -> float:
        """Seconds that a unit is given before a person reads it, said to them; the input stands already."""
        wait_s = min(self.settles_s(point), point.rule.maximum_s)
        if wait_s > 0:
            self._log.tell(Waited(point=point, left_s=wait_s))
        return wait_s

    def _raise_alarm(self, error: NoReadingError) -> None:
        """Nothing is driven that cannot be read; an overload is an answer with sense."""
        if error.kind in {"garbled", "empty"} and self._alarm(error.kind):
            self.lost = error.kind

    def _read(self, receiver: Receiver, expected: float | None, doubt: Doubting | None = None) -> Sample:
        """One reading; an overload is tried again in the next wider range, if there is one."""
        while True:
            try:
                return receiver.read(expected=expected, doubt=doubt)
            except NoReadingError as error:
                wider = receiver.wider() if error.kind == "overload" else None
                if wider is None:
                    raise
                tap = next(tap for tap, each in self._receivers.items() if each is receiver)
                self._log.remark(f"{receiver.name}: overload; range changed to {wider.range}")
                unit = next(each.reading_unit for each in self._plan.sheet.taps if each.name == tap)
                receiver.select(wider, unit)
                self._ranges[tap] = str(wider.range)

    # -- reading -----------------------------------------------------------------------------------------------------

    def read_all(self, visit: Visit, reading: int) -> None:
        """One reading at every tap that has a receiver; kept once no instrument has shown a loss of its settings."""
        point = visit.point
        self._bench.part_begins(point.step)
        for index, tap in enumerate(self._plan.sheet.taps):
            receiver = self._receivers.get(tap.name)
            if receiver is None or point.setpoint.tap not in {"", tap.name}:
                continue
            at = self._questioning.expectation(point, index)
            tries = 1 if visit.invalid else self._retries + 1
            doubt = self._questioning.of_entries(tap.name, at) if receiver.is_keyed else None
            is_read_already = receiver is self.last and reading == 1 and not self.lost
            sample, note = (self._settled_by, "") if is_read_already else (None, "")
            if sample is None:
                sample, note = self._valid(receiver, at.signal, tries=tries, doubt=doubt)
            if not point.setpoint.is_quick and not self.lost:
                receiver.check()
            self.take_corrections({tap.name: [sample.raw]} if receiver.is_keyed and sample else {})
            if receiver.is_keyed and sample is not None:
                self._questioning.take(tap.name, at, sample)
            self._keep(visit, reading, tap, receiver, sample, note)
            is_doubted = not (receiver.is_keyed or point.setpoint.is_quick or point.setpoint.is_beyond)
            if sample is not None and is_doubted:  # in doubt it is read once more
                self._questioning.read(
                    tap.name, at, sample, lambda: self._valid(receiver, at.signal, tries=1)[0]  # noqa: B023  at once
                )  # fmt: skip

    def take_corrections(self, keyed: Mapping[str, Collection[str]] = {}) -> None:
        """Keep what a person keyed again for the reading before at a tap, at whatever prompt that was.

        Args:
            keyed: readings that are about to be kept, as typed, by tap.
        """
        stand = defaultdict(list, {tap: list(raws) for tap, raws in keyed.items()})
        for tap, receiver in self._receivers.items():
            while (correction := receiver.take_correction()) is not None:
                _, which = self._keyed.get(id(correction.instead_of), (None, dict[str, int]()))
                self._keyed[id(correction)] = correction, which
                self._log.journal.write(
                    "correction", sync=True, tap=tap, signal=correction.value, raw=correction.raw, **which
                )
                at = f"of point {which['number']} " if which else "before "
                self._log.remark(f'the reading {at}at tap "{tap}" was corrected to {correction.raw}')
                stand[tap].append(correction.raw)
        self._questioning.keyed(stand)

    def _keep(self, visit: Visit, reading: int, tap: Tap, receiver: Receiver, sample: Sample | None, note: str) -> None:
        point, setpoint = visit.point, visit.point.setpoint
        signal = sample.value if sample else float("nan")
        value = to_digits(float(tap.from_reading(np.array(signal))))
        if sample is not None:
            self._bench.took(tap.name, sample.value)
        if tap is self._plan.sheet.taps[-1]:
            self.values.append(value)
        if sample is not None and receiver.is_keyed:
            which = {"number": point.number, "attempt": visit.attempt, "reading": reading}
            self._keyed[id(sample)] = sample, which
        self.has_read = True  # before it is kept: a signal may come as soon as it is
        self._log.journal.write(
            "reading",
            # A capture asks for speed; each of its readings alone is worth nothing.
            sync=not point.setpoint.is_quick or reading == setpoint.readings_n,
            serial=self.serial,
            number=point.number,
            step=point.step,
            step_name=point.step_name,
            cycle=setpoint.cycle,
            direction=setpoint.direction,
            point=setpoint.point,
            role=point.role,
            attempt=visit.attempt,
            reading=reading,
            tap=tap.name,
            setpoint_pct=100 * setpoint.frac,
            commanded=point.value,
            value=value,
            unit=tap.unit,
            signal=signal,
            signal_unit=tap.reading_unit,
            at=self._log.date(),
            at_s=self._log.at(sample.at_s if sample else self._bench.clock.now()),
            settling=visit.settling(receiver),
            settle_s=to_digits(visit.settled.after_s, 12),
            to_go=to_digits(visit.settled.to_go, 12),
            instrument=receiver.name,
            range=self._ranges[tap.name],
            note=note,
            raw=sample.raw if sample else "",
            **_beside(setpoint, self._log.at(visit.start_s)),
        )
        self._log.tell(ReadingTaken(point=point, tap=tap.name, reading=reading, value=value, unit=tap.unit))

    def _valid(
        self, receiver: Receiver, expected: float, *, tries: int, doubt: Doubting | None = None
    ) -> tuple[Sample | None, str]:
        """A reading, tried within the bound; None and the reason if there was none."""
        note = self.lost
        for number in range(0 if self.lost else tries):
            try:
                sample = self._read(receiver, expected, doubt)
            except NoReadingError as error:
                note = error.kind
                if 0 < number == tries - 1:
                    self._raise_alarm(error)
                self._remark_once(f'{error.where}: {error.what}, reply "{error.reply[:40]}"')
            else:
                if sample.warning:
                    self._remark_once(f"{receiver.name}: {sample.warning}")
                return sample, ""
        return None, note

    def _remark_once(self, text: str) -> None:
        """A remark that every reading at a point would repeat, said at its first."""
        number = self._log.point.number if self._log.point else 0
        if self._said[0] != number:
            self._said = number, set()
        if text not in self._said[1]:
            self._said[1].add(text)
            self._log.remark(text)


def _beside(setpoint: Setpoint, set_at_s: float) -> dict[str, object]:
    """What a line of the journal says of a reading beside the rest, where there is anything to say."""
    said: dict[str, object] = {} if setpoint.is_waited_for else {"set_at_s": set_at_s}
    if setpoint.under:
        said["under"] = "; ".join(f"{name} = {level}" for name, level in setpoint.under)
    return said
