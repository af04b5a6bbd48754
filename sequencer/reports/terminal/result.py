"""A result as text for a terminal: verdict, worst reading and what to do first; colour is never the only sign."""

import textwrap
from collections.abc import Sequence

from instruments.texts import sized
from sequencer.diagnosis.result import Content
from sequencer.evaluation.result import Evaluation
from sequencer.evaluation.stage_errors import suspicion
from sequencer.inputs.step import registry
from sequencer.reports import words
from sequencer.reports.as_found_as_left import figure_pairs
from sequencer.reports.as_text import as_pct, coverage, fixed, plain, ratio
from sequencer.reports.diagnosis import evidence_lines, work_lines
from sequencer.reports.rows import SetpointRow, figure_rows, setpoint_rows, trim_rows
from sequencer.reports.terminal.lines import MINUS, aligned, hanging, listed, painted, wrapped
from sequencer.reports.terminal.waterfall import waterfall_lines

__all__ = ["summary"]

_GREEN, _RED, _YELLOW, _BOLD = "1;32", "1;31", "1;33", "1"
_TONES = {
    "PASS": _GREEN,
    "CONDITIONAL PASS": _YELLOW,
    "CONDITIONAL FAIL": _RED,
    "FAIL": _RED,
    "NOT DETERMINABLE": _YELLOW,
}
_MARKS = {"fail": "!", "conditional fail": "!*", "conditional pass": "*", "not determinable": "?"}
_SIDES = {"up": "up", "down": "down", "": "returned"}
_MOST_SETPOINTS = 40
_MOST_REMARKS = 8


def summary(content: Content, *, width: int = 80, colour: bool) -> str:
    """Verdict, worst reading and what to do; then trims, readings, figures, stages, remarks, where the record lies.

    Args:
        content: the run, or the readings taken by hand.
        width: no line is longer.
        colour: with escape sequences for colour.
    """
    lines = _head(content, width, colour=colour)
    if content.evaluation is not None:
        lines += _adjustment(content, content.evaluation, width)
        lines += ["", *_points(content.evaluation, width, colour=colour)]
        lines += _stages(content.evaluation, width)
        lines += _evidence(content, content.evaluation, width)
        lines += ["", *_figures(content.evaluation, width)]
        lines += _beside(content.before, content.evaluation, width)
    if content.trials is not None:
        lines += ["", "uncertainty by Monte Carlo propagation (JCGM 101:2008)"]
        lines += listed(content.trials.sentences, width, first="  ", then="  ")
    for name, results in content.steps.items():
        lines += registry()[name].terminal(results, width)
    if remarks := words.doubted(content)[1]:
        lines += ["", "remarks"]
        lines += listed(remarks[:_MOST_REMARKS], width, first="  - ", then="    ")
        if len(remarks) > _MOST_REMARKS:
            lines.append(f"  and {len(remarks) - _MOST_REMARKS} more, in the record")
    if content.folder:
        lines += ["", *wrapped(content.folder, width, first="record: ", then="        ")]
    return "\n".join(lines)


def _head(content: Content, width: int, *, colour: bool) -> list[str]:
    """Verdict with its reservations, worst, what to do, rule; before them an output not safe, an alteration, doubts."""
    word = words.verdict_word(content)
    parts = [f"{word}{' (SIMULATED BENCH)' if content.is_simulated else ''}"]
    parts += [part for part in (content.serial, content.state, content.type) if part]
    first = textwrap.shorten(plain(", ".join(parts)), width, placeholder=" ...")
    alarms = []
    if content.status == "not safe":
        alarms.append(f"OUTPUT NOT SAFE: {content.reason}; switch it off by hand")
    if content.alterations:
        first_one, *others = content.alterations
        more = f", and {len(others)} more (livezero verify lists them all)" if others else ""
        alarms.append(f"ALTERED SINCE IT WAS SEALED: {first_one}{more}")
    lines = [painted(line, _RED, colour=colour) for line in listed(alarms, width)]
    doubts = listed(words.doubted(content)[0], width, first="doubt: ", then="       ")
    lines += [painted(line, _YELLOW, colour=colour) for line in doubts]
    lines.append(painted(word, _TONES[word], colour=colour) + first.removeprefix(word))
    found = content.evaluation
    for each in (*content.verdict.reservations, *content.told):
        lines += wrapped(f"reservation: {each}", width, first="  ", then="    ")
    lines += wrapped(words.headline(content, minus=MINUS), width, then="  ")
    lines += _opinion(content, width)
    lines += wrapped(content.verdict.rule, width, first="rule: ", then="      ") if content.verdict.rule else []
    if found is not None:
        known = found.budget
        if known is None or found.tur is None:
            lines.append("TUR not known")
        else:
            share = coverage(known.probability)
            lines.append(f"TUR {ratio(found.tur)}, the smallest (tolerance over U, {share})")
        lines += listed(found.corrections, width, first="corrected: ", then="           ")
    if content.status not in {"complete", "by hand"}:
        lines += wrapped(f"{content.status}: {content.reason}", width, first="run: ", then="     ")
    return lines


def _opinion(content: Content, width: int) -> list[str]:
    """Three lines for each place that is wrong, what to do, and in which order."""
    found, lines = content.findings, []
    if found is not None and found.is_fault:
        lines += wrapped(words.TOLD_OTHERWISE, width, then="  ")
        for part in found.stages or (found,):
            for label, text in (("stage", part.stage), ("cause", part.cause), ("check", part.check)):
                lines += wrapped(text, width, first=f"{label}: ", then="       ")
    lines += wrapped(content.advice or "nothing", width, first="do: ", then="    ")
    for number, each in enumerate(work_lines(found) if found is not None else (), start=1):
        lines += wrapped(each, width, first=f"    {number}. ", then="       ")
    return lines


def _points(evaluation: Evaluation, width: int, *, colour: bool) -> list[str]:
    """A line for each setpoint, up and down beside each other."""
    rows = setpoint_rows(evaluation, minus=MINUS)
    if not rows:
        return ["no readings"]
    all_points = [point for row in rows for point in row.points]
    sides = [way for way in _SIDES if any(point.direction == way for point in all_points)]
    title = "readings"
    if len(rows) > _MOST_SETPOINTS:
        worst_first = sorted(rows, key=lambda row: -row.most_used_pct)
        kept = set(map(id, worst_first[:_MOST_SETPOINTS]))
        rows = tuple(row for row in rows if id(row) in kept)
        title = f"the worst {_MOST_SETPOINTS} of the setpoints; all are in the report"
    heads = ["setpoint", evaluation.input_unit]
    for way in sides:
        heads += [f"{_SIDES[way]} {evaluation.output_unit}", "error %", "% of tol"]
    cells = [heads, *([row.setpoint, row.injected, *_cells(row, sides)] for row in rows)]
    with_U = "U" in evaluation.visits
    if with_U:
        wider = [[*row[:2], U, *row[2:]] for row, U in zip(cells, ["U %", *(row.U_pct for row in rows)], strict=True)]
        with_U = sum(max(map(len, column)) + 1 for column in zip(*wider, strict=True)) - 1 <= width
        cells = wider if with_U else cells
    marks = _MARKS if "verdict" in evaluation.visits else {"fail": "!"}
    note = f"{title}: errors in % of the span of {evaluation.output_span:g} {evaluation.output_unit}, "
    note += f"tolerance +/-{evaluation.tolerance}" + (", U expanded" if with_U else "")
    found = {point.verdict for point in all_points}
    note += "".join(f"; {marks[each]} {each if marks is _MARKS else 'outside'}" for each in marks if each in found)
    note += "; ~ not settled within the time limit" if any(point.is_unsteady for point in all_points) else ""
    head, *lines = aligned(cells, width)
    marked = [painted(line, _RED, colour=colour and "!" in line) for line in lines]
    return [*wrapped(note, width), painted(head, _BOLD, colour=colour), *marked]


def _cells(row: SetpointRow, sides: Sequence[str]) -> list[str]:
    by_way = {point.direction: point for point in row.points}
    cells = []
    for point in map(by_way.get, sides):
        marks = f"{'~' if point.is_unsteady else ''}{_MARKS.get(point.verdict, '')}" if point else ""
        cells += [point.returned, point.error_pct, f"{marks}{point.used}"] if point else ["", "", ""]
    return cells


def _stages(evaluation: Evaluation, width: int) -> list[str]:
    if not evaluation.stages:
        return []
    lines = ["", "stages: worst error in % of the span of each stage's output"]
    for stage in evaluation.stages:
        worst = fixed(stage.worst_pct, 3, minus=MINUS, is_signed=True)
        place = "" if stage.worst_at_pct is None else f" at {as_pct(stage.worst_at_pct, minus=MINUS)}"
        allowed = "" if stage.tolerance_pct is None else f", tolerance +/-{sized(stage.tolerance_pct)}"
        text = f"{stage.name} ({stage.first} to {stage.last}): {worst}{place}{allowed}: {stage.result}"
        lines += wrapped(text, width, first="  ", then="    ")
    if evaluation.suspect_taps:
        lines += wrapped(suspicion(evaluation.suspect_taps), width, first="  ", then="    ")
    return lines


def _figures(evaluation: Evaluation, width: int) -> list[str]:
    lines = wrapped(f"figures by {evaluation.standard}", width)
    rows = figure_rows(evaluation, minus=MINUS)
    wide = max((len(row.name) for row in rows), default=0)
    for row in rows:
        if row.value:
            text = f"{row.value:>10} {row.unit}".rstrip()
            text += f" at {row.at}" if row.at else ""
            text += f", U {row.U}" if row.U else ""
            text += f", u of scatter {row.u_scatter}" if row.u_scatter else ""
            text += f"; own {row.own} ({row.interval}), noise alone {row.by_noise}" if row.own else ""
        else:
            text = f"not determinable: {row.remark or 'no reason is known'}"
        lines += [line.rstrip() for line in hanging(f"  {row.name:<{wide}}  ", text, width)]
    return lines + listed(evaluation.known.said, width, first="  - ", then="    ")


def _adjustment(content: Content, evaluation: Evaluation, width: int) -> list[str]:
    """Trims and steps; nothing where adjusting is not the answer."""
    trims = content.adjustment
    if trims is None:
        return []
    lines = ["", "adjustment (an opinion, apart from the result)"]
    rows = trim_rows(trims, evaluation, minus=MINUS)
    lines += [f"  {row.name} {row.change} {evaluation.output_unit}, {row.change_pct} % of span"[:width] for row in rows]
    for number, step in enumerate(trims.steps, start=1):
        lines += wrapped(step, width, first=f"  {number}. ", then="     ")
    return lines + wrapped(words.enough(trims, evaluation), width, first="  ", then="  ")


def _beside(before: Evaluation | None, after: Evaluation, width: int) -> list[str]:
    """As found beside as left, a line a figure; nothing where there is no as-found run."""
    if before is None:
        return []
    rows = [["", "as found", "as left"], ["verdict", before.verdict.result, after.verdict.result]]
    rows += [[each.name, each.before, each.after] for each in figure_pairs(before, after, minus=MINUS)]
    names, *columns = zip(*rows, strict=True)
    wide = [max(len(cell) for cell in column) for column in (names, *columns)]
    lines = [f"  {row[0]:<{wide[0]}}  {row[1]:>{wide[1]}}  {row[2]:>{wide[2]}}"[:width].rstrip() for row in rows]
    return ["", "as found beside as left, in % of span", *lines]


def _evidence(content: Content, evaluation: Evaluation, width: int) -> list[str]:
    """What each stage brings in, the candidates with what they explain, and what is lacking."""
    found = content.findings
    if found is None or not found.is_fault:
        return []
    lines = [*waterfall_lines(found, evaluation, width), "", "candidate causes"]
    lines += listed(evidence_lines(found), width, first="  ", then=" " * 13)
    return lines + listed(found.lacking, width, first="  ", then="    ")
