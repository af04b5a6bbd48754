"""Records as a list for a terminal."""

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Protocol

from instruments.texts import counted, visible
from sequencer.reports.as_text import plain
from sequencer.reports.listing import SHORT_DIGEST, Listing, RecordLine
from sequencer.reports.terminal.lines import listed, wrapped

__all__ = ["deeds_text", "listing_text", "looked_text"]

_LONGEST_SERIAL = 18
_NOT_OVER = "not over"


def listing_text(found: Listing, *, width: int = 80) -> str:
    """A line a record, what is wrong with one beneath it, and how to see the others."""
    lines = wrapped(found.question, width) if found.question else []
    if not found.lines:
        is_one = found.pages_n == 1
        many = "there is 1 page" if is_one else f"there are {found.pages_n} pages"
        lines.append("no record" if found.found_n == 0 else many)
    else:
        lines += _table(found.lines, width)
    lines += _foot(found, width)
    return "\n".join(lines)


class Found(Protocol):
    """What a look at every record found, as `index.looking.Looked`."""

    @property
    def read_n(self) -> int: ...
    @property
    def wrong(self) -> Sequence[tuple[str, str, str]]: ...
    @property
    def missing(self) -> Sequence[str]: ...
    @property
    def moved(self) -> Sequence[tuple[str, str]]: ...
    @property
    def copied(self) -> Sequence[tuple[str, str]]: ...
    @property
    def log_faults(self) -> Sequence[str]: ...


def looked_text(results: Path, found: Found, *, width: int = 80) -> str:
    """What a look at every record found.

    Args:
        results: folder of the records.
        found: in it.
        width: of a line.
    """
    more = f", {len(found.copied)} copied" if found.copied else ""
    lines = [
        f"{counted(found.read_n, 'record')} read, {len(found.wrong)} not whole, {len(found.missing)} missing{more}"
    ]
    for folder, condition, said in found.wrong:
        lines += wrapped(f"{folder}: {condition.upper()}: {said}", width, first="  ", then="    ")
    told = [f"{folder}: MISSING: its folder is gone" for folder in found.missing]
    told += [f"{folder}: moved: it is {now} now" for folder, now in found.moved]
    told += [f"{folder}: copied: the same record as {other}; it counts there alone" for folder, other in found.copied]
    told += [f"ALTERED: {each}" for each in found.log_faults]
    lines += listed(told, width, first="  ", then="    ")
    if found.wrong:
        lines += wrapped(f"do: livezero verify {results / found.wrong[0][0]}", width, first="  ", then="    ")
    if found.missing:
        lines += wrapped("do: put them back from a copy, or livezero index --forget-missing", width, first="  ")
    return "\n".join(lines)


def deeds_text(deeds: Sequence[Mapping[str, Any]], *, width: int = 80) -> str:
    """Who did what when: a line each, UTC; each with `at`, `by`, `what`, `text`, `serial`."""
    lines = []
    for each in deeds:
        who = each["by"] or "nobody named"
        text = f"{str(each['at'])[:16]}  {each['serial']}: {each['what']}, {who}: {each['text']}"
        lines += wrapped(text, width, then="    ")
    return "\n".join(lines or ["no record"])


def _table(records: Sequence[RecordLine], width: int) -> list[str]:
    types = {each.type for each in records}
    serial = max(6, *(min(len(plain(each.serial)), _LONGEST_SERIAL) for each in records))
    verdict = max(7, *(len(_verdict(each)) for each in records))
    room = width - 16 - serial - 8 - verdict - SHORT_DIGEST - 5
    head = "cause" if len(types) == 1 else "type"
    lines = wrapped(f"type: {types.pop()}", width, then="  ") if len(types) == 1 else []
    named = ("begun (UTC)".ljust(16), "serial".ljust(serial), "state".ljust(8), "verdict".ljust(verdict))
    lines.append(" ".join((*named, "record".ljust(SHORT_DIGEST), head)).rstrip())
    for each in records:
        last = each.type if head == "type" else "; ".join(each.causes)
        cells = (
            ("-" if each.begun is None else f"{each.begun:%Y-%m-%d %H:%M}").ljust(16),
            _cut(each.serial, serial).ljust(serial),
            each.state[:8].ljust(8),
            _verdict(each).ljust(verdict),
            (each.digest[:SHORT_DIGEST] or "-").ljust(SHORT_DIGEST),
            _cut(last, room),
        )
        lines.append(visible(" ".join(cells)).rstrip())
        lines += _beneath(each, width)
    return lines


def _beneath(line: RecordLine, width: int) -> list[str]:
    """What else must be said of a record."""
    found = []
    if line.condition != "whole":
        found += wrapped(f"{line.condition.upper()}: {line.said}", width, first="  ", then="    ")
    if line.revision > 1:
        found.append(f"  revision {line.revision}: corrected after sealing")
    if line.condition != "whole" or line.status == _NOT_OVER:
        where = f"{line.host}: {line.folder}" if line.host else line.folder
        found += wrapped(where, width, first="  ", then="    ")
    return found


def _verdict(line: RecordLine) -> str:
    if line.status in {_NOT_OVER, "salvaged"}:
        return line.status
    short = {"conditional pass": "cond. pass", "conditional fail": "cond. fail", "not determinable": "not determ."}
    return short.get(line.verdict, line.verdict or "-") + ("*" if line.is_simulated else "")


def _cut(text: str, room: int) -> str:
    text = plain(text)
    return text if len(text) <= room else f"{text[: max(room - 1, 0)]}~"


def _foot(found: Listing, width: int) -> list[str]:
    lines = []
    if found.lines and found.pages_n > 1:
        first = (found.page - 1) * found.per_page + 1
        shown = f"{first} to {first + len(found.lines) - 1} of {found.found_n}"
        more = f"; more with --page {found.page + 1}" if found.page < found.pages_n else ""
        lines.append(f"{shown}{more}")
    elif found.lines:
        lines.append(counted(found.found_n, "record"))
    if any(each.is_simulated for each in found.lines):
        lines.append("* on a simulated bench")
    if found.stay_n:
        reasons = ", ".join(f"{number} {reason}" for reason, number in found.stay_n)
        lines += wrapped(f"older, and to stay: {reasons}", width, then="  ")
    return lines
