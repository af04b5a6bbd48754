"""What one heading of a table of readings means: "Eingang in Hz", "Input_Hz", "mA out", "returned, up 2 [mA]"."""

import re
from collections.abc import Collection
from dataclasses import dataclass

from instruments.errors import InputError
from instruments.units import canonical
from sequencer.readings.csv_cells import LONGEST_CELL
from sequencer.readings.file_text import heading
from sequencer.readings.heading_words import (
    DOWN,
    ENDS,
    FILLERS,
    PREPOSITIONS,
    SYMBOLS,
    UP,
    USUAL_END,
    WORDS,
    folded,
)

__all__ = ["Heading", "is_unit", "understood"]

_BETWEEN = re.compile(r"[\s_/,;:.='\u2019-]+")  # also "d'entrée"
_DIVIDER = re.compile(r"[\s_/,:-]+")  # "Input Hz", "f/Hz", "Input_Hz"
_HEAD = re.compile(r"(\S+?)[\s_]+(.+)")  # "mA out"
_SHARE = re.compile(r"(.+?)[\s_,]+(?:in\s+|en\s+)?(%.*)")  # "error % of span"
_INSIDE = re.compile(r"([^\[(]+)[\[(]([^\])]+)[\])]\s*([^\[\](),]+)")  # "output (mA) up"
_NUMBER = re.compile(r"(?:no|nr|n|#)?(\d{1,3})")
_LEVEL = r"[+\u2212-]?\d+(?:[.,]\d+)?"
_RANGE = re.compile(
    rf"{_LEVEL}\s*(?:\.{{2,3}}|\u2026|[-\u2013]|to|bis|a|\u00e0|tot)\s*{_LEVEL}\s*(\D.*)"
)  # "(0-60 Hz)"
_ALL = (*WORDS.values(), *(known for both in ENDS.values() for known in both))


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading taken apart.

    Attributes:
        written: as it stands.
        name: without the unit, small letters.
        unit: as written; "" = none.
        meaning: what stands in the column, by its words; "" = not said. Once its table is known
            (`heading_columns.columns_of`), the tap whose readings stand there, or "setpoint" of the input, "expected"
            of the output, "nominal" of either.
        end: the tap that is named, "input" or "output"; "" = none.
        usual_end: which end the words are said of where nothing else tells it; "" = of either.
        way: the traverse whose readings stand in the column; "" = not said.
        number: of the cycle, or of the column among those of one name; 0 = not said.
        is_symbol: nothing but a unit and perhaps the symbol of a quantity: "f [Hz]".
    """

    written: str
    name: str
    unit: str
    meaning: str = ""
    end: str = ""
    usual_end: str = ""
    way: str = ""
    number: int = 0
    is_symbol: bool = False

    @property
    def is_known(self) -> bool:
        """Whether any of its words is."""
        return bool(self.meaning or self.end or self.way or self.is_symbol)


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
    if (match := _RANGE.fullmatch(unit)) is not None:
        unit = match[1]
    found = _by_words(written, name, unit, taps)
    if found.meaning or found.end or unit or len(plain) > LONGEST_CELL:
        return found
    for rest, own in _ways_to_divide(plain):
        if is_unit(own):
            divided = _by_words(written, rest.casefold(), own, taps)
            if divided.is_known:
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
        return Heading(written=written, name=name, unit=unit, end=name)
    words = [word for word in _BETWEEN.split(folded(name)) if word]
    way = next((way for way, known in (("up", UP), ("down", DOWN)) if known & set(words)), "")
    rest = [word for word in words if word not in (UP if way == "up" else DOWN if way == "down" else ())]
    numbers = [int(match[1]) for word in rest if (match := _NUMBER.fullmatch(word))]
    rest = [word for word in rest if not _NUMBER.fullmatch(word) and word not in FILLERS]
    inner = " ".join(rest)
    tap = next((tap.casefold() for tap in taps if folded(tap) == inner), "")
    meaning, end, usual_end = ("", tap, "") if tap else _said([word for word in rest if word not in SYMBOLS])
    return Heading(
        written=written,
        name=name,
        unit=unit,
        meaning=meaning,
        end=end,
        usual_end=usual_end,
        way=way,
        number=numbers[0] if len(numbers) == 1 else 0,
        is_symbol=bool(unit) and not meaning and not end and not way and set(rest) <= SYMBOLS,
    )


def _said(words: list[str]) -> tuple[str, str, str]:
    """What all the words together say: meaning, end and usual end; nothing where one of them is not known."""
    meanings = {meaning for word in words for meaning, known in WORDS.items() if word in known}
    ends = [{end for word in words for end, known in ENDS.items() if word in known[firm]} for firm in (0, 1)]
    said = ends[0] or ends[1]
    if not all(any(word in known for known in _ALL) for word in words) or len(said) > 1:
        return "", "", ""
    end = next(iter(said), "")
    usual = {usual for usual, known in USUAL_END.items() if known & set(words)}
    for meaning in ("error", "nominal"):  # "output error", "expected reading"
        if meaning in meanings:
            return meaning, end, _only(usual - {"output"} or usual) if meaning == "nominal" else ""
    if meanings - {"actual"} and (end or len(meanings - {"actual"}) > 1):
        return "", "", ""
    meanings = meanings - {"actual"} or meanings  # "date measured"
    return _only(meanings), end, _only(usual)


def _only(names: Collection[str]) -> str:
    return next(iter(names)) if len(names) == 1 else ""
