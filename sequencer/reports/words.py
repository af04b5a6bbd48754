"""Wording and numbers that every view shares. It computes no figure: it only says what was found.

A page takes the real minus sign, a terminal the hyphen; digits follow the tolerance, so that rounding stays below a
hundredth of it.
"""

import math
from collections.abc import Iterable
from datetime import datetime
from itertools import pairwise

import pandas as pd

from instruments.texts import visible
from sequencer.diagnosis.comparison import Comparison, FigureDifference
from sequencer.diagnosis.result import Content
from sequencer.evaluation.adjustment import Adjustment
from sequencer.evaluation.figure_list import Figure
from sequencer.evaluation.result import Evaluation

__all__ = [
    "ADVICE_NOTE",
    "CAUTION",
    "DIRECTIONS",
    "MINUS",
    "OPINION_NOTE",
    "SIMULATED",
    "SYMBOLS",
    "NumberStyle",
    "as_pct",
    "compared_answer",
    "compared_chance",
    "compared_figure",
    "compared_tests",
    "coverage",
    "date",
    "decimals_for",
    "dof",
    "duration",
    "enough",
    "figure_text",
    "fixed",
    "headline",
    "is_out",
    "ordered",
    "p_value",
    "percent_used",
    "plain",
    "probability",
    "ratio",
    "set_points",
    "side_name",
    "significant",
    "uncertainty_text",
    "verdict_word",
    "way",
    "weighed",
    "worst_text",
    "worst_verdict",
]

MINUS = "−"
DIRECTIONS = {"up": "upscale", "down": "downscale", "": "no direction"}
SIMULATED = "Simulated bench: no real unit was tested."
CAUTION = (
    "Local codes, the site's permits and licensed practice come first. Nothing in this report replaces them, and "
    "nothing in it says that a live circuit may be worked on."
)
ADVICE_NOTE = "Advice is an interpretation of the result, not part of it."
OPINION_NOTE = "Diagnosis and advice are opinions and interpretations; they stand apart from the result."
# A text of its own for each, so that no verdict hangs on a colour; in brackets where it holds with less than certainty.
SYMBOLS = {"pass": "✓", "conditional pass": "(✓)", "conditional fail": "(✗)", "fail": "✗", "not determinable": "?"}
_WORST_FIRST = ("fail", "conditional fail", "not determinable", "conditional pass", "pass")
_MAGNITUDES = {"hysteresis", "non-repeatability"}  # never negative, so a plus sign would say nothing
_SHARE = 50  # digits show at least a fiftieth of the tolerance; rounding is then below a hundredth
_MOST_DECIMALS = 9


def verdict_word(content: Content) -> str:
    """PASS, CONDITIONAL PASS, CONDITIONAL FAIL, FAIL or NOT DETERMINABLE."""
    return ("not determinable" if content.evaluation is None else content.evaluation.verdict.result).upper()


def worst_verdict(verdicts: Iterable[str]) -> str:
    """The one of several verdicts of points that weighs most; "" if there is none."""
    return min(verdicts, key=_WORST_FIRST.index, default="")


def decimals_for(width: float) -> int:
    """Decimals that show a fiftieth of a width; 4 where it is not known."""
    if not (math.isfinite(width) and width > 0):
        return 4
    return min(max(math.ceil(-math.log10(width / _SHARE)), 0), _MOST_DECIMALS)


def fixed(value: float | None, decimals: int, *, minus: str = MINUS, is_signed: bool = False) -> str:
    """A number with so many decimals; a dash where there is none; zero carries no sign."""
    if value is None or not math.isfinite(value):
        return "–" if minus == MINUS else "-"
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0:
        return text
    return f"{minus if value < 0 else '+' if is_signed else ''}{text}"


def significant(value: float, digits: int = 2, *, minus: str = MINUS) -> str:
    """A number to so many digits, without powers of ten as long as it can be read: 0.0039, 12 300, 4.6e-06."""
    if not math.isfinite(value):
        return fixed(None, 0, minus=minus)
    if value and not 1e-5 <= abs(value) < 1e7:
        return f"{value:.{digits - 1}e}".replace("-", minus)
    if not value:
        return "0"
    rounded = float(f"{value:.{digits - 1}e}")  # 0.0996 to two digits is 0.10, one decimal less than 0.0996 asks for
    return fixed(value, max(digits - 1 - math.floor(math.log10(abs(rounded))), 0), minus=minus)


def probability(share: float, *, minus: str = MINUS) -> str:
    """A probability in %, never rounded to certainty."""
    if not math.isfinite(share):
        return fixed(None, 0, minus=minus)
    if share > 0.9999:
        return "> 99.99 %"
    if share < 0.0001:
        return "< 0.01 %"
    return f"{100 * share:.{2 if share > 0.99 or share < 0.1 else 1}f} %"


def ratio(tur: float | None, *, minus: str = MINUS) -> str:
    """A TUR, cut and never rounded up: 3.96 is no 4."""
    if tur is None or math.isnan(tur):
        return fixed(None, 0, minus=minus)
    if math.isinf(tur):
        return "infinite"
    return f"{math.floor(10 * tur + 1e-9) / 10:.1f}" if tur < 100 else f"{math.floor(tur)}"


def dof(degrees: float, *, minus: str = MINUS) -> str:
    """Degrees of freedom; "infinite" where nothing limits them, as far as anybody can tell."""
    if math.isnan(degrees):
        return fixed(None, 0, minus=minus)
    return "infinite" if degrees > 99_999 else f"{degrees:.1f}" if degrees < 100 else f"{degrees:.0f}"


def coverage(share: float | None) -> str:
    """The coverage of an expanded uncertainty: "95.45 %"; "k as given" where no probability was asked for."""
    return "k as given" if share is None else f"{100 * share:.4g} %"


def as_pct(value: float, *, minus: str = MINUS) -> str:
    """A place in % of range, without needless decimals: "10 %", "33.3 %"."""
    if not math.isfinite(value):
        return fixed(None, 0, minus=minus)
    text = f"{abs(value):.1f}".removesuffix(".0")
    return f"{minus if value < 0 and text != '0' else ''}{text} %"


def percent_used(used_pct: float, *, minus: str = MINUS) -> str:
    """Share of the tolerance in %, never rounded across the limit: 100.2 stays above 100."""
    if not math.isfinite(used_pct):
        return fixed(None, 0, minus=minus)
    share = abs(used_pct)
    for decimals in range(4):
        text = f"{share:.{decimals}f}"
        if (float(text) > 100) == is_out(share):
            return text
    return ">100" if is_out(share) else "100"


def is_out(used_pct: float) -> bool:
    """True if this share of the tolerance is more than all of it; a hair of rounding is not."""
    return abs(used_pct) > 100 * (1 + 1e-9)


def way(direction: str) -> str:
    """The direction with a blank before it, to be put behind a place; "" where there is none."""
    return f" {DIRECTIONS[direction]}" if direction else ""


class NumberStyle:
    """How the numbers of one evaluation are written: decimals from its tolerance, and the minus sign of the medium.

    Args:
        evaluation: whose tolerance counts.
        minus: sign of negative numbers.
    """

    def __init__(self, evaluation: Evaluation, *, minus: str = MINUS) -> None:
        widths = evaluation.visits["tolerance"]
        known = widths[widths > 0]
        self.minus = minus
        # A tolerance in % of reading falls to nothing at zero; digits that only such a point asks for help nobody.
        self.width = max(float(known.min()), float(known.max()) / 10) if len(known) else math.nan
        self.width_pct = 100 * self.width / evaluation.output_span
        self.is_constant = bool(len(known) == len(widths) > 0 and known.max() - known.min() <= 1e-9 * known.max())
        fallback = evaluation.output_span / 1000
        self.level_decimals = decimals_for(self.width if math.isfinite(self.width) else fallback)
        self.pct_decimals = decimals_for(self.width_pct if math.isfinite(self.width_pct) else 0.1)
        reach = float(evaluation.visits["input"].abs().max()) if len(evaluation.visits) else math.nan
        share_pct = self.width_pct if math.isfinite(self.width_pct) else 0.5
        self.input_decimals = decimals_for(reach * share_pct / 100)

    def level(self, value: float) -> str:
        """A level in the unit of the output."""
        return fixed(value, self.level_decimals, minus=self.minus)

    def given(self, value: float) -> str:
        """A level in the unit of the input."""
        return fixed(value, self.input_decimals, minus=self.minus)

    def level_pct(self, value: float) -> str:
        """A size in % of span."""
        return fixed(value, self.pct_decimals, minus=self.minus)

    def error(self, value: float) -> str:
        """A difference in the unit of the output, with sign."""
        return fixed(value, self.level_decimals, minus=self.minus, is_signed=True)

    def error_pct(self, value: float) -> str:
        """A difference in % of span, with sign."""
        return fixed(value, self.pct_decimals, minus=self.minus, is_signed=True)

    def uncertainty(self, value: float) -> str:
        """An expanded uncertainty in the unit of the output: decimals of a level, more where it needs them."""
        needs = 1 - math.floor(math.log10(value)) if math.isfinite(value) and value > 0 else 0
        return fixed(value, min(max(self.level_decimals, needs), _MOST_DECIMALS), minus=self.minus)

    def spread(self, value: float) -> str:
        """A standard deviation in the unit of the output, one decimal more than levels."""
        return fixed(value, min(self.level_decimals + 1, _MOST_DECIMALS), minus=self.minus)


def uncertainty_text(figure: Figure, *, minus: str = MINUS) -> str:
    """Expanded uncertainty of a figure to two digits; "" where it is not known."""
    return "" if figure.U is None or not math.isfinite(figure.U) else significant(figure.U, minus=minus)


def figure_text(figure: Figure, style: NumberStyle) -> tuple[str, str]:
    """Value and standard uncertainty of a figure as text, to the same decimals; "" where there is none.

    With an uncertainty it has two digits and the value as many decimals; in % of span the tolerance gives them.
    """
    if figure.value is None:
        return "", ""
    has_u = figure.u is not None and math.isfinite(figure.u) and figure.u > 0
    if has_u:
        assert figure.u is not None
        decimals = min(max(1 - math.floor(math.log10(figure.u)), 0), 12)
        return fixed(figure.value, decimals, minus=style.minus), fixed(figure.u, decimals)
    if figure.unit == "% of span":
        is_signed = figure.name not in _MAGNITUDES
        return fixed(figure.value, style.pct_decimals, minus=style.minus, is_signed=is_signed), ""
    if figure.value and math.isfinite(figure.value) and abs(figure.value) < 1e-4:
        return f"{figure.value:.2e}".replace("-", style.minus), ""
    return f"{figure.value:.4g}".replace("-", style.minus), ""


def weighed(evaluation: Evaluation, *, minus: str = MINUS) -> str:
    """What the worst error was weighed against: U with k and coverage, tolerance there, decision rule."""
    worst, at = evaluation.worst, evaluation.worst_index
    if worst is None or at is None:
        return ""
    unit, style = evaluation.output_unit, NumberStyle(evaluation, minus=minus)
    sign = "±" if minus == MINUS else "+/-"
    allowed = f"tolerance {sign}{style.uncertainty(worst['tolerance'])} {unit}"
    known = evaluation.budget
    if known is None:
        return f"uncertainty not known, {allowed}"
    if not math.isfinite(known.U[at]):
        return f"U not determinable, {allowed}, rule {evaluation.basis.rule}"
    return (
        f"U = {significant(float(known.U[at]))} {unit} (k = {known.k[at]:.2f}, {coverage(known.probability)}), "
        f"{allowed}, rule {evaluation.basis.rule}"
    )


def p_value(p: float) -> str:
    """A p value to two digits, never rounded to nothing; a dash where there is none."""
    if not math.isfinite(p):
        return fixed(None, 0, minus="-")
    return "< 0.0001" if p < 1e-4 else significant(p) if p < 0.995 else "1"


def side_name(name: str, content: Content) -> str:
    """One of two that are compared: "A: GF-104, as found, 2026-01-05 08:00 UTC"."""
    parts = (content.serial or "no serial", content.state, date(content.date), content.sequence)
    return f"{name}: {', '.join(plain(part) for part in parts if part)}"


def compared_answer(compared: Comparison, *, minus: str = MINUS) -> tuple[str, str]:
    """The answer of a comparison as a word, and the largest difference or why there is none."""
    word = compared.result.upper()
    if compared.reason:
        return word, compared.reason
    found = compared.a.content.evaluation
    assert found is not None
    style, worst = NumberStyle(found, minus=minus), compared.worst
    place = f"{as_pct(float(worst['setpoint_pct']), minus=minus)}{way(str(worst['direction']))}"
    return word, f"B less A up to {style.error_pct(worst['difference_pct'])} % of span, at {place}"


def compared_figure(value: float | None, unit: str, style: NumberStyle) -> str:
    """One figure of a comparison, signed where it is one of span."""
    if unit == "% of span":
        return style.error_pct(math.nan if value is None else value)
    return fixed(value, 2 if unit == "s" else 0, minus=style.minus)


def compared_chance(figure: FigureDifference, *, minus: str = MINUS) -> tuple[str, str]:
    """U of the difference of a figure and its p value; dashes where they are not known."""
    U, p = (math.nan if each is None else each for each in (figure.U, figure.p_holm))
    return significant(U, minus=minus), p_value(p)


def compared_tests(compared: Comparison, *, minus: str = MINUS) -> tuple[str, ...]:
    """What the tests of a comparison say, and what they rest on, each in one sentence."""
    found = compared.a.content.evaluation
    assert found is not None
    style = NumberStyle(found, minus=minus)
    said = []
    if not compared.reason:
        said.append(
            f"significant at {compared.different_n} of {compared.tested_n} points; mean of all "
            f"{style.error_pct(compared.mean_pct)} % of span, U {significant(compared.mean_U_pct)} "
            f"(p {p_value(compared.mean_p_holm)})"
        )
        said.append(
            f"overall p {p_value(compared.overall_p)}; all points and their mean tested together, p corrected by Holm, "
            "5 % for any false alarm"
        )
    if compared.result == "no difference found":
        said.append("no difference found is no proof that there is none: ask for equivalence with --within")
    if compared.margin:
        within = int(compared.points["is_within"].sum())
        said.append(
            f"equivalence: |difference| + U within {compared.margin} at {within} of {len(compared.points)} points; "
            "all are wanted"
        )
    said.append(
        "bench: the same instruments, so what they have in common cancels; scatter, settling and resolution remain"
        if compared.is_same_bench
        else "bench: not the same instruments, so nothing cancels"
    )
    return tuple(said)


def enough(trims: Adjustment, evaluation: Evaluation) -> str:
    """Whether trimming can bring a unit in, in one sentence."""
    if trims.is_enough is None:
        return "Whether that is enough cannot be told: there is no tolerance at some point."
    counted = "with U" if evaluation.worst_U is not None else "U not counted, it is not known"
    if trims.is_enough:
        return f"Zero and span can bring it within the tolerance ({counted})."
    return f"Zero and span cannot bring it within the tolerance ({counted}): what remains is no matter of trimming."


def worst_text(evaluation: Evaluation, *, minus: str = MINUS, has_U: bool = True) -> str:
    """The worst reading: error in output unit with U, % of span, share of tolerance, place; "" if none is judged."""
    worst = evaluation.worst
    if worst is None:
        return ""
    style = NumberStyle(evaluation, minus=minus)
    U = worst.get("U", math.nan)
    uncertain = f" (U {significant(U, minus=minus)})" if has_U and math.isfinite(U) else ""
    return (
        f"{style.error(worst['error'])} {evaluation.output_unit}{uncertain}, "
        f"{style.error_pct(worst['error_pct'])} % of span, {percent_used(worst['used_pct'])} % of the tolerance, "
        f"at {as_pct(worst['setpoint_pct'], minus=minus)}{way(worst['direction'])}"
    )


def headline(content: Content, *, minus: str = MINUS, has_U: bool = True) -> str:
    """What stands beside the verdict: the worst reading; a failing stage first where end to end all is within.

    A verdict that is not determinable is no matter of the worst reading, so there stands why.
    """
    found = content.evaluation
    if found is None:
        return content.reason
    worst = worst_text(found, minus=minus, has_U=has_U)
    if not worst or found.verdict.result == "not determinable":
        return found.verdict.reason
    failed = [stage for stage in found.stages if stage.result == "fail" and stage.worst_pct is not None]
    if failed and found.worst is not None and not is_out(found.worst["used_pct"]):
        stage = max(failed, key=lambda each: abs(each.worst_pct or 0.0) / (each.tolerance_pct or 1.0))
        share = 100 * (stage.worst_pct or 0.0) / (stage.tolerance_pct or math.nan)
        return (
            f'stage "{stage.name}" {fixed(stage.worst_pct, 3, minus=minus, is_signed=True)} % of span, '
            f"{percent_used(share, minus=minus)} % of its own tolerance"
        )
    if found.verdict.result == "fail" and found.worst is not None and not is_out(found.worst["used_pct"]):
        return found.verdict.reason  # out where no share of a tolerance says so
    return f"worst {worst}" + (f"; {found.verdict.accepted}" if found.verdict.accepted else "")


def ordered(points: pd.DataFrame) -> pd.DataFrame:
    """Points as they are shown: setpoints ascending, at each of them up before down."""
    if points.empty:
        return points
    rank = points["direction"].map({"": 0, "up": 1, "down": 2})
    return points.assign(rank=rank).sort_values(["setpoint_pct", "point", "rank"]).drop(columns="rank")


def set_points(fractions: list[float], *, minus: str = MINUS) -> str:
    """Setpoints in % as a short list; an even grid is shortened: "0, 10 .. 100 %"."""
    places = sorted({round(100 * each, 6) for each in fractions})
    texts = [as_pct(each, minus=minus).removesuffix(" %") for each in places]
    steps = {round(after - before, 4) for before, after in pairwise(places)}
    if len(places) > 4 and len(steps) == 1:
        return f"{texts[0]}, {texts[1]} .. {texts[-1]} %"
    if len(places) > 14:
        return f"{len(places)} places, {texts[0]}, {texts[1]}, {texts[2]} .. {texts[-1]} %"
    return f"{', '.join(texts)} %"


def duration(seconds: float) -> str:
    """A time as people say it: "45 s", "6 min 5 s", "1 h 12 min"."""
    if not math.isfinite(seconds):
        return "not known"
    whole = max(round(seconds), 0)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60} s" if whole % 60 else f"{whole // 60} min"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


def date(text: str) -> str:
    """An ISO date and time as "2026-01-05 08:00 UTC"; any other text as it is."""
    try:
        found = datetime.fromisoformat(text)
    except ValueError:
        return text
    zone = found.tzname() or ""
    return f"{found:%Y-%m-%d %H:%M} {zone}".strip()


def plain(text: str) -> str:
    """Text from outside without control characters, line breaks as blanks: it cannot move a terminal's cursor."""
    return visible(" ".join(text.split()))
