"""The text of a SCPI program message: its units, headers and parameters, and what is wrong with them.

Numbers with multipliers, quotes, brackets, short and long forms. It knows no command; arbitrary blocks and expressions
other than what is passed on as text are not understood.
"""

import functools
import re
from collections.abc import Sequence
from dataclasses import dataclass

__all__ = ["MEMORY_N", "Arguments", "MessageUnit", "ScpiError", "message_unit", "short", "split"]

MEMORY_N = 4096  # headers and messages remembered; a client that sends garbage must not fill the memory

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


class ScpiError(Exception):
    """An entry for the error queue: its number by SCPI-1999."""

    def __init__(self, code: int, info: str = "") -> None:
        super().__init__(code, info)
        self.code = code
        self.info = info


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
            if given in {form.upper(), short(form)}:
                return short(form)
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


def short(form: str) -> str:
    """The short form of a word that is written as in manuals: CURR of CURRent."""
    return "".join(letter for letter in form if not letter.islower())


@dataclass(frozen=True, slots=True)
class MessageUnit:
    """One command or query of a message, as it is written."""

    is_absolute: bool
    mnemonics: tuple[str, ...]
    is_query: bool
    arguments: Arguments


@functools.lru_cache(maxsize=MEMORY_N)
def message_unit(text: str) -> MessageUnit:
    """The header and the parameters of one command.

    Raises:
        ScpiError: -101, -102, -103, -109, -111, -151: it is no command at all.
    """
    match = _HEADER.fullmatch(text)
    if match is None:
        raise ScpiError(-102 if _is_plain(text) else -101)
    colon, header, mark, blank, rest = match.groups()
    if rest and not blank:
        raise ScpiError(-111 if _is_plain(rest[0]) else -101)
    arguments = tuple(part.strip() for part in split(rest, ",")) if rest else ()
    if any(not argument for argument in arguments):
        raise ScpiError(-109 if len(arguments) == 1 else -103)
    return MessageUnit(bool(colon), tuple(header.upper().split(":")), bool(mark), Arguments(arguments))


def _is_plain(text: str) -> bool:
    return text.isascii() and text.isprintable()


def split(text: str, at: str) -> list[str]:
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
