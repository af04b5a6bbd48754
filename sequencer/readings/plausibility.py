"""What a slip of the bench or the person looks like: a reading, what it should have been, and the likely reason.

Pure: it asks nobody, keeps nothing on disk and changes no reading. A reading near what the unit should give, or near
what it gave before, is never doubted: a unit with a large error of its own is for the figures to judge.
"""

import math
from collections import deque
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from itertools import islice, pairwise

from instruments.entry import Doubt, entry
from instruments.errors import InputError
from instruments.texts import sized
from instruments.units import is_alike, rescale

__all__ = [
    "Doubts",
    "Expectation",
    "Meant",
    "Rescaling",
    "Seen",
    "doubt",
    "meant",
    "rescalings",
    "slips",
]

_WIDTHS = 3.0  # of the tolerance, or ...
_LEAST = 0.01  # ... of the span: less is left to the figures
_MOVED = 0.1 * (1 - 1e-9)  # of the span: an input that moved so far moves the output of any unit
_STILL = 0.002  # of the span: within that nothing moved
_NOTHING = 0.05  # of a live zero: less is no signal at all
_FAR = 0.05  # of the span: asked about where a person keys, although no reason is known
_ALARM_mA = (3.6, 21.0)  # NE 43: failure at and beyond these (from memory)
_OVER = 1.25  # of the top of a current loop: no transmitter drives that
_REMEMBERED = 200  # readings of a tap: more than any cycle has, few enough to look through each time
_SHUNT_ohm = 250.0
_OF_SIXTY = {"Hz": (1 / 60, 0.0, "unit", "1/min for Hz"), "rpm": (60.0, 0.0, "unit", "1/s for rpm")}
_OF_DIGITS, _OF_NUMBERS = math.log(4), math.log(6)  # nats: of how many slips of the kind a number offers
_OF_ZERO = math.log(200)  # the same where one of the two is a zero in front, which few write
_OF_KEYS = math.log(60)  # the same of a digit beside the one that was meant, which is rarer than transposing two
_BESIDE = (1, -1, 3, -3)  # from a digit to those beside it, in the row of a keyboard and on a keypad


@dataclass(frozen=True, slots=True, kw_only=True)
class Expectation:
    """What a tap should read at one point, in the unit that its instrument shows.

    Attributes:
        signal: ideal.
        low: at 0 %.
        high: at 100 %.
        unit: of all these.
        tolerance: half width; 0 where none is known.
        others: ideal signal at the other taps, by name.
        neighbours: ideal signal at the setpoints before and after.
    """

    signal: float
    low: float
    high: float
    unit: str
    tolerance: float = 0.0
    others: Mapping[str, float] = field(default_factory=dict)
    neighbours: tuple[float, ...] = ()

    @property
    def span(self) -> float:
        """Width of the range, > 0."""
        return abs(self.high - self.low)

    @property
    def allowed(self) -> float:
        """Nearer than that nothing is doubted."""
        return max(_WIDTHS * self.tolerance, _LEAST * self.span)

    @property
    def is_current(self) -> bool:
        """A current loop with a live zero."""
        return is_alike(self.unit, "mA") and min(self.low, self.high) > 0


@dataclass(frozen=True, slots=True)
class Seen:
    """One earlier reading of the same tap, and what was expected of it."""

    expected: float
    value: float


@dataclass(frozen=True, slots=True)
class Rescaling:
    """A slip that is undone by factor * value + shift: its kind, and the reason in words."""

    factor: float
    shift: float
    kind: str
    reason: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Meant:
    """What a number may have been meant as.

    Attributes:
        value: that was meant.
        kind: of the slip: "unit", "sign", "decimal point", "shunt", "transposed digits", "mistyped digit".
        reason: in words.
        cost: in nats, what it must explain more than no slip before it is believed.
        factor: of the slip, where it is one; None where digits changed places.
        text: as it should have been typed; "" where only the value is known.
    """

    value: float
    kind: str
    reason: str
    cost: float
    factor: float | None = None
    text: str = ""


def rescalings(unit: str, low: float = 0.0, high: float = 0.0) -> Iterator[Rescaling]:
    """What may have been done to each number alike, for one in that unit; the likeliest first.

    Args:
        unit: of the numbers.
        low: lower end of the range, in that unit.
        high: upper end; a range of no width is not known.
    """
    for factor, name in {1e3: "1000", 1e-3: "1000", 1e6: "1 000 000", 1e-6: "1 000 000"}.items():
        yield Rescaling(factor, 0.0, "unit", f"factor {name}, another unit or range (A for mA, V for mV)")
    if is_alike(unit, "degC"):
        yield Rescaling(1 / 1.8, -32 / 1.8, "unit", "degF for degC")
        yield Rescaling(1.0, -273.15, "unit", "kelvin for degC")
    if unit in _OF_SIXTY:
        yield Rescaling(*_OF_SIXTY[unit])
    yield Rescaling(-1.0, 0.0, "sign", "polarity, leads swapped")
    for factor in (10.0, 0.1, 100.0, 0.01):
        yield Rescaling(factor, 0.0, "decimal point", "decimal point")
    if is_alike(unit, "mA"):
        volts = f"volts across {_SHUNT_ohm:g} ohm for mA"
        yield Rescaling(rescale("A", unit)[0] / _SHUNT_ohm, 0.0, "shunt", volts)
    if low != high:
        yield Rescaling((high - low) / 100, low, "percent", f"% of the range for {unit}")


def meant(value: float, unit: str, *, typed: str = "") -> Iterator[Meant]:
    """What a number may have been meant as, if writing it down went wrong: every candidate, whether it fits or not.

    Args:
        value: as read or typed, in that unit.
        unit: of it.
        typed: the text, which has it in any unit; "" = no person wrote it, so no digits changed places.
    """
    for each in rescalings(unit):
        yield Meant(
            value=each.factor * value + each.shift,
            kind=each.kind,
            reason=each.reason,
            cost=_OF_NUMBERS,
            factor=each.factor if each.shift == 0 else None,
        )
    try:
        written = entry(typed, unit)
    except InputError:  # no person wrote it, or no number
        return
    ratio = value / written if written else 1.0
    # A zero in front is not written: 10.4 with its first digits transposed is 1.4.
    in_front = [*islice(slips(typed if typed.startswith("0") else f"0{typed}"), 1)]
    for text in dict.fromkeys((*slips(typed), *in_front)):
        with suppress(InputError):  # the swap went into a unit such as "mH2O"
            yield Meant(
                value=ratio * entry(text, unit),
                kind="transposed digits",
                reason="two digits transposed",
                cost=_OF_ZERO if text in in_front else _OF_DIGITS,
                text=text,
            )
    for text in _mistyped(typed):
        with suppress(InputError):
            yield Meant(
                value=ratio * entry(text, unit),
                kind="mistyped digit",
                reason="a digit beside the one that was meant",
                cost=_OF_KEYS,
                text=text,
            )


def _mistyped(typed: str) -> Iterator[str]:
    """A number as typed with one digit that a neighbouring key gives, each in turn."""
    for place, letter in enumerate(typed):
        if letter.isascii() and letter.isdecimal():
            for step in _BESIDE:
                if 0 <= int(letter) + step <= 9:
                    yield f"{typed[:place]}{int(letter) + step}{typed[place + 1 :]}"


def slips(typed: str) -> Iterator[str]:
    """A number as typed with two neighbouring digits transposed, each pair in turn; the point stays where it is."""
    places = [place for place, letter in enumerate(typed) if letter.isdecimal()]
    for one, other in pairwise(places):
        if other - one <= 2 and typed[one] != typed[other] and not typed[one + 1 : other].strip(".,"):
            yield typed[:one] + typed[other] + typed[one + 1 : other] + typed[one] + typed[other + 1 :]


def doubt(value: float, at: Expectation, before: Sequence[Seen] = (), *, typed: str = "") -> Doubt | None:
    """The likely reason for a reading that is neither near what is expected nor near what the unit gave before.

    Args:
        value: as read, in the unit of the signal.
        at: what is expected.
        before: earlier readings of this tap, in order.
        typed: as a person keyed it; "" = read by an instrument, which transposes no digits.

    Returns:
        The doubt; None where there is none, or no reason for it is known.
    """
    case = _Case(value, at, before, typed)
    if case.is_near(value, at.allowed):
        return None
    for reason in (_unit, _nothing, _flat_top, _still, _written, _neighbour, _channel, _alarm, _far):
        found = reason(case)
        if found is not None:
            return found
    return None


class Doubts:
    """The doubts of one run: what each tap read so far, and which kinds the person, or a second reading, settled."""

    def __init__(self) -> None:
        self._seen: dict[str, deque[Seen]] = {}
        self._settled: set[tuple[str, str]] = set()

    def about(self, tap: str, value: float, at: Expectation, *, typed: str = "") -> Doubt | None:
        """A doubt of a kind that was not settled at this tap before; arguments as in `doubt`."""
        found = doubt(value, at, self._seen.get(tap, ()), typed=typed)
        return None if found is None or (tap, found.kind) in self._settled else found

    def take(self, tap: str, value: float, at: Expectation) -> None:
        """Keep a reading that stands."""
        self._seen.setdefault(tap, deque(maxlen=_REMEMBERED)).append(Seen(at.signal, value))

    def settle(self, tap: str, found: Doubt) -> None:
        """Doubt no reading of this tap for this reason again."""
        self._settled.add((tap, found.kind))


@dataclass(frozen=True, slots=True)
class _Case:
    value: float
    at: Expectation
    before: Sequence[Seen]
    typed: str

    @property
    def predicted(self) -> float:
        """What is expected, with the error that was seen at the nearest level before."""
        if not self.before:
            return self.at.signal
        near = min(self.before, key=lambda seen: abs(seen.expected - self.at.signal))
        return self.at.signal + near.value - near.expected

    def is_near(self, value: float, width: float) -> bool:
        return abs(value - self.at.signal) <= width or abs(value - self.predicted) <= width

    def would_fit(self, value: float) -> bool:
        return self.is_near(value, self.at.allowed / 2)

    def found(self, kind: str, reason: str, fits: str = "", *, is_unsafe: bool = False) -> Doubt:
        unit = self.at.unit
        read = self.typed or f"{self.value:.6g}"
        has_unit = not (read[-1:].isdecimal() or read.endswith("."))
        shown = read if has_unit else f"{read} {unit}"
        text = f"{shown} where about {sized(self.at.signal, 4)} {unit} is expected: {reason}?"
        return Doubt(kind=kind, text=f"{text} {fits} would fit." if fits else text, is_unsafe=is_unsafe)

    def as_text(self, value: float) -> str:
        return f"{value:.6g} {self.at.unit}"


def _nothing(case: _Case) -> Doubt | None:
    low = min(abs(case.at.low), abs(case.at.high))
    if min(case.at.low, case.at.high) <= 0 or abs(case.value) > _NOTHING * low:
        return None
    if case.at.is_current:
        return case.found("loop open", "loop open (fuse of the meter, polarity, no supply)")
    return case.found("no signal", "no signal (open or shorted lead, output off)")


def _flat_top(case: _Case) -> Doubt | None:
    """It rose as it should, and now stands below what is expected, where it stood short the time before already."""
    at = case.at
    if not case.before or not at.is_current or case.value >= at.signal:
        return None
    last = case.before[-1]
    right = [
        seen.value
        for seen in case.before
        if seen.expected < case.value and abs(seen.value - seen.expected) <= at.allowed
    ]
    was_rising = bool(right) and max(right) - min(right) > at.allowed  # one point may be right by luck
    is_flat = abs(case.value - last.value) <= _STILL * at.span and at.signal - last.expected > at.allowed
    if was_rising and is_flat and last.expected - last.value > at.allowed / 2:
        stays = f"it stays at {sized(case.value, 4)} although lower points were right"
        reason = f"{stays}; is the load too high for the supply"
        return case.found("flat top", reason)
    return None


def _still(case: _Case) -> Doubt | None:
    if not case.before:
        return None
    last, at = case.before[-1], case.at
    moved = abs(at.signal - last.expected) >= (at.allowed if case.typed else _MOVED * at.span)
    if not moved or abs(case.value - last.value) > (1e-9 if case.typed else _STILL) * at.span:
        return None
    if case.typed:
        return case.found("copied", "the value of the point before once more")
    return case.found("not moved", "it has not moved since the point before (source off, wrong input, output held)")


def _meant(case: _Case, *kinds: str) -> Doubt | None:
    """A number that was meant otherwise; at a level near nothing any factor would fit."""
    is_level = min(abs(case.at.signal), abs(case.predicted)) > case.at.allowed
    for each in meant(case.value, case.at.unit, typed=case.typed):
        if each.kind in kinds and case.would_fit(each.value) and (is_level or each.factor is None):
            reason = each.reason
            if each.kind == "decimal point" and not case.typed:
                reason = "factor 10 or 100, range or scale"
            return case.found(
                "unit" if each.kind == "shunt" else each.kind, reason, each.text or case.as_text(each.value)
            )
    return None


def _unit(case: _Case) -> Doubt | None:
    return _meant(case, "unit")


def _written(case: _Case) -> Doubt | None:
    shunt = ("shunt",) if case.at.is_current else ()
    return _meant(case, "sign", "decimal point", *shunt, "transposed digits")


def _neighbour(case: _Case) -> Doubt | None:
    if case.typed and any(abs(case.value - each) <= case.at.allowed / 2 for each in case.at.neighbours):
        return case.found("row", "the value of the point before or after")
    return None


def _channel(case: _Case) -> Doubt | None:
    for name, signal in case.at.others.items():
        if abs(case.value - signal) <= _LEAST * abs(signal) and abs(signal) > case.at.allowed:
            return case.found("channel", f'the value of the tap "{name}", channels or columns transposed')
    return None


def _alarm(case: _Case) -> Doubt | None:
    if not case.at.is_current:
        return None
    top = max(case.at.low, case.at.high)
    if case.value > _OVER * top:
        return case.found("over-current", "more than any transmitter drives (two supplies in the loop)", is_unsafe=True)
    if case.at.unit == "mA" and not _ALARM_mA[0] < case.value < _ALARM_mA[1]:
        return case.found("alarm level", "alarm level of the unit (open sensor, failure)")
    return None


def _far(case: _Case) -> Doubt | None:
    if not case.typed or case.is_near(case.value, _FAR * case.at.span):
        return None
    return Doubt(
        kind="far",
        text=f"{sized(case.value, 6)} {case.at.unit} is {sized(case.value - case.at.signal, 4, is_signed=True)} "
        f"{case.at.unit} from the {sized(case.at.signal, 4)} expected.",
    )
