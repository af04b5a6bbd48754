"""The kinds of noise, a module each: density, fit to a run, fit to a burst, words, usual cause, next check."""

from sequencer.diagnosis.noise.kinds.bursts import BURSTS
from sequencer.diagnosis.noise.kinds.coarse import COARSE
from sequencer.diagnosis.noise.kinds.contact import CONTACT
from sequencer.diagnosis.noise.kinds.double_counting import DOUBLE_COUNTING
from sequencer.diagnosis.noise.kinds.flicker import FLICKER
from sequencer.diagnosis.noise.kinds.held import HELD
from sequencer.diagnosis.noise.kinds.kind import KindOfNoise, NoiseKind
from sequencer.diagnosis.noise.kinds.mains import MAINS
from sequencer.diagnosis.noise.kinds.pink import PINK
from sequencer.diagnosis.noise.kinds.sine import PERIODIC
from sequencer.diagnosis.noise.kinds.slow import DRIFT, WANDER, WARM_UP
from sequencer.diagnosis.noise.kinds.step import STEP
from sequencer.diagnosis.noise.kinds.telegraph import TELEGRAPH
from sequencer.diagnosis.noise.kinds.unknown import UNKNOWN
from sequencer.diagnosis.noise.kinds.white import WHITE

__all__ = ["FAULTS", "KINDS", "KINDS_BY_NAME"]

KINDS: tuple[KindOfNoise, ...] = (
    WHITE,
    FLICKER,
    HELD,
    TELEGRAPH,
    STEP,
    MAINS,
    PERIODIC,
    BURSTS,
    CONTACT,
    DOUBLE_COUNTING,
    DRIFT,
    WARM_UP,
    WANDER,
    PINK,
    UNKNOWN,
)
"""Each kind that a burst may be of, once."""

KINDS_BY_NAME: dict[NoiseKind, KindOfNoise] = {kind.name: kind for kind in KINDS}

FAULTS: tuple[KindOfNoise, ...] = (MAINS, PERIODIC, BURSTS, CONTACT, DOUBLE_COUNTING, FLICKER, COARSE)
"""Each that a run may be of, and that is a fault of a unit or its bench."""
