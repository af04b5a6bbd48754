"""The instrument's side of SCPI: program messages in, replies out, by IEEE 488.2 and SCPI-1999 (rules from memory).

Short and long forms, optional nodes, the current-node rule of `;`, quotes, units with multipliers, the error queue and
the status registers. It knows no instrument: those add their commands to a `Tree`. Arbitrary blocks, expressions other
than what is passed on as text, macros and multi-channel suffixes are not understood.
"""

import csv
import functools
import re
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from instruments.shipped import shipped

__all__ = ["NAN", "OVERLOAD", "Act", "Arguments", "Interpreter", "ScpiError", "Tree", "error_text"]

OVERLOAD = 9.9e37
NAN = 9.91e37
_QUEUE_N = 20
_MNEMONIC_MAX = 12
_MEMORY_N = 4096  # headers and messages remembered; a client that sends garbage must not fill the memory

_NODE = re.compile(r"(\[)?:?(\*?[A-Za-z]+)\]?")
_HEADER = re.compile(r"(:?)(\*?[A-Za-z][A-Za-z0-9_]*(?::[A-Za-z][A-Za-z0-9_]*)*)(\??)(\s*)(.*)", re.DOTALL)
_NUMBER = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[eE]\s*([+-]?\d+))?\s*([A-Za-z/]*)")
_MULTIPLIERS = {
    "EX": 1e18,
    "PE": 1e15,
    "T": 1e12,
    "G": 1e9,
    "MA": 1e6,
    "K": 1e3,
    "": 1.0,
    "M": 1e-3,
    "U": 1e-6,
    "N": 1e-9,
    "P": 1e-12,
    "F": 1e-15,
    "A": 1e-18,
}
# IEEE 488.2: MHZ and MOHM are mega, all other M are milli.
_MEGA_BY_HABIT = {"HZ", "OHM"}
_COMMAND_ERROR, _EXECUTION_ERROR, _DEVICE_ERROR, _QUERY_ERROR = 32, 16, 8, 4
_OPERATION_COMPLETE, POWER_ON = 1, 128


class ScpiError(Exception):
    """An entry for the error queue: its number by SCPI-1999."""

    def __init__(self, code: int, info: str = "") -> None:
        super().__init__(code, info)
        self.code = code
        self.info = info


@functools.cache
def _texts() -> dict[int, str]:
    lines = shipped("shared", "scpi-standard-errors.csv").read_text(encoding="utf-8").splitlines()
    rows = csv.DictReader(line for line in lines if not line.startswith("#"))
    return {int(row["code"]): row["text"] for row in rows}


def error_text(code: int, info: str = "") -> str:
    """An error queue entry as it is sent, such as -222,"Data out of range"."""
    text = _texts().get(code, "Device specific error")
    quoted = f"{text};{info}" if info else text
    return f'{code},"{quoted.replace(chr(34), chr(39))[:255]}"'


@dataclass(frozen=True, slots=True)
class Arguments:
    """The parameters of one command, as text, and the ways to read them."""

    texts: tuple[str, ...] = ()

    def expect(self, least_n: int, most_n: int) -> None:
        """Raises -109 if there are too few parameters, -108 if too many."""
        if len(self.texts) < least_n:
            raise ScpiError(-109)
        if len(self.texts) > most_n:
            raise ScpiError(-108)

    def number(self, index: int = 0, *, unit: str = "", low: float, high: float, default: float) -> float:
        """A number in `unit`, with MIN, MAX and DEF.

        Raises:
            ScpiError: -222 outside low .. high, -131, -138 for the unit, -104, -121, -123, -141 for what is no number.
        """
        text = self.texts[index]
        if text[:1].isalpha():
            named = {"MIN": low, "MINIMUM": low, "MAX": high, "MAXIMUM": high, "DEF": default, "DEFAULT": default}
            word = text.upper()
            if word in {"INF", "INFINITY", "NINF", "NINFINITY", "NAN"}:
                raise ScpiError(-222)
            if word not in named:
                raise ScpiError(-141)
            return named[word]
        value = _number(text, unit)
        if not low <= value <= high:
            raise ScpiError(-222)
        return value

    def boolean(self, index: int = 0) -> bool:
        """ON, OFF or a number that is rounded: 0 is off."""
        word = self.texts[index].upper()
        if word in {"ON", "OFF"}:
            return word == "ON"
        if word[:1].isalpha():
            raise ScpiError(-141)
        return abs(_number(word, "")) >= 0.5

    def word(self, allowed: Sequence[str], index: int = 0) -> str:
        """Character data, short or long, quoted or not; comes back as the upper-case short form of `allowed`.

        Raises:
            ScpiError: -224 if it is none of `allowed`, each written as REFerence.
        """
        given = self.texts[index].strip("\"'").upper()
        for form in allowed:
            if given in {form.upper(), _short(form)}:
                return _short(form)
        raise ScpiError(-224)


def _number(text: str, unit: str) -> float:
    if text[:1] in {'"', "'", "(", "#"}:
        raise ScpiError(-104)
    match = _NUMBER.fullmatch(text)
    if match is None:
        raise ScpiError(-121)
    digits, exponent, suffix = match.groups()
    if exponent is not None and abs(int(exponent[:8])) > 32000:
        raise ScpiError(-123)
    value = float(f"{digits}e{exponent}") if exponent else float(digits)
    if not suffix:
        return value
    if not unit:
        raise ScpiError(-138)
    suffix = suffix.upper()
    if not suffix.endswith(unit):
        raise ScpiError(-131)
    multiplier = suffix[: -len(unit)]
    if multiplier == "M" and unit in _MEGA_BY_HABIT:
        return value * 1e6
    if multiplier not in _MULTIPLIERS:
        raise ScpiError(-131)
    return value * _MULTIPLIERS[multiplier]


def _short(form: str) -> str:
    return "".join(letter for letter in form if not letter.islower())


Act: TypeAlias = Callable[[Arguments], str | None]


@dataclass(frozen=True, slots=True)
class _Command:
    nodes: tuple[tuple[str, str, bool], ...]  # short form, long form, is optional
    act: Act

    def matches(self, mnemonics: Sequence[str]) -> bool:
        return _matches(self.nodes, mnemonics)


def _matches(nodes: Sequence[tuple[str, str, bool]], mnemonics: Sequence[str]) -> bool:
    if not nodes:
        return not mnemonics
    short, long, is_optional = nodes[0]
    if mnemonics and mnemonics[0] in {short, long} and _matches(nodes[1:], mnemonics[1:]):
        return True
    return is_optional and _matches(nodes[1:], mnemonics)


class Tree:
    """The commands an instrument understands, found by header."""

    def __init__(self) -> None:
        self._commands: dict[bool, list[_Command]] = {False: [], True: []}
        self._found: dict[tuple[str, ...], Act] = {}

    def add(self, pattern: str, act: Act) -> None:
        """A command written as in manuals: `[SOURce]:CURRent[:LEVel]`, with `?` at the end for the query."""
        nodes = tuple(
            (_short(name), name.upper(), bool(bracket)) for bracket, name in _NODE.findall(pattern.rstrip("?"))
        )
        self._commands[pattern.endswith("?")].append(_Command(nodes, act))

    def find(self, mnemonics: tuple[str, ...], *, is_query: bool) -> Act:
        """What to do for a header.

        Raises:
            ScpiError: -113 if there is no such header, -112 or -114 if it cannot be one.
        """
        key = (*mnemonics, "?") if is_query else mnemonics
        act = self._found.get(key)
        if act is None:
            act = self._search(mnemonics, is_query=is_query)
            if len(self._found) < _MEMORY_N:
                self._found[key] = act
        return act

    def _search(self, mnemonics: tuple[str, ...], *, is_query: bool) -> Act:
        if any(len(mnemonic) > _MNEMONIC_MAX for mnemonic in mnemonics):
            raise ScpiError(-112)
        plain = tuple(mnemonic.rstrip("0123456789") for mnemonic in mnemonics)
        for command in self._commands[is_query]:
            if command.matches(plain):
                # A suffix that is not given is 1; there is one channel.
                if any(digits not in {"", "1"} for digits in map(_suffix, mnemonics, plain)):
                    raise ScpiError(-114)
                return command.act
        raise ScpiError(-113)


def _suffix(mnemonic: str, plain: str) -> str:
    return mnemonic[len(plain) :]


@dataclass(frozen=True, slots=True)
class _Unit:
    is_absolute: bool
    mnemonics: tuple[str, ...]
    is_query: bool
    arguments: Arguments


@functools.lru_cache(maxsize=_MEMORY_N)
def _unit(text: str) -> _Unit:
    match = _HEADER.fullmatch(text)
    if match is None:
        raise ScpiError(-102 if _is_plain(text) else -101)
    colon, header, mark, blank, rest = match.groups()
    if rest and not blank:
        raise ScpiError(-111 if _is_plain(rest[0]) else -101)
    arguments = tuple(part.strip() for part in _split(rest, ",")) if rest else ()
    if any(not argument for argument in arguments):
        raise ScpiError(-109 if len(arguments) == 1 else -103)
    return _Unit(bool(colon), tuple(header.upper().split(":")), bool(mark), Arguments(arguments))


def _is_plain(text: str) -> bool:
    return text.isascii() and text.isprintable()


def _split(text: str, at: str) -> list[str]:
    """Parts of a text, cut at a character that stands neither in quotes nor in brackets.

    Raises:
        ScpiError: -151, a quote that is not closed.
    """
    if '"' not in text and "'" not in text and "(" not in text:
        return text.split(at)
    parts, begin, quote, depth = [], 0, "", 0
    for place, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in {'"', "'"}:
            quote = letter
        elif letter in "()":
            depth += 1 if letter == "(" else -1
        elif letter == at and depth <= 0:
            parts.append(text[begin:place])
            begin = place + 1
    if quote:
        raise ScpiError(-151)
    return [*parts, text[begin:]]


class Interpreter:
    """One instrument's parser, output of replies, error queue and status registers.

    Args:
        tree: the instrument's own commands; the common ones and the error queue are added here.
        identity: reply to `*IDN?`.
        reset: what `*RST` does.
    """

    def __init__(self, tree: Tree, *, identity: str, reset: Callable[[], None]) -> None:
        self.identity = identity
        self._tree = tree
        self._reset = reset
        self._errors: deque[int | tuple[int, str]] = deque()
        self._esr = POWER_ON
        self._ese = self._sre = 0
        self._add_common()

    def handle(self, message: str) -> str | None:
        """The reply to one program message, without its end; None if there is nothing to say."""
        replies: list[str] = []
        path: tuple[str, ...] = ()
        try:
            units = _split(message, ";")
        except ScpiError as error:
            self.report(error.code, error.info)
            return None
        for text in units:
            bare = text.strip()
            if not bare:
                continue
            try:
                path = self._execute(bare, path, replies)
            except ScpiError as error:
                self.report(error.code, error.info)
                if -199 <= error.code <= -100:  # the rest of the message cannot be trusted
                    break
        return ";".join(replies) if replies else None

    def _execute(self, text: str, path: tuple[str, ...], replies: list[str]) -> tuple[str, ...]:
        unit = _unit(text)
        if unit.mnemonics[0][0] == "*":  # a common command leaves the current node alone
            full, after = unit.mnemonics, path
        else:
            full = unit.mnemonics if unit.is_absolute else path + unit.mnemonics
            after = full[:-1]
        reply = self._tree.find(full, is_query=unit.is_query)(unit.arguments)
        if reply is not None:
            replies.append(reply)
        return after

    def report(self, code: int, info: str = "") -> None:
        """An error into the queue and its bit into the event register."""
        if len(self._errors) >= _QUEUE_N:
            self._errors[-1] = -350
        else:
            self._errors.append((code, info))
        bits = {1: _COMMAND_ERROR, 2: _EXECUTION_ERROR, 3: _DEVICE_ERROR, 4: _QUERY_ERROR}
        self._esr |= bits.get(-code // 100, _DEVICE_ERROR)

    def power_on(self) -> None:
        """What a power cycle leaves: an empty queue and the power-on bit."""
        self._errors.clear()
        self._esr, self._ese, self._sre = POWER_ON, 0, 0

    @property
    def status_byte(self) -> int:
        """Bits: 4 error queue not empty, 32 event summary, 64 master summary; 16, a reply waits, is the session's."""
        byte = (4 if self._errors else 0) | (32 if self._esr & self._ese else 0)
        return byte | (64 if byte & self._sre else 0)

    def _next_error(self, arguments: Arguments) -> str:
        arguments.expect(0, 0)
        if not self._errors:
            return error_text(0)
        entry = self._errors.popleft()
        return error_text(entry) if isinstance(entry, int) else error_text(*entry)

    def _all_errors(self, arguments: Arguments) -> str:
        replies = [self._next_error(arguments)]
        while self._errors:
            replies.append(self._next_error(arguments))
        return ",".join(replies)

    def _clear(self) -> None:
        self._errors.clear()
        self._esr = 0

    def _read_events(self) -> str:
        events, self._esr = self._esr, 0
        return str(events)

    def _complete(self) -> None:
        self._esr |= _OPERATION_COMPLETE

    def _add_common(self) -> None:
        add = self._tree.add

        def enable(name: str) -> Act:
            def act(arguments: Arguments) -> None:
                arguments.expect(1, 1)
                setattr(self, name, round(arguments.number(low=0, high=255, default=0)))

            return act

        add("*IDN?", plain(lambda: self.identity))
        add("*RST", plain(self._reset))
        add("*CLS", plain(self._clear))
        add("*ESR?", plain(self._read_events))
        add("*ESE", enable("_ese"))
        add("*ESE?", plain(lambda: str(self._ese)))
        add("*SRE", enable("_sre"))
        add("*SRE?", plain(lambda: str(self._sre)))
        add("*STB?", plain(lambda: str(self.status_byte)))
        add("*OPC", plain(self._complete))
        add("*OPC?", plain(lambda: "1"))  # all here is done before the next command is looked at
        add("*WAI", plain(lambda: None))
        add("*TST?", plain(lambda: "0"))
        add("SYSTem:ERRor[:NEXT]?", self._next_error)
        add("SYSTem:ERRor:ALL?", self._all_errors)
        add("SYSTem:ERRor:COUNt?", plain(lambda: str(len(self._errors))))
        add("SYSTem:VERSion?", plain(lambda: "1999.0"))
        for word in ("REMote", "LOCal", "RWLock", "BEEPer[:IMMediate]"):
            add(f"SYSTem:{word}", plain(lambda: None))
        add("STATus:PRESet", plain(lambda: None))
        for register in ("OPERation", "QUEStionable"):
            for part in ("[:EVENt]", ":CONDition"):
                add(f"STATus:{register}{part}?", plain(lambda: "0"))


def plain(act: Callable[[], str | None]) -> Act:
    """A command that takes no parameter."""

    def run(arguments: Arguments) -> str | None:
        arguments.expect(0, 0)
        return act()

    return run
