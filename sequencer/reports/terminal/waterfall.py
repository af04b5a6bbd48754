"""The error end to end stage by stage, as bars of plain letters."""

from instruments.texts import sized
from sequencer.diagnosis.account import Account
from sequencer.evaluation.result import Evaluation
from sequencer.reports.drawing.panel import reach
from sequencer.reports.terminal.lines import MINUS, wrapped
from sequencer.reports.waterfall import Bar, Waterfall, waterfall

__all__ = ["waterfall_lines"]


def waterfall_lines(account: Account, evaluation: Evaluation, width: int) -> list[str]:
    """A bar for each stage, beginning where the one before ended, its cause below; and one for the whole."""
    found = waterfall(account, evaluation, minus=MINUS)
    if found is None:
        return []
    wide = min(max(len(each.name) for each in found.bars), width // 4)
    size = max(len(each.size) for each in found.bars)
    allowed = f", : tolerance +/-{sized(found.tolerance_pct)}" if found.tolerance_pct is not None else ""
    lines = ["", *wrapped(f"error at the output at {found.place}, stage by stage, % of span (% of total)", width)]
    lines += wrapped(f"| no error{allowed}, = brought in by a stage, # total", width, first="  ", then="  ")
    for each in found.bars:
        head = f"  {each.name[:wide]:<{wide}} {each.size:<{size}} "
        lines.append((head + _drawn(each, found, width - len(head))).rstrip())
        lines += [] if each.is_total else wrapped(each.says, width, first="    ", then="    ")
    return lines


def _drawn(bar: Bar, found: Waterfall, room: int) -> str:
    low, high = reach(found.ends, least=1e-3, pad=0.0)

    def column(x: float) -> int:
        return round((x - low) / (high - low) * (room - 1))

    cells = [" "] * room
    for x in found.limits:
        cells[column(x)] = ":"
    cells[column(0.0)] = "|"
    first, last = sorted((column(bar.start), column(bar.end)))
    cells[first : last + 1] = ("#" if bar.is_total else "=") * (last + 1 - first)
    return "".join(cells)
