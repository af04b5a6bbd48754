"""The commands that an instrument understands, found by header; what each does is its own affair.

Optional nodes, short and long forms. Multi-channel suffixes are not understood.
"""

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeAlias

from instruments.simulated.scpi.message import MEMORY_N, Arguments, ScpiError, short

__all__ = ["Act", "Tree", "plain"]

_MNEMONIC_MAX = 12
_NODE = re.compile(r"(\[)?:?(\*?[A-Za-z]+)\]?")

# What a command does with its parameters: gives its reply, None if it has none.
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
            (short(name), name.upper(), bool(bracket)) for bracket, name in _NODE.findall(pattern.rstrip("?"))
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
            if len(self._found) < MEMORY_N:
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


def plain(act: Callable[[], str | None]) -> Act:
    """A command that takes no parameter."""

    def run(arguments: Arguments) -> str | None:
        arguments.expect(0, 0)
        return act()

    return run
