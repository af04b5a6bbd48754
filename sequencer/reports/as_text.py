"""Numbers, places, times and text from outside as text, the same in every view. It knows no result.

A page takes the real minus sign, a terminal the hyphen.
"""

import math
from datetime import datetime
from itertools import pairwise

from instruments.texts import visible

__all__ = [
    "DIRECTIONS",
    "MINUS",
    "MOST_DECIMALS",
    "as_pct",
    "counted",
    "coverage",
    "date",
    "decimals_for",
    "dof",
    "duration",
    "fixed",
    "is_out",
    "p_value",
    "percent_used",
    "plain",
    "probability",
    "ratio",
    "set_points",
    "significant",
    "way",
]

MINUS = "−"
DIRECTIONS = {"up": "upscale", "down": "downscale", "": "no direction"}
MOST_DECIMALS = 9
_SHARE = 50  # digits show at least a fiftieth of the tolerance; rounding is then below a hundredth


def decimals_for(width: float) -> int:
    """Decimals that show a fiftieth of a width; 4 where it is not known."""
    if not (math.isfinite(width) and width > 0):
        return 4
    return min(max(math.ceil(-math.log10(width / _SHARE)), 0), MOST_DECIMALS)


def fixed(value: float | None, decimals: int, *, minus: str = MINUS, is_signed: bool = False) -> str:
    """A number with so many decimals; a dash where there is none; zero carries no sign."""
    if value is None or not math.isfinite(value):
        return "–" if minus == MINUS else "-"
    text = f"{abs(value):.{decimals}f}"
    if float(text) == 0:
        return text
    return f"{minus if value < 0 else '+' if is_signed else ''}{text}"


def counted(number: int, what: str) -> str:
    """So many of what is written in the singular: "1 run", "3 runs"."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


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


def p_value(p: float) -> str:
    """A p value to two digits, never rounded to nothing; a dash where there is none."""
    if not math.isfinite(p):
        return fixed(None, 0, minus="-")
    return "< 0.0001" if p < 1e-4 else significant(p) if p < 0.995 else "1"


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
