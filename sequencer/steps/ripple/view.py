"""Ripple in words and as a plot of the readings in time."""

from collections.abc import Sequence
from typing import Any

from markupsafe import Markup

from instruments.texts import sized
from sequencer.evaluation.step_limits import limit_words
from sequencer.reports.as_text import as_pct
from sequencer.reports.drawing.course import Course, course
from sequencer.reports.drawing.svg import UP, Look
from sequencer.reports.terminal.lines import MINUS, listed, wrapped
from sequencer.steps.ripple.content import Blind, Line, Ripple
from sequencer.steps.ripple.evaluation import Found, judged

__all__ = ["as_json", "lines", "section", "words"]

_NOTE = (
    "What swings with a rhythm on the output at rest, in % of span; noise without one, of meter and unit together, is "
    "told beside it and not counted. A meter shows of a sine of frequency f what its aperture T passes, "
    "|sin(pi f T) / (pi f T)|, and folds what is faster than half its reading rate to below."
)
_WHOLE = 0.95  # of an amplitude by the aperture: the rest is not worth a word
_SHOWN_N = 200  # readings of the plot: more show a band, no swing


def lines(results: Sequence[Found], width: int) -> list[str]:
    """What was found at each place, on a terminal; what the meter hides once, where it is the same."""
    said = ["", "ripple of the output, in % of span"]
    for each in results:
        said += wrapped(f'at {as_pct(each.at_pct, minus=MINUS)}, tap "{each.tap}"', width, first="  ")
        said += listed(words(each), width, first="    ", then="      ")
    seen = dict.fromkeys(blind_words(each.ripple) for each in results if each.ripple is not None)
    said += listed([one for some in seen for one in some], width, first="  ", then="    ")
    return said


def words(each: Found) -> tuple[str, ...]:
    """What was found at one place, a sentence each."""
    content = each.ripple
    if content is None:
        return (f"{len(each.times_s)} readings are too few", *_limit(each))
    noise = f"noise without a rhythm {sized(content.noise_sd, 2)} % r.m.s., of meter and unit together, not counted"
    if not content.lines:
        head = f"no ripple above {sized(content.least, 2)} % peak to peak"
        return head, noise, *_limit(each)
    head = f"{sized(content.peak_to_peak)} % peak to peak (U = {sized(content.U, 2)} %), {sized(content.rms)} % r.m.s."
    main = f"main line {_line(content.lines[0], content)}"
    others = [f"and {_line(one, content)}" for one in content.lines[1:]]
    return head, main, *others, noise, *_limit(each)


def _limit(each: Found) -> tuple[str, ...]:
    limit = judged(each)
    return () if limit is None else (limit_words(limit),)


def _line(line: Line, content: Ripple) -> str:
    size = f"amplitude {sized(line.amplitude)} % as read"
    if not line.mains_Hz:
        folded = f"or what is read as that every {1e3 * content.interval_s:.3g} ms"
        return f"at {line.seen_Hz:.4g} Hz ({folded}), {size}, no multiple of mains"
    seen = f"read as {line.seen_Hz:.3g} Hz, which may be {' or '.join(_passing(each) for each in line.mains_Hz)}"
    if len(line.mains_Hz) == 1 and abs(line.seen_Hz - line.mains_Hz[0][0]) < 0.01 * line.seen_Hz:
        seen = f"at {line.mains_Hz[0][0]:g} Hz, mains or its multiple"
    if line.likely is None or line.likely[1] > _WHOLE:
        return f"{seen}; {size}"
    return f"{seen}; {size}, {sized(line.whole)} % before the aperture if it is {line.likely[0]:g} Hz"


def _passing(each: tuple[float, float]) -> str:
    rate_Hz, kept = each
    return f"{rate_Hz:g} Hz ({100 * kept:.0f} % passes)"


def blind_words(content: Ripple) -> tuple[str, ...]:
    """What the meter shows of mains, and what to do where that is too little."""
    told = "; ".join(_blind(each, content) for each in content.watched)
    said = (
        f"the meter averages over {1e3 * content.aperture_s:.3g} ms, every {1e3 * content.interval_s:.3g} ms: {told}",
    )
    if any(each.is_hidden for each in content.watched):
        return *said, (
            "what it hides may be there all the same: take a shorter integration, the a.c. function of a meter, or a "
            "trace from an oscilloscope (livezero trace)"
        )
    return said


def _blind(each: Blind, content: Ripple) -> str:
    passes = f"{each.rate_Hz:g} Hz passes to {100 * each.passes:.0f} %"
    if each.is_at_rest and each.passes > 0.005:
        return f"{passes}, and stands still at this reading rate"
    is_folded = each.rate_Hz > 0.5 / content.interval_s
    return f"{passes}, appears at {each.appears_Hz:.3g} Hz" if is_folded and each.passes > 0.005 else passes


def section(results: Sequence[Found]) -> Markup:
    """What was found at each place, each with its readings in time."""
    parts = [Markup("<h2>Ripple</h2>"), Markup('<p class="note">{}</p>').format(_NOTE)]
    for each in results:
        told = [*words(each), *(blind_words(each.ripple) if each.ripple else ())]
        said = [Markup("<li>{}</li>").format(one) for one in told]
        parts += [Markup("<h3>{} at {}</h3>").format(each.tap, as_pct(each.at_pct)), Markup("<ul>"), *said]
        parts += [Markup("</ul>"), Markup("<figure>{}</figure>").format(Markup(_plot(each)))]  # noqa: S704
    return Markup("\n").join(parts)


def _plot(each: Found) -> str:
    pairs = zip(each.times_s[:_SHOWN_N].tolist(), each.values_pct[:_SHOWN_N].tolist(), strict=True)
    some = f"first {_SHOWN_N} readings" if len(each.times_s) > _SHOWN_N else "readings"
    return course(
        f"Ripple at {as_pct(each.at_pct)}",
        [Course(label=some, places=list(pairs), look=Look(UP, mark="dot", width=0.9))],
        x_label="Time in s",
        y_label="Reading less mean, % of span",
    )


def as_json(each: Found) -> dict[str, Any]:
    """One place as JSON values."""
    content = each.ripple
    told: dict[str, Any] = {"at_pct": each.at_pct, "tap": each.tap, "step": each.step, "words": list(words(each))}
    told["at_most_pct"] = each.at_most_pct
    if content is None:
        return told
    return told | {
        "peak_to_peak_pct": content.peak_to_peak,
        "U_pct": content.U,
        "rms_pct": content.rms,
        "least_pct": content.least,
        "noise_sd_pct": content.noise_sd,
        "read_peak_to_peak_pct": content.read_peak_to_peak,
        "interval_s": content.interval_s,
        "aperture_s": content.aperture_s,
        "lines": [
            {"seen_Hz": one.seen_Hz, "amplitude_pct": one.amplitude, "mains_Hz": [list(pair) for pair in one.mains_Hz]}
            for one in content.lines
        ],
        "watched": [
            {"rate_Hz": one.rate_Hz, "passes": one.passes, "is_hidden": one.is_hidden} for one in content.watched
        ],
    }
