"""What usually makes each kind of noise, and what to check next: trade practice, in words."""

from sequencer.diagnosis.noise.averaging import Averaging
from sequencer.diagnosis.noise.burst import BurstNoise, DriveEffect, DriveLine, NoiseKind

__all__ = ["CAUSES", "CHECKS", "averaging_words", "drive_words", "line_words", "noise_words"]

_LIKELY = 0.1  # a kind with less weight than that is not worth a line

_CARRIER_Hz = 4000.0  # an ordinary carrier of a drive, for the example in the words
_MOST_AHEAD = 100  # times what was measured; further than that nothing is foretold

CAUSES: dict[NoiseKind, str] = {
    "white noise": "what the electronics have anyway; nothing is picked up",
    "quantisation flicker": "whole pulses counted in a gate, or the last digit of a display or converter",
    "mains pickup": "a supply, transformer or cable beside mains; an integration that is no whole number of cycles",
    "periodic disturbance": "a carrier, a rotating part or a control loop, or one of them seen as an alias",
    "bursts to one side": "spikes of an inverter, contactor or switching supply",
    "intermittent contact": "a terminal, crimp or connector that opens for moments",
    "drift": "warming, or an input that is still on its way",
    "warm-up": "the unit or the bench has not warmed through, or the point had not settled",
    "slow wander": "air and temperature, a ground loop, or a filter that joins neighbouring readings",
    "unknown": "something, but nothing that is known here",
}
CHECKS: dict[NoiseKind, str] = {
    "white noise": "average more readings, or a longer integration, if it is too much",
    "quantisation flicker": "change the gate time: the step scales with 1 / gate; averaging many gates resolves it",
    "mains pickup": "integrate whole mains cycles: it collapses; then shield one end, other route",
    "periodic disturbance": "read at another interval: a true frequency stays, an alias moves",
    "bursts to one side": "read with the drive off, then enabled at zero speed; shield one end, other route",
    "intermittent contact": "tap and flex each terminal while reading; make the connection again",
    "drift": "read the same point again in half an hour",
    "warm-up": "wait five time constants and read again",
    "slow wander": "read at a quarter of the rate: a filter's memory shrinks in readings, a wander stays in seconds",
    "unknown": "record it faster (livezero trace), change one thing at a time",
}


def noise_words(noise: BurstNoise) -> tuple[str, ...]:
    """Sentences: the kind with its sizes, what else it may be, what is left, cause and check."""
    best = noise.best
    said = [f"{best.kind} ({100 * best.weight:.0f} %): {best.words}"]
    others = [f"{each.kind} ({100 * each.weight:.0f} %)" for each in noise.kinds[1:] if each.weight >= _LIKELY]
    if others:
        said.append(f"or {', '.join(others)}")
    if noise.is_more:
        said.append("and something more beside it, that is not white noise")
    if best.kind in {"intermittent contact", "bursts to one side"}:
        said.append(f"averaging does not help; the median is {noise.best_value:.6g} {noise.unit}")
    return (*said, f"cause: {CAUSES[best.kind]}", f"check: {CHECKS[best.kind]}")


def averaging_words(averaging: Averaging, *, unit: str, span: float | None = None, target_pct: float = 0.01) -> str:
    """What a mean is worth, and, where the span is known, how many readings bring it below a target in % of it."""

    def worth(deviation: float) -> str:
        share = "" if span is None else f" ({100 * deviation / span:.2g} % of span)"
        return f"{deviation:.2g} {unit}".rstrip() + share

    said = f"one reading is good to {worth(averaging.deviation[0])}"
    if averaging.best_n > 1:
        said += f", the mean of {averaging.best_n} to {worth(min(averaging.deviation))}"
    needed = None if span is None else averaging.needed_n(target_pct / 100 * span)
    if needed is not None and 1 < needed <= _MOST_AHEAD * averaging.means_n[-1]:
        time_s = needed * averaging.interval_s
        said += f"; averaging {needed} readings ({time_s:.2g} s) brings it below {target_pct:g} %"
    if averaging.is_falling:
        return said + "; more would help further"
    return said + (f"; beyond {averaging.best_n} readings drift takes over" if averaging.deviation[0] > 0 else "")


def drive_words(effect: DriveEffect) -> str:
    """What the drive adds."""
    ratio = f"{effect.ratio:.2g}" if effect.ratio < 10 else f"{effect.ratio:.0f}"
    if effect.is_louder:
        return f"with the drive on the noise is {ratio} times as large: it comes from the drive"
    if effect.is_unclear:
        return f"with the drive on the noise is {ratio} times as large, which may be chance: take more readings"
    return f"with the drive on the noise is no larger ({ratio} times): it does not come from the drive"


def line_words(line: DriveLine) -> tuple[str, ...]:
    """What a line that comes with the drive may be, honest about its alias, and how to tell."""
    reading_Hz = 1 / line.interval_s
    turns = max(round(_CARRIER_Hz / reading_Hz), 1)
    above_Hz, below_Hz = (turns * reading_Hz + sign * line.rate_Hz for sign in (1, -1))
    mains = f"{line.mains} of mains" if line.mains else "none of the first ten harmonics of mains"
    said = (
        f"the line at {line.rate_Hz:.3g} Hz comes with the drive (off: {100 * line.left:.0f} % of it), where {mains} "
        "would appear too: most likely the carrier of its pulse-width modulation, seen as an alias. "
        f"{reading_Hz:.4g} readings a second show n x {reading_Hz:.4g} ± {line.rate_Hz:.3g} Hz alike for every n, such "
        f"as {below_Hz:.5g} and {above_Hz:.5g} Hz: which one it is, they cannot tell"
    )
    check = (
        "check: read at another interval, where an alias moves; change the carrier frequency at the drive, and the "
        "line moves with it; record it faster (livezero trace); then shielded motor cable, output filter, other route"
    )
    return said, check
