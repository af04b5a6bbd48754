"""What is said of the noise of a burst, of averaging and of the drive, in words."""

import math

from instruments.texts import sized
from sequencer.diagnosis.noise.averaging import Averaging
from sequencer.diagnosis.noise.burst import LIKELY, BurstNoise
from sequencer.diagnosis.noise.drive import DriveEffect, DriveLine
from sequencer.diagnosis.noise.kinds import KINDS_BY_NAME
from sequencer.diagnosis.noise.kinds.pink import LONGER

__all__ = ["averaging_words", "drive_words", "line_words", "noise_words"]

_CARRIER_Hz = 4000.0  # an ordinary carrier of a drive, for the example in the words
_MOST_PCT = 99
# What the interval is of, where not of the mean without end.
_OVER = {
    "drift": "over this time it is on average",
    "warm-up": "over this time it is on average",
    "1/f noise": f"a mean over {LONGER} times as long would give",
}
_FEW_N, _ENOUGH_N = 80, 200  # readings; own draws
_MOST_AHEAD = 100  # times what was measured; further than that nothing is predicted


def noise_words(noise: BurstNoise) -> tuple[str, ...]:
    """Sentences: the kind, or two, with sizes, what else it may be, what is left, cause and check."""
    best, second = noise.best, noise.second
    if math.isfinite(noise.least_s):
        maybe = [each.kind for each in noise.kinds[1:] if each.weight >= LIKELY]
        longer = f"record longer: at least {sized(noise.least_s)} s"
        return (
            f"too little to tell a kind of noise: what moves does so once in the record; {longer}",
            *((f"it may be {', '.join(maybe)}",) if maybe else ()),
            "cause: one edge, hump or ring: what comes once may be of any kind",
            f"check: {longer}, so that it comes again several times",
        )
    said = [f"{best.kind} ({_share(best.weight)}): {best.words}"]
    if second is not None:
        said.append(f"and {second.kind} beside it ({_share(second.weight)}): {second.words}")
    others = [
        f"{each.kind} ({_share(each.weight)})"
        for each in noise.kinds[1:]
        if each.weight >= LIKELY and (second is None or each.kind != second.kind)
    ]
    if others:
        said.append(f"or {', '.join(others)}")
    if noise.is_more:
        said.append("and something more beside it, that is not white noise")
    if noise.readings_n < _FEW_N:
        said.append(f"{noise.readings_n} readings are few: {_ENOUGH_N} tell kinds apart")
    told = [KINDS_BY_NAME[each.kind] for each in (best, second) if each is not None]
    is_known = math.isfinite(noise.U_best)
    level = _level_words(noise)
    if any(kind.spoils_the_mean for kind in told):
        said.append(
            f"averaging does not help; {'without what is thrown or lost' if is_known else 'the median is'} {level}"
        )
    elif any(kind.has_long_tails for kind in told):
        said.append(f"the median is the better middle: {level}")
    elif is_known and "truly" not in best.words:
        over = next((_OVER[kind.name] for kind in told if kind.name in _OVER), "truly")
        said.append(f"{over} {level}")
    if noise.range_words:
        said.append(noise.range_words)
    return (
        *said,
        f"cause: {'; and '.join(kind.cause for kind in told)}",
        f"check: {'; and '.join(kind.check for kind in told)}",
    )


def _level_words(noise: BurstNoise) -> str:
    """The best value, to the digits of its 95 % interval where it has one."""
    if not 0 < noise.U_best < math.inf:
        return f"{sized(noise.best_value, 6)} {noise.unit}".rstrip()
    digits = max(1 - math.floor(math.log10(noise.U_best)), 0)
    return f"{noise.best_value:.{digits}f} ± {sized(noise.U_best, 2)} {noise.unit}".rstrip() + " (95 %)"


def _share(weight: float) -> str:
    """A weight in %; never all, since no readings rule everything else out."""
    return f"{min(math.floor(100 * weight + 0.5), _MOST_PCT)} %"


def averaging_words(averaging: Averaging, *, unit: str, span: float | None = None, target_pct: float = 0.01) -> str:
    """What a mean is worth, and, where the span is known, how many readings bring it below a target in % of it."""

    def worth(deviation: float) -> str:
        share = "" if span is None else f" ({sized(100 * deviation / span, 2)} % of span)"
        return f"{sized(deviation, 2)} {unit}".rstrip() + share

    said = f"one reading is good to {worth(averaging.sd)}"
    if averaging.best_n > 1:
        said += f", the mean of {averaging.best_n} to {worth(min(averaging.deviation))}"
    needed = None if span is None else averaging.needed_n(target_pct / 100 * span)
    if needed is not None and 1 < needed <= _MOST_AHEAD * averaging.means_n[-1]:
        time_s = needed * averaging.interval_s
        said += f"; averaging {needed} readings ({sized(time_s, 2)} s) brings it below {target_pct:g} %"
    if averaging.sd == 0:
        return said
    if averaging.is_falling:
        return said + "; more would help further"
    after = f"beyond {averaging.best_n} readings " if averaging.best_n > 1 else ""
    if averaging.is_flat:
        return said + f"; {after}the mean gets no better: more readings do not help"
    return said + f"; {after}drift takes over"


def drive_words(effect: DriveEffect, *, unit: str = "", flickers: bool = False) -> str:
    """What the drive adds; `flickers`: the readings are on neighbouring levels, which they leave or not by chance."""
    off, on = (f"{sized(each, 4)} {unit}".rstrip() for each in effect.levels)
    if effect.is_by_level:
        return (
            f"with the drive off the level is {off}, and on {on}: the noise may go with it, and is not compared; "
            "hold the level by a source in place of what the drive turns, and capture both again"
        )
    if flickers and (effect.is_louder or effect.is_unclear):
        return (
            f"with the drive on the readings scatter {_ratio(effect)} times as much, which the step alone can do: "
            "between two levels they flicker, on one they rest; compare at a place where both flicker"
        )
    ratio = _ratio(effect)
    if effect.is_louder:
        level = (
            f" (the level, {off} and {on}, makes {sized(effect.by_level, 2)} at most)" if effect.by_level > 1 else ""
        )
        return f"with the drive on the noise is {ratio} times as large{level}: it comes from the drive"
    if effect.is_unclear:
        return f"with the drive on the noise is {ratio} times as large, which may be chance: take more readings"
    return f"with the drive on the noise is no larger ({ratio} times): it does not come from the drive"


def _ratio(effect: DriveEffect) -> str:
    return sized(effect.ratio, 2) if effect.ratio < 10 else f"{effect.ratio:.0f}"


def line_words(line: DriveLine) -> tuple[str, ...]:
    """What a line that comes with the drive may be, honest about its alias, and how to tell."""
    reading_Hz = 1 / line.interval_s
    turns = max(round(_CARRIER_Hz / reading_Hz), 1)
    above_Hz, below_Hz = (turns * reading_Hz + sign * line.rate_Hz for sign in (1, -1))
    mains = f"{line.mains} of mains" if line.mains else "none of the first ten harmonics of mains"
    said = (
        f"the line at {sized(line.rate_Hz)} Hz comes with the drive (off: {100 * line.left:.0f} % of it), "
        f"where {mains} would appear too: most likely the carrier of its pulse-width modulation, seen as an alias. "
        f"{sized(reading_Hz, 4)} readings a second show n x {sized(reading_Hz, 4)} ± {sized(line.rate_Hz)} Hz "
        f"alike for every n, such as {sized(below_Hz, 5)} and {sized(above_Hz, 5)} Hz: which one it is, "
        "they cannot tell"
    )
    check = (
        "check: read at another interval, where an alias moves; change the carrier frequency at the drive, and the "
        "line moves with it; record it faster (livezero trace); then shielded motor cable, output filter, other route"
    )
    return said, check
