"""What a document says in each language: texts in files, numbers with the mark of the language."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from string import Formatter

from instruments.errors import InputError, nearest
from instruments.yamlfile import read

__all__ = ["LANGUAGES", "Language", "language"]

_FOLDER = Path(__file__).with_name("texts")
LANGUAGES = ("en", "de", "es")


@dataclass(frozen=True, slots=True, kw_only=True)
class Language:
    """One language.

    Args:
        code: ISO 639-1.
        texts: by key; the same keys in every language.
        sentences: those of a record, each English pattern with its text; none in English.
    """

    code: str
    texts: Mapping[str, str]
    sentences: Mapping[str, str] = field(default_factory=dict)

    def __getitem__(self, key: str) -> str:
        return self.texts[key]

    def word(self, kind: str, name: str) -> str:
        """A word of ours in this language, such as that of a verdict; the word itself where there is none for it."""
        return self.texts.get(f"{kind} {name}", name)

    def number(self, text: str) -> str:
        """A number as text, with the decimal mark of this language."""
        return text.replace(".", self.texts["decimal mark"])

    def replaced(self, own: Mapping[str, str], *, where: str) -> "Language":
        """The same with texts of a workshop's own in place of some; raises InputError for a key that there is not."""
        for key in own:
            if key not in self.texts:
                guess = nearest(key, list(self.texts))
                raise InputError(
                    f'there is no text "{key}"',
                    where=where,
                    allowed=f"a key of {_FOLDER.name}/{self.code}.yaml",
                    todo=f'write "{guess}"' if guess else "take it out",
                )
            places = _places(self.texts[key])
            if not (_places(own[key]) or set()) <= (places or set()) or _places(own[key]) is None:
                raise InputError(
                    f'the text "{key}" has braces that nothing is filled into',
                    where=where,
                    allowed=", ".join(f"{{{each}}}" for each in sorted(places or ())) or "no braces",
                    todo="correct the text",
                )
        return replace(self, texts={**self.texts, **own})


def _places(text: str) -> set[str] | None:
    """The names in braces in a text; None if its braces are none that can be filled."""
    try:
        found = [part for _, *part in Formatter().parse(text) if part[0] is not None]
    except ValueError:
        return None
    return {str(name) for name, *_ in found}


@cache
def language(code: str) -> Language:
    """A language by its code; raises InputError if there is none of that code."""
    if code not in LANGUAGES:
        raise InputError(f'there are no texts in "{code}"', allowed=", ".join(LANGUAGES))
    content = read(_FOLDER / f"{code}.yaml").content
    texts = {str(key): str(text) for key, text in content.items()}
    of_records = [] if code == "en" else read(_FOLDER / f"{code}.sentences.yaml").content["sentences"]
    return Language(code=code, texts=texts, sentences={str(each["said"]): str(each["text"]) for each in of_records})
