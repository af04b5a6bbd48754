"""A result and a plan as plain text for a terminal: what matters in the first three lines, nothing wider than asked.

Colour only where it is asked for, and never the only sign. It computes no figure and prints nothing itself.
"""

import textwrap
from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from instruments.texts import counted, sized, visible
from instruments.units import show
from sequencer.diagnosis.capture import capture_words
from sequencer.diagnosis.comparison import Comparison
from sequencer.diagnosis.result import Content
from sequencer.diagnosis.waveform import TraceResult, findings, trace_lines
from sequencer.evaluation.result import Evaluation
from sequencer.planning.plan import Plan, Point
from sequencer.planning.risk_table import RiskTable
from sequencer.reports import words
from sequencer.reports.as_found_as_left import figure_pairs, point_verdict
from sequencer.reports.diagnosis import evidence_lines, share_lines

if TYPE_CHECKING:
    from instruments.session import Exchange

__all__ = ["comparison_text", "exchange_line", "plan_text", "risk_text", "summary", "trace_text"]

_GREEN, _RED, _YELLOW, _BOLD = "1;32", "1;31", "1;33", "1"
_TONES = {
    "PASS": _GREEN,
    "CONDITIONAL PASS": _YELLOW,
    "CONDITIONAL FAIL": _RED,
    "FAIL": _RED,
    "NOT DETERMINABLE": _YELLOW,
}
_MARKS = {"fail": "!", "conditional fail": "!*", "conditional pass": "*", "not determinable": "?"}
_MOST_SETPOINTS = 40
_MOST_REMARKS = 8
_MINUS = "-"


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
        lines += _evidence(content, width)
        lines += ["", *_figures(content.evaluation, width)]
        lines += _beside(content.before, content.evaluation, width)
    if content.trials is not None:
        lines += ["", "uncertainty by trials (JCGM 101:2008)"]
        for sentence in content.trials.sentences:
            lines += _wrapped(sentence, width, first="  ", then="  ")
    lines += _captures(content, width)
    if content.remarks:
        lines += ["", "remarks"]
        for remark in content.remarks[:_MOST_REMARKS]:
            lines += _wrapped(remark, width, first="  - ", then="    ")
        if len(content.remarks) > _MOST_REMARKS:
            lines.append(f"  and {len(content.remarks) - _MOST_REMARKS} more, in the record")
    if content.folder:
        lines += ["", *_wrapped(content.folder, width, first="record: ", then="        ")]
    return "\n".join(lines)


def _painted(text: str, code: str, *, colour: bool) -> str:
    return f"\x1b[{code}m{text}\x1b[0m" if colour else text


def _wrapped(text: str, width: int, *, first: str = "", then: str = "") -> list[str]:
    """Text from outside, cleaned and cut into lines; a word longer than a line is cut too."""
    return textwrap.wrap(
        words.plain(text), width, initial_indent=first, subsequent_indent=then, break_on_hyphens=False
    ) or [first.rstrip()]


def _head(content: Content, width: int, *, colour: bool) -> list[str]:
    """Verdict with its reservations, worst, what to do, rule; before them only an output not safe, or an alteration."""
    word = words.verdict_word(content)
    parts = [f"{word}{' (SIMULATED BENCH)' if content.is_simulated else ''}"]
    parts += [part for part in (content.serial, content.state, content.type) if part]
    first = textwrap.shorten(words.plain(", ".join(parts)), width, placeholder=" ...")
    lines = []
    if content.status == "not safe":
        lines = [
            _painted(line, _RED, colour=colour)
            for line in _wrapped(f"OUTPUT NOT SAFE: {content.reason}; switch it off by hand", width)
        ]
    if content.alterations:
        first_one, *others = content.alterations
        more = f", and {len(others)} more (livezero verify tells them all)" if others else ""
        text = f"ALTERED SINCE IT WAS SEALED: {first_one}{more}"
        lines += [_painted(line, _RED, colour=colour) for line in _wrapped(text, width)]
    lines.append(_painted(word, _TONES[word], colour=colour) + first.removeprefix(word))
    found = content.evaluation
    for each in found.verdict.reservations if found is not None else ():
        lines += _wrapped(f"reservation: {each}", width, first="  ", then="    ")
    lines += _wrapped(words.headline(content, minus=_MINUS), width, then="  ")
    if content.findings is not None and content.findings.is_fault:
        told = content.findings
        for label, text in (("stage", told.stage), ("cause", told.cause), ("check", told.check)):
            lines += _wrapped(text, width, first=f"{label}: ", then="       ")
    lines += _wrapped(content.advice or "nothing", width, first="do: ", then="    ")
    if found is not None:
        lines += _wrapped(found.verdict.rule, width, first="rule: ", then="      ")
        known = found.budget
        if known is None or found.tur is None:
            lines.append("TUR not known")
        else:
            share = words.coverage(known.probability)
            lines.append(f"TUR {words.ratio(found.tur)}, the smallest (tolerance over U, {share})")
        for each in found.corrections:
            lines += _wrapped(each, width, first="corrected: ", then="           ")
    if content.status not in {"complete", "by hand"}:
        lines += _wrapped(f"{content.status}: {content.reason}", width, first="run: ", then="     ")
    return lines


def _points(evaluation: Evaluation, width: int, *, colour: bool) -> list[str]:
    """A line for each setpoint, up and down beside each other."""
    points = words.ordered(evaluation.points)
    if points.empty:
        return ["no readings"]
    style = words.NumberStyle(evaluation, minus=_MINUS)
    setpoints = [part for _, part in points.groupby("point", sort=False)]
    title = "readings"
    if len(setpoints) > _MOST_SETPOINTS:
        worst_first = sorted(setpoints, key=lambda part: -float(part["used_pct"].abs().max()))
        kept = {int(part["point"].iloc[0]) for part in worst_first[:_MOST_SETPOINTS]}
        setpoints = [part for part in setpoints if int(part["point"].iloc[0]) in kept]
        title = f"the worst {_MOST_SETPOINTS} of the setpoints; all are in the report"
    sides = [each for each in ("up", "down", "") if (points["direction"] == each).any()]
    verdicts = {key: point_verdict(part) for key, part in evaluation.visits.groupby(["point", "direction"])}
    marks = _MARKS if "verdict" in evaluation.visits else {"fail": "!"}
    rows = [
        [
            words.as_pct(float(part["setpoint_pct"].iloc[0]), minus=_MINUS),
            style.given(float(part["input"].mean())),
            *(cell for side in sides for cell in _side(part[part["direction"] == side], style, verdicts)),
        ]
        for part in setpoints
    ]
    names = {"up": "up", "down": "down", "": "returned"}
    heads = ["setpoint", evaluation.input_unit]
    for side in sides:
        heads += [f"{names[side]} {evaluation.output_unit}", "error %", "% of tol"]
    table = _aligned(_with_U([heads, *rows], setpoints, evaluation, width), width)
    marked = [_marked(line, _BOLD, colour=colour) for line in table[:1]]
    marked += [_marked(line, _RED if "!" in line else "", colour=colour) for line in table[1:]]
    note = f"{title}: errors in % of the span of {evaluation.output_span:g} {evaluation.output_unit}, "
    note += f"tolerance +/-{evaluation.tolerance}"
    note += ", U expanded" if "U %" in table[0] else ""
    said = [(marks[each], each) for each in marks if each in verdicts.values()]
    note += "".join(f"; {mark} {'outside' if marks is not _MARKS else verdict}" for mark, verdict in said)
    if not points["is_steady"].all():
        note += "; ~ never settled"
    return [*_wrapped(note, width), *marked]


def _with_U(
    rows: list[list[str]], setpoints: Sequence[pd.DataFrame], evaluation: Evaluation, width: int
) -> list[list[str]]:
    """The rows with the largest U of each setpoint before the returned values, if it is known and fits."""
    if "U" not in evaluation.visits:
        return rows
    largest = 100 * evaluation.visits.groupby("point")["U"].max() / evaluation.output_span
    cells = ["U %", *(words.significant(float(largest[part["point"].iloc[0]]), minus=_MINUS) for part in setpoints)]
    wider = [[*row[:2], cell, *row[2:]] for row, cell in zip(rows, cells, strict=True)]
    needed = sum(max(len(row[column]) for row in wider) + 1 for column in range(len(wider[0]))) - 1
    return wider if needed <= width else rows


def _side(
    part: pd.DataFrame, style: words.NumberStyle, verdicts: Mapping[tuple[Hashable, ...], str]
) -> tuple[str, str, str]:
    if part.empty:
        return "", "", ""
    row = part.iloc[0]
    used = words.percent_used(row["used_pct"], minus=_MINUS)
    sign = _MARKS.get(verdicts[row["point"], row["direction"]], "")
    return (
        style.level(row["output"]),
        style.error_pct(row["error_pct"]),
        f"{'' if row['is_steady'] else '~'}{sign}{used}",
    )


def _marked(line: str, code: str, *, colour: bool) -> str:
    return _painted(line, code, colour=colour and bool(code))


def _aligned(rows: Sequence[Sequence[str]], width: int) -> list[str]:
    """Cells to the right in columns, with as much room between them as there is."""
    widths = [max(len(row[column]) for row in rows) for column in range(len(rows[0]))]
    gap = " " * max(1, min(3, (width - sum(widths)) // max(len(widths) - 1, 1)))
    lines = [gap.join(cell.rjust(wide) for cell, wide in zip(row, widths, strict=True)).rstrip() for row in rows]
    return [visible(line)[:width] for line in lines]


def _stages(evaluation: Evaluation, width: int) -> list[str]:
    if not evaluation.stages:
        return []
    lines = ["", "stages: worst error in % of the span of each stage's output"]
    for stage in evaluation.stages:
        worst = words.fixed(stage.worst_pct, 3, minus=_MINUS, is_signed=True)
        place = "" if stage.worst_at_pct is None else f" at {words.as_pct(stage.worst_at_pct, minus=_MINUS)}"
        allowed = "" if stage.tolerance_pct is None else f", tolerance +/-{sized(stage.tolerance_pct)}"
        text = f"{stage.name} ({stage.first} to {stage.last}): {worst}{place}{allowed}: {stage.result}"
        lines += _wrapped(text, width, first="  ", then="    ")
    if evaluation.suspect_tap:
        lines += _wrapped(f'what reads the tap "{evaluation.suspect_tap}" is suspect', width, first="  ", then="    ")
    return lines


def _figures(evaluation: Evaluation, width: int) -> list[str]:
    style = words.NumberStyle(evaluation, minus=_MINUS)
    lines = _wrapped(f"figures by {evaluation.standard}", width)
    wide = max((len(figure.name) for figure in evaluation.figures), default=0)
    for figure in evaluation.figures:
        value, u = words.figure_text(figure, style)
        if not value:
            text = f"not determinable: {figure.remark or 'no reason is known'}"
        else:
            text = f"{value:>10} {'' if figure.unit == '1' else figure.unit}".rstrip()
            U = words.uncertainty_text(figure, minus=_MINUS)
            text += f", U {U}" if U else f", u {u}" if u else ""
            text += "" if figure.at_pct is None else f" at {words.as_pct(figure.at_pct, minus=_MINUS)}"
        lines += [line.rstrip() for line in _hanging(f"  {figure.name:<{wide}}  ", text, width)]
    return lines


def _adjustment(content: Content, evaluation: Evaluation, width: int) -> list[str]:
    """Trims and steps; nothing where adjusting is not the answer."""
    trims = content.adjustment
    if trims is None:
        return []
    style = words.NumberStyle(evaluation, minus=_MINUS)
    unit = evaluation.output_unit
    lines = ["", "adjustment (an opinion, apart from the result)"]
    for name, change, pct in (("zero", trims.zero, trims.zero_pct), ("span", trims.span, trims.span_pct)):
        lines.append(f"  {name} {style.error(change)} {unit}, {style.error_pct(pct)} % of span"[:width])
    for number, step in enumerate(trims.steps, start=1):
        lines += _wrapped(step, width, first=f"  {number}. ", then="     ")
    return lines + _wrapped(words.enough(trims, evaluation), width, first="  ", then="  ")


def _beside(before: Evaluation | None, after: Evaluation, width: int) -> list[str]:
    """As found beside as left, a line a figure; nothing where there is no as-found run."""
    if before is None:
        return []
    rows = [["", "as found", "as left"], ["verdict", before.verdict.result, after.verdict.result]]
    rows += [[each.name, each.before, each.after] for each in figure_pairs(before, after, minus=_MINUS)]
    names, *columns = zip(*rows, strict=True)
    wide = [max(len(cell) for cell in column) for column in (names, *columns)]
    lines = [f"  {row[0]:<{wide[0]}}  {row[1]:>{wide[1]}}  {row[2]:>{wide[2]}}"[:width].rstrip() for row in rows]
    return ["", "as found beside as left, in % of span", *lines]


def _evidence(content: Content, width: int) -> list[str]:
    """The candidates with what they explain, and the share of each stage."""
    found = content.findings
    if found is None or not found.is_fault:
        return []
    lines = ["", "causes that were weighed"]
    for each in evidence_lines(found):
        lines += _wrapped(each, width, first="  ", then="         ")
    for each in (*share_lines(found), *found.lacking):
        lines += _wrapped(each, width, first="  ", then="    ")
    return lines


def _captures(content: Content, width: int) -> list[str]:
    """What each capture says of the noise."""
    lines: list[str] = []
    for each in content.captures:
        count = len(each.bursts[-1].values)
        place = words.as_pct(each.setpoint_pct, minus=_MINUS)
        lines += ["", *_wrapped(f'noise of {count} readings at {place}, tap "{each.tap}"', width)]
        for said in capture_words(each):
            lines += _wrapped(said, width, first="  ", then="    ")
    return lines


def _hanging(label: str, text: str, width: int) -> list[str]:
    """A label and its text; further lines of the text stand under its first. Blanks at the front of the text stay."""
    if len(label) + len(text) <= width:
        return [visible(label + text)]
    return _wrapped(text, width, first=label, then=" " * len(label))


def plan_text(plan: Plan, width: int = 80) -> str:
    """What will happen, for how long, with which wiring and limits; warnings, and what must be confirmed."""
    sheet, file = plan.sheet, plan.sequence.file
    lines = _wrapped(file.sequence, width)
    lines += _wrapped(sheet.type, width, first="unit:      ", then="           ")
    lines += _wrapped(plan.bench.file.bench, width, first="bench:     ", then="           ")
    lines += _wrapped(f"+/-{plan.sequence.sheet.tolerance}", width, first="tolerance: ", then="           ")
    lines.append(f"takes:     about {words.duration(plan.estimate_s)}, {len(plan.points)} points")
    tur = "not known, an instrument's accuracy is missing" if plan.tur is None else f"{plan.tur:.1f} at the worst point"
    lines += _wrapped(f"{tur} (tolerance over accuracy of the bench)", width, first="TUR:       ", then="           ")
    lines += ["", "steps"]
    for number in dict.fromkeys(point.step for point in plan.points):
        lines += _step(plan, [point for point in plan.points if point.step == number], width)
    lines += ["", "wiring"]
    for wired in plan.wires:
        uses = []
        if wired.source is not None:
            uses.append(f"set by {wired.source.instrument}, {wired.source.function}, {wired.source.entry.range}")
            if wired.safe_level is not None:
                uses.append(f"safe level {show(wired.safe_level)}")
        if wired.receiver is not None:
            uses.append(f"read by {wired.receiver.instrument}, {wired.receiver.function}, {wired.receiver.entry.range}")
        lines += _wrapped(f"{wired.tap}: {'; '.join(uses) or 'nothing'}", width, first="  ", then="    ")
    lines += ["", "limits: nothing outside is sent"]
    for reason, limit in plan.limits:
        lines += _wrapped(f"{reason}: {limit}", width, first="  ", then="    ")
    for title, texts in (("warnings", plan.warnings), ("cautions, to be confirmed before energising", plan.cautions)):
        if texts:
            lines += ["", title]
            for text in texts:
                lines += _wrapped(text, width, first="  - ", then="    ")
    return "\n".join(lines)


def _step(plan: Plan, points: Sequence[Point], width: int) -> list[str]:
    """What one step does, and where it goes."""
    reading = [point for point in points if point.role == "reading"]
    pairs = sum(point.role == "end pair" for point in points)
    cycles = max(point.setpoint.cycle for point in points)
    tap = plan.sheet.taps[0]
    said = counted(cycles, "cycle")
    captured = [point for point in points if point.is_capture]
    if captured:
        first = captured[0].setpoint
        off = any(point.role != "capture" for point in captured)
        said = f'{counted(first.readings_n, "reading")} of tap "{first.tap}" at each place, for their noise'
        said += ", drive off and on" if off else ""
    elif reading:
        ways = {point.setpoint.direction for point in reading}
        said += f" {'up and down' if len(ways) > 1 else words.DIRECTIONS[ways.pop()]}"
        said += f", {counted(len(reading), 'point')} with {counted(reading[0].setpoint.readings_n, 'reading')} each"
    else:
        said += f", {counted(len(points), 'move')}, nothing is read"
    said += f", {counted(pairs, 'end pair')}" if pairs else ""
    said += f"; about {words.duration(sum(point.estimate_s for point in points))}"
    places = words.set_points([point.setpoint.frac for point in points], minus=_MINUS)
    values = [point.value for point in points]
    ends = f"{min(values):g} .. {max(values):g} {tap.unit}"
    lines = _wrapped(f"{points[0].step} {points[0].step_name}: {said}", width, first="  ", then="    ")
    return lines + _wrapped(f"at {places} of {tap.name} ({ends})", width, first="    ", then="    ")


def trace_text(result: TraceResult, file: str, *, width: int = 80) -> str:
    """What a trace is, what was found in it with cause and check."""
    lines: list[str] = []
    for said in trace_lines(result, file):
        lines += _wrapped(said, width, then="  ")
    lines += ["", "found"]
    for each in findings(result):
        lines += _wrapped(each.what, width, first="  - ", then="    ")
        for name, text in (("cause", each.cause), ("check", each.check)):
            if text:
                lines += _wrapped(text, width, first=f"    {name}: ", then="      ")
    if lines[-1] == "found":
        lines.append("  nothing: the trace is flat, or too short")
    return "\n".join(lines)


def comparison_text(compared: Comparison, *, width: int = 80) -> str:
    """The answer on top; then the two, what the tests say, a line a point, figures side by side, cautions."""
    found = compared.a.content.evaluation
    assert found is not None
    style = words.NumberStyle(found, minus=_MINUS)
    word, largest = words.compared_answer(compared, minus=_MINUS)
    is_simulated = compared.a.content.is_simulated or compared.b.content.is_simulated
    lines = _wrapped(f"{word}{' (SIMULATED BENCH)' if is_simulated else ''}: {largest}", width, then="  ")
    for name, side in (("A", compared.a), ("B", compared.b)):
        lines += _wrapped(words.side_name(name, side.content), width, then="   ")
    for each in words.compared_tests(compared, minus=_MINUS):
        lines += _wrapped(each, width, then="  ")
    heads = ["setpoint", "", "A error %", "B error %", "B - A %", "U %", "p (Holm)", ""]
    rows = [
        [words.as_pct(row["setpoint_pct"], minus=_MINUS), row["direction"]]
        + [style.error_pct(row[key]) for key in ("a_pct", "b_pct", "difference_pct")]
        + [words.significant(row["U_pct"], minus=_MINUS), words.p_value(row["p_holm"])]
        + [("!" if row["is_different"] else "") + ("w" if row["is_within"] else "")]
        for row in compared.points.to_dict("records")
    ]
    note = (
        f"points: mean errors of the cycles in % of the span of {found.output_span:g} {found.output_unit}, U expanded"
    )
    note += "; ! significant" + ("; w within the margin" if compared.margin else "")
    lines += ["", *_wrapped(note, width), *_aligned([heads, *rows], width)]
    for title, texts in (("not compared", compared.unmatched), ("remarks", compared.cautions)):
        lines += ["", title] if texts else []
        lines += [line for text in texts for line in _wrapped(text, width, first="  - ", then="    ")]
    return "\n".join([*lines, "", "figures side by side, in % of span", *_compared_figures(compared, style)])


def _compared_figures(compared: Comparison, style: words.NumberStyle) -> list[str]:
    rows = [["", "A", "B", "B - A", "U", "p (Holm)", ""]]
    rows += [
        [
            each.name + ("" if each.unit == "% of span" else f", {each.unit}"),
            *(words.compared_figure(value, each.unit, style) for value in (each.a, each.b, each.difference)),
            *words.compared_chance(each, minus=_MINUS),
            "!" if each.is_different else "",
        ]
        for each in compared.figures
    ]
    wide = [max(len(row[column]) for row in rows) for column in range(7)]
    padded = [[row[0].ljust(wide[0]), *map(str.rjust, row[1:], wide[1:])] for row in rows]
    return [visible(("  " + "  ".join(row)).rstrip()) for row in padded]


def risk_text(table: RiskTable) -> str:
    """The chances of a plan's judgement over the guard band, in 80 columns."""
    unit = table.unit
    lines = [
        (
            f"at {table.setpoint_pct:g} % (smallest TUR {table.tur:.2f}): "
            f"tolerance +/-{sized(table.tolerance, 4)} {unit}, U {sized(table.U, 2)} {unit}"
        ),
        f"supposed: {100 * table.in_tolerance:g} % of all units are in tolerance",
        "",
        f"{'guard band':>12} {'accepted to':>16} {'bad accepted':>14} {'good rejected':>15}",
    ]
    lines += [
        f"{each.w_over_U:>10.2f} U {f'+/-{sized(each.accepted_to, 4)} {unit}':>16} {100 * each.false_accept:>12.3g} % "
        f"{100 * each.false_reject:>13.3g} %"
        for each in table.points
    ]
    lines.append("")
    if table.of_rule is None:
        lines.append(f"{table.rule}: leaves nothing to accept")
    else:
        own = table.of_rule
        lines.append(f"{table.rule}: w = {own.w_over_U:.2f} U")
        bad, good = sized(100 * own.false_accept), sized(100 * own.false_reject)
        lines.append(f"  bad accepted {bad} %, good rejected {good} %")
    lines.append(f"2 % of bad accepted is held by w = {sized(table.w_for_2_pct)} {unit}")
    lines.append("chances of all units, before scatter of readings; JCGM 106:2012 (from memory)")
    return "\n".join(lines)


def exchange_line(exchange: "Exchange", *, width: int = 80) -> str:
    """One exchange with an instrument on one line: when, who, what was sent, what came back, how long it took.

    Control characters are written out. What is too long loses its middle; a reply keeps the larger part.
    """
    head = f"{exchange.at_s:10.3f} {words.plain(exchange.instrument)}: "
    if exchange.fault:
        tail = f" !! {words.plain(exchange.fault)}"
    elif exchange.received is None:
        tail = ""
    else:
        tail = f" ({1000 * exchange.took_s:.0f} ms)"
    room = max(width - len(head) - len(tail), 20)
    if exchange.received is None:
        return (head + _clipped(exchange.sent, room) + tail)[:width]
    sent = _clipped(exchange.sent, max(room // 3, room - 4 - len(exchange.received)))
    return (head + sent + " -> " + _clipped(exchange.received, room - 4 - len(sent)) + tail)[:width]


def _clipped(text: str, room: int) -> str:
    shown = visible(text)
    if len(shown) <= room:
        return shown
    kept = max(room - 3, 2)
    return f"{shown[: kept - kept // 2]}...{shown[len(shown) - kept // 2 :]}"
