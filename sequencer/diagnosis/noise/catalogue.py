"""What is said of the noise of a burst, of averaging and of the drive, in words."""

from sequencer.diagnosis.noise.averaging import Averaging
from sequencer.diagnosis.noise.burst import LIKELY, BurstNoise
from sequencer.diagnosis.noise.drive import DriveEffect, DriveLine
from sequencer.diagnosis.noise.kinds import KINDS_BY_NAME

__all__ = ["averaging_words", "drive_words", "line_words", "noise_words"]

_CARRIER_Hz = 4000.0  # an ordinary carrier of a drive, for the example in the words
_MOST_AHEAD = 100  # times what was measured; further than that nothing is predicted


def noise_words(noise: BurstNoise) -> tuple[str, ...]:
    """Sentences: the kind with its sizes, what else it may be, what is left, cause and check."""
    best = noise.best
    said = [f"{best.kind} ({100 * best.weight:.0f} %): {best.words}"]
    others = [f"{each.kind} ({100 * each.weight:.0f} %)" for each in noise.kinds[1:] if each.weight >= LIKELY]
    if others:
        said.append(f"or {', '.join(others)}")
    if noise.is_more:
        said.append("and something more beside it, that is not white noise")
    kind = KINDS_BY_NAME[best.kind]
    if kind.spoils_the_mean:
        said.append(f"averaging does not help; the median is {noise.best_value:.6g} {noise.unit}")
    return (*said, f"cause: {kind.cause}", f"check: {kind.check}")


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
