"""Two units side by side as text for a terminal."""

from instruments.texts import visible
from sequencer.diagnosis.compared import Comparison
from sequencer.reports.compared import Row, answer, figure_rows, own_result, point_rows, sentences, side_name
from sequencer.reports.terminal.lines import MINUS, aligned, listed, wrapped

__all__ = ["comparison_text"]


def comparison_text(compared: Comparison, *, width: int = 80) -> str:
    """The answer on top; then the two, what the tests say, a line a point, figures side by side, cautions."""
    found = compared.a.content.evaluation
    assert found is not None
    word, largest = answer(compared, minus=MINUS)
    is_simulated = compared.a.content.is_simulated or compared.b.content.is_simulated
    lines = wrapped(f"{word}{' (SIMULATED BENCH)' if is_simulated else ''}: {largest}", width, then="  ")
    for name, side in (("A", compared.a), ("B", compared.b)):
        lines += wrapped(side_name(name, side.content), width, then="   ")
        lines += wrapped(f"by itself: {own_result(side.content)}", width, first="   ", then="   ")
    lines += listed(sentences(compared, minus=MINUS), width, then="  ")
    heads = ["setpoint", "", "A error %", "B error %", "B - A %", "U %", "p of all", ""]
    rows = [
        [row.name, row.of, row.a, row.b, row.difference, row.U, row.p, _marks(row)]
        for row in point_rows(compared, minus=MINUS)
    ]
    note = (
        f"points: mean errors of the cycles in % of the span of {found.output_span:g} {found.output_unit}, U expanded"
    )
    note += "; ! significant" + ("; w within the margin" if compared.margin else "")
    lines += ["", *wrapped(note, width), *aligned([heads, *rows], width)]
    for title, texts in (("not compared", compared.unmatched), ("remarks", compared.cautions)):
        lines += ["", title] if texts else []
        lines += listed(texts, width, first="  - ", then="    ")
    return "\n".join([*lines, "", "figures side by side, in % of span", *_figures(compared)])


def _marks(row: Row) -> str:
    return ("!" if row.is_different else "") + ("w" if row.is_within else "")


def _figures(compared: Comparison) -> list[str]:
    rows = [["", "A", "B", "B - A", "U", "p of all", ""]]
    for row in figure_rows(compared, minus=MINUS):
        name = row.name if row.of == "% of span" else f"{row.name}, {row.of}"
        rows.append([name, row.a, row.b, row.difference, row.U, row.p, "!" if row.is_different else ""])
    wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
    padded = [[row[0].ljust(wide[0]), *map(str.rjust, row[1:], wide[1:])] for row in rows]
    return [visible(("  " + "  ".join(row)).rstrip()) for row in padded]
