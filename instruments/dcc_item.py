"""Whose a Digital Calibration Certificate is: its item, held against an instrument of a bench."""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from instruments.errors import InputError, WrongInstrumentError, shortened

__all__ = ["Item", "doubt_of", "doubts_of", "holds_number", "item_of", "refuse_other"]

_DCC = "{https://ptb.de/dcc}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """What was calibrated.

    Attributes:
        name: of the item.
        manufacturer: "" = not stated; `model` likewise.
        numbers: its identifications, such as serial and tag, by whomever they were given.
        is_simulated: the certificate says of itself that nothing real was calibrated.
    """

    name: str = ""
    manufacturer: str = ""
    model: str = ""
    numbers: tuple[str, ...] = ()
    is_simulated: bool = False

    def __str__(self) -> str:
        said = (self.manufacturer, self.model, self.name if not self.model else "", *self.numbers)
        return ", ".join(filter(None, said)) or "an item without name or number"


def item_of(root: Any) -> Item:  # noqa: ANN401  an element of a library without types
    """The item of a certificate; of several the numbers of all."""

    def texts(path: str) -> Iterator[str]:
        for each in root.iterfind(path):
            if text := " ".join((each.text or "").split()):
                yield text

    item = f".//{_DCC}items/{_DCC}item"
    said = texts(f".//{_DCC}statements/{_DCC}statement/{_DCC}name/{_DCC}content")
    return Item(
        name=next(texts(f"{item}/{_DCC}name/{_DCC}content"), ""),
        manufacturer=next(texts(f"{item}/{_DCC}manufacturer/{_DCC}name/{_DCC}content"), ""),
        model=next(texts(f"{item}/{_DCC}model"), ""),
        numbers=tuple(texts(f".//{_DCC}items//{_DCC}identifications/{_DCC}identification/{_DCC}value")),
        is_simulated=any(each.casefold() == "simulated" for each in said),
    )


def doubts_of(item: Item, *, identity: str, stated: str, is_real: bool, where: str) -> tuple[str, ...]:
    """What is in doubt of a certificate's being that of an instrument; () if nothing.

    Args:
        item: of the certificate.
        identity: text that the identity of the instrument must hold, as the bench states it; "" = nothing is stated.
        stated: number of the item that the bench says is this instrument; "" = none.
        is_real: the bench is no simulated one.
        where: place in the bench file.

    Raises:
        InputError: it is of another item, or of a simulated one where the bench is real.
    """
    if item.is_simulated and is_real:
        raise InputError(
            "the certificate is of a simulated bench: nothing real was calibrated",
            where=where,
            todo="name the certificate of this instrument",
        )
    known = [_plain(each) for each in item.numbers]
    if stated:
        if _plain(stated) not in known:
            raise InputError(
                f'the certificate is of {item}, not of "{stated}"',
                where=where,
                allowed=", ".join(item.numbers) or "a certificate that names its item by a number",
                todo="name the certificate of this instrument",
            )
        return ()
    if not item.numbers:
        return ("the certificate names no number of the item that was calibrated",)
    if not identity:
        return (f'the certificate is of {item}, and the bench states no "identity" to hold that against',)
    if holds_number(item.numbers, identity):
        return ()
    if any(each and _plain(each) in _plain(identity) for each in (item.model, item.manufacturer)):
        return (f'the certificate is of {item}, and the identity "{identity}" of the bench holds no number of it',)
    raise InputError(
        f'the certificate is of {item}, the instrument is "{identity}"',
        where=where,
        allowed="the certificate of this instrument",
        todo=f'where it is the same all the same, write beside it: certificate of: "{item.numbers[0]}"',
    )


def holds_number(numbers: Sequence[str], identity: str) -> bool:
    """An identity has one of these numbers in it, however blanks, dashes and letters are written."""
    known = [_plain(each) for each in numbers]
    words = {_plain(each) for each in re.split(r"[\s,;:/]+", identity)} | {_plain(identity)}
    return bool(words & set(known)) or any(len(each) > 3 and each in _plain(identity) for each in known)


def refuse_other(item: Item, answer: str, *, where: str) -> None:
    """Refuse the certificate of another item than the instrument that answered; raises WrongInstrumentError.

    It is another where the answer has neither a number of the item nor its model or manufacturer.
    """
    named = [each for each in (item.model, item.manufacturer) if _plain(each)]
    if not named or not item.numbers or holds_number(item.numbers, answer):
        return
    if not any(_plain(each) in _plain(answer) for each in named):
        raise WrongInstrumentError(
            f'identifies itself as "{shortened(answer)}", and its certificate is of {item}',
            where=where,
            allowed="the certificate of this instrument",
            todo=f'where it is the same all the same, write beside it: certificate of: "{item.numbers[0]}"',
        )


def doubt_of(certified: str, answer: str) -> str:
    """That an answer holds no number of the item that was calibrated, as `doubts_of` says of what a bench states."""
    return f'the certificate is of {certified}, and what the instrument answered, "{answer}", holds no number of it'


def _plain(text: str) -> str:
    return "".join(each for each in text.casefold() if each.isalnum())
