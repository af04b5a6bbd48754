"""What one heading of a table of readings means: "Eingang in Hz", "Input_Hz", "mA out", "returned, up 2 [mA]"."""

import re
from collections.abc import Collection
from dataclasses import dataclass

from instruments.errors import InputError
from instruments.units import canonical
from sequencer.readings.csv_cells import LONGEST_CELL
from sequencer.readings.file_text import heading
from sequencer.readings.heading_words import DOWN, FILLERS, PREPOSITIONS, SYMBOLS, UP, WORDS, Meaning, folded

__all__ = ["Heading", "is_unit", "understood"]

_BETWEEN = re.compile(r"[\s_/,;:.='\u2019-]+")  # also "d'entrée"
_DIVIDER = re.compile(r"[\s_/,:-]+")  # "Input Hz", "f/Hz", "Input_Hz"
_HEAD = re.compile(r"(\S+?)[\s_]+(.+)")  # "mA out"
_SHARE = re.compile(r"(.+?)[\s_,]+(?:in\s+|en\s+)?(%.*)")  # "error % of span"
_INSIDE = re.compile(r"([^\[(]+)[\[(]([^\])]+)[\])]\s*([^\[\](),]+)")  # "output (mA) up"
_NUMBER = re.compile(r"(?:no|nr|n|#)?(\d{1,3})")


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading taken apart.

    Attributes:
        written: as it stands.
        name: without the unit, small letters.
        unit: as written; "" = none.
        meaning: of the column; "" = not known by its words.
        way: the traverse whose readings stand in the column; "" = not said.
        number: of the cycle, or of the column among those of one name; 0 = not said.
        is_symbol: nothing but a unit and perhaps the symbol of a quantity: "f [Hz]".
    """

    written: str
    name: str
    unit: str
    meaning: Meaning | str = ""
    way: str = ""
    number: int = 0
    is_symbol: bool = False


def is_unit(text: str) -> bool:
    """True if a text is a unit, and no number."""
    try:
        return bool(canonical(text)) and not text[:1].isdigit()
    except InputError:
        return False


def understood(written: str, taps: Collection[str]) -> Heading:
    """A heading by its words.

    Args:
        written: as it stands in the table.
        taps: names of the taps of the unit, which come before any other word.
    """
    name, unit = heading(written)
    plain = " ".join(written.split())
    for pattern in (_INSIDE, _SHARE):
        if (match := pattern.fullmatch(plain)) is not None and not unit:
            name, unit = " ".join([match[1].strip(), *match.groups()[2:]]).casefold(), match[2].strip()
    found = _by_words(written, name, unit, taps)
    if found.meaning or unit or len(plain) > LONGEST_CELL:
        return found
    for rest, own in _ways_to_divide(plain):
        if is_unit(own):
            divided = _by_words(written, rest.casefold(), own, taps)
            if divided.meaning or divided.is_symbol or divided.way:
                return divided
    if is_unit(plain):
        return Heading(written=written, name=name, unit=plain, is_symbol=True)
    return found


def _ways_to_divide(plain: str) -> list[tuple[str, str]]:
    """Name and unit, as a heading without brackets may be meant."""
    found = []
    for divider in _DIVIDER.finditer(plain):
        words = plain[: divider.start()].split()
        is_said = len(words) > 1 and words[-1].casefold() in PREPOSITIONS
        found.append((" ".join(words[:-1] if is_said else words), plain[divider.end() :]))
    if (match := _HEAD.fullmatch(plain)) is not None:
        found.append((match[2], match[1]))
    return found


def _by_words(written: str, name: str, unit: str, taps: Collection[str]) -> Heading:
    if name in {tap.casefold() for tap in taps}:
        return Heading(written=written, name=name, unit=unit, meaning=name)
    words = [word for word in _BETWEEN.split(folded(name)) if word]
    way = next((way for way, known in (("up", UP), ("down", DOWN)) if known & set(words)), "")
    rest = [word for word in words if word not in (UP if way == "up" else DOWN if way == "down" else ())]
    numbers = [int(match[1]) for word in rest if (match := _NUMBER.fullmatch(word))]
    rest = [word for word in rest if not _NUMBER.fullmatch(word) and word not in FILLERS]
    inner = " ".join(rest)
    tap = next((tap for tap in taps if folded(tap) == inner), "")
    meaning: Meaning | str = tap.casefold() or _meaning([word for word in rest if word not in SYMBOLS])
    return Heading(
        written=written,
        name=name,
        unit=unit,
        meaning=meaning,
        way=way,
        number=numbers[0] if len(numbers) == 1 else 0,
        is_symbol=bool(unit) and not meaning and not way and set(rest) <= SYMBOLS,
    )


def _meaning(words: list[str]) -> Meaning | str:
    """What all the words together mean; "" where one of them is not known."""
    strong = {meaning for word in words for meaning, (first, _) in WORDS.items() if word in first}
    weak = {meaning for word in words for meaning, (_, second) in WORDS.items() if word in second}
    known = {word for sets in WORDS.values() for each in sets for word in each}
    if not words or any(word not in known for word in words):
        return ""
    for meaning in ("error", "expected"):  # "output error", "expected output"
        if meaning in strong:
            return meaning
    if len(strong) == 1:
        return next(iter(strong))
    return next(iter(weak)) if not strong and len(weak) == 1 else ""
