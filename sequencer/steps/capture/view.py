"""What a capture says, in words: on the terminal, in the report, as JSON."""

import math
from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from sequencer.diagnosis.noise.burst import Kind
from sequencer.diagnosis.noise.catalogue import averaging_words, drive_words, line_words, noise_words
from sequencer.diagnosis.noise.kinds import KINDS_BY_NAME
from sequencer.reports.as_text import as_pct
from sequencer.reports.terminal.lines import MINUS, listed, wrapped
from sequencer.steps.capture.evaluation import Burst, Capture
from sequencer.steps.capture.plot import capture_plot

__all__ = ["as_json", "capture_words", "lines", "section"]

_NOTE = (
    "Readings in a row at a settled point, beside the figures. "
    "The share behind a kind is its weight among the kinds that are known."
)


def lines(captures: Sequence[Capture], width: int) -> list[str]:
    """What each capture says, on a terminal."""
    said: list[str] = []
    for each in captures:
        count = len(each.bursts[-1].values)
        place = as_pct(each.setpoint_pct, minus=MINUS)
        said += ["", *wrapped(f'noise of {count} readings at {place}, tap "{each.tap}"', width)]
        said += listed(capture_words(each), width, first="  ", then="    ")
    return said


def section(captures: Sequence[Capture]) -> Markup:
    """What each capture says, and its plot, as a section of the report."""
    parts = [Markup("<h2>Noise</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for each in captures:
        parts.append(Markup("<h3>{} at {}</h3>").format(each.tap, as_pct(each.setpoint_pct)))
        said = [Markup("<li>{}</li>").format(sentence) for sentence in capture_words(each)]
        parts += [Markup("<ul>"), *said, Markup("</ul>")]
        parts.append(Markup("<figure>{}</figure>").format(Markup(capture_plot(each))))  # noqa: S704  it escapes its texts
    return Markup("\n").join(parts)


def capture_words(capture: Capture) -> tuple[str, ...]:
    """What a capture says, a sentence each."""
    said: list[str] = []
    for burst in capture.bursts:
        head = f"drive {burst.drive}: " if len(capture.bursts) > 1 else ""
        if burst.noise is None:
            said.append(f"{head}{burst.reason}")
            continue
        first, *rest = noise_words(burst.noise)
        # Cause and check once, for the burst with the drive on.
        said += [f"{head}{first}", *(rest if burst is capture.bursts[-1] else rest[:-2])]
    last = capture.bursts[-1].noise
    if capture.effect is not None and last is not None:
        said.append(drive_words(capture.effect, unit=capture.unit, flickers=last.best.kind == "quantisation flicker"))
    if capture.line is not None:
        said += line_words(capture.line)
    if last is not None and not KINDS_BY_NAME[last.best.kind].spoils_the_mean:
        said.append(averaging_words(last.averaging, unit=capture.unit, span=capture.span))
    return tuple(said)


def as_json(capture: Capture) -> dict[str, Any]:
    """A capture as JSON values, without its readings: those are in the table."""
    return {
        "setpoint_pct": capture.setpoint_pct,
        "tap": capture.tap,
        "unit": capture.unit,
        "words": list(capture_words(capture)),
        "drive_ratio": None if capture.effect is None or capture.effect.is_by_level else capture.effect.ratio,
        "bursts": [_burst_json(each) for each in capture.bursts],
    }


def _burst_json(burst: Burst) -> dict[str, Any]:
    head: dict[str, Any] = {"drive": burst.drive, "readings_n": len(burst.values)}
    noise = burst.noise
    if noise is None:
        return head | {"reason": burst.reason}
    return head | {
        "mean": noise.mean,
        "sd": noise.sd,
        "best_value": noise.best_value,
        "U_best": noise.U_best if math.isfinite(noise.U_best) else None,
        "second": None if noise.second is None else _kind_json(noise.second),
        "is_more": noise.is_more,
        "kinds": [_kind_json(each) for each in noise.kinds],
        "allan": {
            "means_n": list(noise.averaging.means_n),
            "deviation": list(noise.averaging.deviation),
            "best_n": noise.averaging.best_n,
        },
    }


def _kind_json(kind: Kind) -> dict[str, Any]:
    return {"kind": kind.kind, "weight": kind.weight, "words": kind.words}
