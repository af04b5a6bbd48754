"""What was meant by a text that is not YAML: a tab, a dash or a comma that is missing, a bracket that is left open.

A repair is shown only if the whole text is YAML with it.
"""

import re
from collections.abc import Iterator

import yaml

__all__ = ["no_yaml"]

_LONGEST_REPAIRED = 50_000  # each try reads the whole text
_MOST_COMMAS = 8
_TAB = re.compile(r"^ *(\t)[ \t]*", re.MULTILINE)
_BEFORE_KEY = re.compile(r"(?<=[^\s,{\[])(\s+)(?=[^\s,{}\[\]:]+:(?:\s|$))")
_VALUE_WITH_COLON = re.compile(r"(\s*(?:- )?[^:\"'{\[]+: )([^\"'{\[].*:.*)")
_OPEN = {"{": "}", "[": "]"}


def no_yaml(text: str, error: yaml.MarkedYAMLError) -> tuple[str, int, int, str]:
    """What is wrong with a text that is not YAML: in words, at which line and column (from 1), and what to do."""
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line, mark.column) if mark else (0, 0)
    is_short = len(text) <= _LONGEST_REPAIRED
    if (tab := _TAB.search(text)) is not None:
        at = text.count("\n", 0, tab.start())
        place = at + 1, tab.start(1) - tab.start() + 1
        untabbed = (_untabbed(text, blanks) for blanks in ("  ", ""))
        meant = next((each for each in untabbed if is_short and _fault(each) is None), "")
        shown = f', as in "{meant.splitlines()[at].rstrip()}"' if meant else ""
        return "a tab in the indentation", *place, f"put blanks in place of the tab{shown}"
    said = str(error.problem or error.context)
    lines = text.splitlines()
    for at, meant in _repairs(lines, line, column, said) if is_short else ():
        if _fault("\n".join([*lines[:at], meant, *lines[at + 1 :]])) is None:
            return said, line + 1, column + 1, f'write "{meant.strip()}"' + (f" in line {at + 1}" if at != line else "")
    return said, line + 1, column + 1, "check indentation, colons and quotes"


def _untabbed(text: str, blanks: str) -> str:
    return _TAB.sub(lambda found: found[0].replace("\t", blanks), text)


def _repairs(lines: list[str], line: int, column: int, said: str) -> Iterator[tuple[int, str]]:
    """Lines that may be meant, with their index, the likeliest first."""
    if line < len(lines) and (meant := _with_commas(lines, line, column, said)):
        yield line, meant
    above = next((at for at in range(min(line, len(lines)) - 1, -1, -1) if lines[at].strip()), 0)
    for at in dict.fromkeys((line, above)):
        if at < len(lines) and (bare := lines[at].strip()):
            yield at, f"{lines[at][: -len(lines[at].lstrip())]}- {bare}"
            yield at, lines[at].rstrip() + _closing(lines[at])
            if (match := _VALUE_WITH_COLON.fullmatch(lines[at])) is not None:
                yield at, f'{match[1]}"{match[2].rstrip()}"'


def _with_commas(lines: list[str], line: int, column: int, said: str) -> str:
    """A line with the commas that are missing before its keys; "" where none is."""
    meant = lines[line]
    for _ in range(_MOST_COMMAS):
        if "expected ','" not in said:
            return ""
        blanks = [found for found in _BEFORE_KEY.finditer(meant) if found.start() < column]
        if not blanks:
            return ""
        meant = f"{meant[: blanks[-1].start()]},{meant[blanks[-1].start() :]}"
        error = _fault("\n".join([*lines[:line], meant, *lines[line + 1 :]]))
        if error is None or error.problem_mark is None or error.problem_mark.line != line:
            return meant
        column, said = error.problem_mark.column, str(error.problem)
    return ""


def _closing(line: str) -> str:
    """The brackets that a line leaves open, closed."""
    open_ = [_OPEN[each] for each in line if each in _OPEN]
    for each in line:
        if each in open_:
            open_.remove(each)
    return "".join(reversed(open_))


def _fault(text: str) -> yaml.MarkedYAMLError | None:
    try:
        for _ in yaml.parse(text, Loader=yaml.CBaseLoader):
            pass
    except yaml.MarkedYAMLError as error:
        return error
    return None
