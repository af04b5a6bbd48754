"""What a record says of a unit in English, in the language of a report: sentences by pattern, texts in files.

A record is sealed with its sentences, so they are told by what they say and not by how they came about.
"""

import re
from collections.abc import Iterator
from functools import cache
from string import Formatter

from sequencer.documents.languages import Language
from sequencer.documents.stated import localised, rule_name

__all__ = ["limit_text", "sentence"]

_AS_WRITTEN = frozenset({"name", "by", "item", "identity", "date", "stage", "tap", "text"})
_STEP = re.compile(r"(?<=[0-9] )[^,]+")
_WAYS = re.compile(r" (up|down)scale\b")
_MORE = re.compile(r" and ([0-9]+) more\b")


def sentence(text: str, spoken: Language) -> str:
    """A sentence of a record in the language of a report; one that no text is known for as it is, marked as English."""
    found = _told(text, spoken)
    return f"{text} ({spoken['wording']})" if found is None else found


def _told(text: str, spoken: Language) -> str | None:
    """A sentence, or several joined by semicolons, in a language; None where one of them has no text."""
    if spoken.code == "en":
        return text
    whole = _one(text, spoken)
    if whole is not None:
        return whole
    for place in (found.start() for found in re.finditer("; ", text)):
        first = _one(text[:place], spoken)
        rest = None if first is None else _told(text[place + 2 :], spoken)
        if rest is not None:
            return f"{first}; {rest}"
    return None


def _one(text: str, spoken: Language) -> str | None:
    for pattern, said in _patterns(tuple(spoken.sentences.items())):
        if found := pattern.fullmatch(text):
            parts = {name: _part(name, part, spoken) for name, part in found.groupdict().items()}
            if None not in parts.values():
                return said.format_map(parts)
    return None


def _part(name: str, text: str, spoken: Language) -> str | None:
    """What stands in a brace; None for a sentence that has no text."""
    if name in _AS_WRITTEN:
        return text
    if name == "rule":
        return rule_name(text, spoken)
    if name == "verdict":
        return spoken.word("verdict", text)
    if name == "steps":
        return _STEP.sub(lambda step: spoken.word("step", step[0].replace(" ", "_")), text)
    if name == "limits":  # to the end of the sentence, so what follows them is in it too
        return "; ".join(_one(each, spoken) or limit_text(each, spoken) for each in text.split("; "))
    told = _told(text, spoken)
    if told is not None or name == "why":
        return told
    text = _WAYS.sub(lambda way: f" {spoken[f'direction {way[1]}']}", localised(text, spoken))
    return _MORE.sub(lambda more: spoken["and more"].format(n=more[1]), text)


def limit_text(text: str, spoken: Language) -> str:
    """A limit, or a result with its limit, in a language: "at most 0.2 % of span"; the name of a result stays."""
    for words in ("at most", "at least"):
        text = text.replace(words, spoken[words])
    return localised(text, spoken)


@cache
def _patterns(sentences: tuple[tuple[str, str], ...]) -> tuple[tuple[re.Pattern[str], str], ...]:
    """The patterns with their texts, the one that says most of its own first."""
    # One that begins with a name could take the begin of another for it.
    longest = sorted(sentences, key=lambda each: (each[0].startswith("{"), -_own_n(each[0])))
    return tuple((re.compile("".join(_pieces(said)), re.DOTALL), text) for said, text in longest)


def _own_n(said: str) -> int:
    """How many letters of a pattern are its own."""
    return sum(len(own) for own, *_ in Formatter().parse(said))


def _pieces(said: str) -> Iterator[str]:
    for own, name, *_ in Formatter().parse(said):
        yield re.escape(own)
        if name is not None:
            yield f"(?P<{name}>[0-9]+)" if name in {"n", "m"} else f"(?P<{name}>.+?)"
