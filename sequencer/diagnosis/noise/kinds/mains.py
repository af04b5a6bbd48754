"""Mains pickup: a sine at 50 or 60 Hz or a harmonic, which the reading rate may show as an alias."""

import math

import numpy as np

from instruments.texts import sized
from sequencer.diagnosis.noise.fitting import cost, gaussian, show
from sequencer.diagnosis.noise.kinds.kind import Burst, BurstFit, KindOfNoise
from sequencer.diagnosis.noise.kinds.sine import sine_in_run, strongest
from sequencer.diagnosis.noise.sines import alias_Hz, fit_sines, kept_by_aperture, level_beside_sines

__all__ = ["MAINS", "MAINS_OFF"]

MAINS_OFF = 0.004
"""Grids hold 50 and 60 Hz within 0.4 % nearly always."""

# The fundamental, what a rectifier, a saturated transformer or a loop through iron adds to it, and ripple alone.
_HARMONICS = ((1,), (1, 2), (2,), (1, 3), (1, 2, 3))
_LEAST_TURNS = 1.0  # of what is seen, in a burst, that tell an amplitude
_LEAST_KEPT, _MOST_KEPT = 0.05, 0.95  # of an amplitude by the aperture: less is rounding, more is not worth a word
_ALIAS_SHARE = 0.9  # of the true frequency: what is seen below that is said


def _fit_burst(burst: Burst) -> tuple[BurstFit, ...]:
    if np.ptp(burst.y) == 0:
        return ()
    return tuple(fit for nominal_Hz in burst.mains_Hz for fit in _about(burst, nominal_Hz))


def _about(burst: Burst, nominal_Hz: float) -> list[BurstFit]:
    """Each set of harmonics of one grid."""
    y, t = burst.y, burst.t
    tried_n = max(2 * MAINS_OFF * nominal_Hz * burst.length_s, 1.0)
    rate_Hz, _ = strongest(y, t, nominal_Hz * (1 - MAINS_OFF), nominal_Hz * (1 + MAINS_OFF), tried_n)
    fits = []
    for orders in _HARMONICS:
        rates_Hz = tuple(order * rate_Hz for order in orders)
        amplitude, rest = fit_sines(y, t, rates_Hz)
        turns = min(alias_Hz(each, burst.interval_s) for each in rates_Hz) * burst.length_s
        level, U_level = level_beside_sines(y, t, rates_Hz)
        size, is_told = float(amplitude[0]), turns >= _LEAST_TURNS
        tried = math.log(tried_n * len(burst.mains_Hz) * len(_HARMONICS))
        fits.append(
            BurstFit(
                kind="mains pickup",
                log_evidence=gaussian(rest, burst.floor) - cost(1 + 2 * len(orders), len(y)) - tried,
                words=_words(burst, rate_Hz, orders, size if is_told else float(np.ptp(y - rest)) / 2, turns),
                residual=rest,
                size=size if is_told else math.nan,
                mean=level,
                U_mean=U_level if is_told else math.nan,
            )
        )
    return fits


def _words(burst: Burst, rate_Hz: float, orders: tuple[int, ...], amplitude: float, turns: float) -> str:
    first_Hz = orders[0] * rate_Hz
    kept = kept_by_aperture(first_Hz, burst.aperture_s)
    if turns < _LEAST_TURNS:
        # Less than a turn goes with any amplitude that is no less than half of the way it goes.
        return (
            f"near {sized(first_Hz, 4)} Hz, amplitude not determinable, at least about "
            f"{show(amplitude, burst.unit, 2)}: read every {sized(1e3 * burst.interval_s)} ms it goes "
            f"{sized(turns, 2)} of a turn in {sized(burst.length_s)} s; read at another interval, or longer"
        )
    words = f"{sized(first_Hz, 4)} Hz, amplitude {show(amplitude, burst.unit)}"
    if _LEAST_KEPT < kept < _MOST_KEPT:
        whole = show(amplitude / kept, burst.unit)
        words += f" ({whole} before the aperture of {1e3 * burst.aperture_s:g} ms)"
    if len(orders) > 1:
        words += " with " + " and ".join(f"{sized(order * rate_Hz, 4)} Hz" for order in orders[1:])
    seen_Hz = alias_Hz(first_Hz, burst.interval_s)
    if seen_Hz < _ALIAS_SHARE * first_Hz:
        words += f"; read every {sized(1e3 * burst.interval_s)} ms it appears at {sized(seen_Hz)} Hz"
    return words


MAINS = KindOfNoise(
    name="mains pickup",
    cause="a supply, transformer or cable beside mains; an integration that is no whole number of cycles",
    check="integrate whole mains cycles: it collapses; then shield one end, other route",
    fit_burst=_fit_burst,
    fit_run=sine_in_run,
    fault="mains pickup",
)
