"""What is said of periods that scatter by more than hash and sampling make."""

import math

from instruments.texts import sized
from sequencer.diagnosis.noise.pulses import PulseTrain
from sequencer.diagnosis.trace_words import Finding
from sequencer.diagnosis.traced import TraceResult

__all__ = ["of_jitter"]

_USUAL_PCT = 1.0  # a wheel and a pickup that are sound keep less (common practice, no source)
_OVER = 1.4  # times what hash and sampling make
_ADDS_UP, _BY_ITSELF = 0.4, 0.1  # of the jitter; what lies between is not told


def of_jitter(train: PulseTrain, result: TraceResult) -> list[Finding]:
    """Periods that scatter from pulse to pulse, about the speed and whatever pattern is told."""
    known_pct = math.hypot(_by_hash_pct(train, result), train.jitter_floor_pct)
    is_uneven = train.wheel is not None and bool(train.wheel.weak_at or train.wheel.missing_at)
    if train.jitter_pct < max(_USUAL_PCT, _OVER * known_pct) or train.bounce is not None or is_uneven:
        return []
    pulses_n = max(train.rate_Hz, 1.0)
    mean_pct = math.hypot(train.adding_up_pct / math.sqrt(pulses_n), train.jitter_pct / pulses_n)
    share = train.adding_up_pct / train.jitter_pct
    adds_up = share > _ADDS_UP
    how = "; it adds up: the speed itself is unsteady" if adds_up else ""
    if share < _BY_ITSELF:
        how = f"; each edge is off by itself, and a count over {sized(pulses_n / train.rate_Hz)} s by "
        how += f"{sized(mean_pct, 1)} % from it"
    elif adds_up:
        how += f", and a count over {sized(pulses_n / train.rate_Hz)} s scatters by {sized(mean_pct, 1)} % from it"
    return [
        Finding(
            what=f"jitter: the period scatters by {sized(train.jitter_pct, 2)} % (sd) from pulse to pulse, of which "
            f"hash and sampling make {sized(known_pct, 1)} %{how}",
            cause="a speed that is not steady: load, belt, coupling, regulation"
            if adds_up
            else "play of wheel, shaft or coupling, a pickup that shakes, or electronics that delays edges unevenly",
            check=f"less than {_USUAL_PCT:g} % is usual; what times single periods shows all of it: take means over "
            "more of them, over whole revolutions of a wheel",
        )
    ]


def _by_hash_pct(train: PulseTrain, result: TraceResult) -> float:
    """What hash displaces both edges of a period by, % of it."""
    return 0.0 if result.hash is None else 100 * math.sqrt(2) * result.hash.shifts_s / train.period_s
