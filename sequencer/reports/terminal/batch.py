"""A batch as text for a terminal."""

from instruments.texts import counted, visible
from sequencer.diagnosis.batch import BatchContent, UnitLine
from sequencer.reports.as_text import plain
from sequencer.reports.batch import answer, points_text, remarks, stands_out_text
from sequencer.reports.terminal.lines import MINUS, listed, wrapped

__all__ = ["batch_text"]

_SHORT = {"conditional pass": "cond. pass", "conditional fail": "cond. fail", "not determinable": "not determ."}
_LONGEST_SERIAL = 16
_WORST = 8  # wide


def batch_text(content: BatchContent, *, width: int = 80) -> str:
    """The answer on top, what all have in common, a line a unit with a mark a point, what stands out, causes."""
    word, count = answer(content)
    lines = wrapped(f"{word}{' (SIMULATED BENCH)' if content.is_simulated else ''}: {count}", width, then="  ")
    lines += listed(remarks(content), width, then="  ")
    lines += ["", *_grid(content, width)]
    if content.outliers:
        lines += ["", "stands out from the batch"]
        for unit in content.outliers:
            text = f"{plain(unit.serial)} ({unit.result}): {stands_out_text(unit, content, minus=MINUS)}"
            lines += wrapped(text, width, first="  ", then="    ")
    if content.causes:
        failed = counted(sum(len(each.serials) for each in content.causes), "unit")
        said = f"causes of {failed} that failed or could not be judged: share of these, and of all up to there"
        lines += ["", *wrapped(said, width, then="  ")]
        for each in content.causes:
            shares = f"{each.share_pct:.0f} %, {each.cumulative_pct:.0f} %"
            text = f"{len(each.serials)} ({shares}) {each.cause}: {', '.join(each.serials)}"
            lines += wrapped(text, width, first="  ", then="    ")
    return "\n".join([*lines, "", *wrapped(f"rule: {content.rule}", width, then="  ")])


def _grid(content: BatchContent, width: int) -> list[str]:
    wide = min(max(len(plain(unit.serial)) for unit in content.units), _LONGEST_SERIAL)
    verdict = max(len(_short(unit)) for unit in content.units)
    room = width - wide - verdict - _WORST - 7
    head = f"{'unit'.ljust(wide)}  {'verdict'.ljust(verdict)}  {'worst'.rjust(_WORST)}   point by point"
    lines = [head[:width]]
    for unit in content.units:
        worst = "-" if unit.worst_pct is None else f"{unit.worst_pct:.0f} %" if unit.worst_pct < 1e5 else "> 1e5 %"
        name = plain(unit.serial)
        name = name if len(name) <= wide else name[: wide - 1] + "~"
        sign = "*" if unit.stands_out else " "
        said = f"{name.ljust(wide)}  {_short(unit).ljust(verdict)}  {worst.rjust(_WORST)}"
        lines.append(visible(f"{said} {sign} {_marks(unit, room)}"))
    note = (
        f"worst: error in % of the tolerance; {points_text(content)}; . within, + or - beyond the tolerance, "
        "o not read; * stands out"
    )
    return [*(line.rstrip() for line in lines), *wrapped(note, width, then="  ")]


def _short(unit: UnitLine) -> str:
    return _SHORT.get(unit.result, unit.result) + (", dropped" if unit.dropped else "")


def _marks(unit: UnitLine, room: int) -> str:
    marks = [
        "o" if cell is None else "." if not beyond else "+" if cell > 0 else "-"
        for cell, beyond in zip(unit.cells, unit.beyond, strict=True)
    ]
    if len(marks) <= room:
        return "".join(marks)
    # Too many points for a line: of those that share a place the worst is shown.
    shared = [marks[index * len(marks) // room : (index + 1) * len(marks) // room] for index in range(room)]
    return "".join(max(each, key=".o-+".index) for each in shared)
