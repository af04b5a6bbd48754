"""Every number of judgement of the model in one place: what is ordinary, what is probable, when what is tried.

None of them comes from a standard. Where nothing else is said, a number is trade practice, written from memory, and was
kept because `tests/bench/bench_findings.py` (its default seed, 6 units of each cause and 60 good ones) named the most
causes and raised the fewest alarms with it; no run of it is kept for one number alone. Change one, run the benchmark
before and after, and compare "right first", "good units with a finding above 50 %" and the table of weights.

`*_share` is a part of the tolerance unless said otherwise, `*_frac` of the span, `*_sds` a count of standard
deviations, `*_nats` a difference of log probabilities. How common a cause is stands in its row (`causes/`), how common
a kind of noise in its module (`noise/kinds/`). Sizes of grids, counts of steps and guards against a division by zero
stand where they are used.
"""

import math
from dataclasses import dataclass
from typing import TypeAlias

__all__ = ["PRIORS", "Priors"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Good:
    """What a good unit does of itself, one standard deviation of each, as shares of its tolerance (trade practice)."""

    zero: float = 0.25
    """Zero error: a maker adjusts to a quarter of what is allowed, so that it still holds after a year."""
    span: float = 0.25
    """Span error: adjusted together with zero, and left as far."""
    bow: float = 0.12
    """One arch between the ends: adjustment leaves it, so it takes half of what zero and span do."""
    lens: float = 0.12
    """Hysteresis, up against down, at mid-range."""
    s_shape: float = 0.06
    """An S between the ends: what is left of a curve once its bow is trimmed."""
    any_shape: float = 0.03
    """Whatever else is smooth over the range: no bow is a parabola."""
    drift: float = 0.05
    """From the middle of a run to its end."""
    to_go: float = 0.05
    """What was left to go when it was read: settling is waited for to a tenth of the tolerance, two deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """What a good bench does of itself."""

    source_frac: float = 0.001
    """Tolerance of the source, of its signal's range: a calibrator in order is at least as good."""
    set_by_hand_frac: float = 0.005
    """The same where a person sets it: what it gave is read, so that nobody sets it to the last digit."""
    noisy_share: float = 1 / 3
    """Scatter of single readings up to here is ordinary: six deviations of it fill the tolerance."""
    any_scale: float = 1.5
    """Scatter up to so many times what was expected is ordinary whatever the tolerance: few readings tell no better."""
    least_part: float = 40.0
    """The mean of a visit is never believed to better than this part of the tolerance: no model is."""
    read_once_part: float = 20.0
    """The same on top, of readings that were taken once each: nothing tells their scatter."""
    coarse_share: float = 0.4
    """What is written coarser than this is a fault of its own, not an ordinary resolution."""
    moving_widths: float = 3.0
    """Error of the mean of a visit that still moved, in deviations of its readings: it moves on after the last one."""
    to_go_share: float = 0.1
    """The error still to go counts up to here; what is more is a lag, to be explained."""
    to_go_sds: float = 3.0
    """A bound of the error still to go, in standard deviations."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Readings:
    """Which readings of a visit count."""

    gross_frac: float = 0.005
    """Nearer to the middle of its visit than this no reading is an outlier."""
    gross_sds: float = 8.0
    """Nor nearer than this; of normal readings one in 10^15 lies beyond."""
    gross_least_n: int = 3
    """Of fewer readings none can be told to be the odd one."""
    gross_visit_share: float = 0.5
    """Where at least this part of a visit is far out, none of it is an outlier."""
    gross_run_share: float = 0.2
    """Where more than this part of all readings is far out, it is the scatter itself."""
    moving_sds: float = 4.0
    """A visit still moves if it goes all one way and scatters by this many times the usual."""
    moving_share: float = 0.15
    """Where this part of the visits moves, moving is no exception, and a lag explains it."""
    moving_n: int = 4
    """Fewer readings go all one way by chance, one visit in three of three readings."""
    farthest_frac: float = 1e4
    """Beyond any slip of the decimal point; further out only arithmetic suffers."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Levels:
    """Where an output is held."""

    level_frac: float = 0.0008
    """Readings on one level lie at least so far apart: the resolution of common converters with some noise."""
    level_share: float = 0.3
    """The same as a share of the tolerance: nearer ones are one level for the verdict too."""
    level_sds: float = 4.0
    """The same in deviations of a visit: hardly a reading of the level lies beyond."""
    farthest_frac: float = 0.2
    """Beyond its range an output is held at most so far out (NE 43: 3.6 to 21 mA, with room for older units)."""
    step_share: float = 0.25
    """A step of the input that is small beside the tolerance: what a good unit's own error moves it by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Steps:
    """Levels in steps."""

    narrowest: float = 0.7
    """Steps narrower than this share of the tolerance are ordinary: half of one is a third of what is allowed."""
    shown_share: float = 0.9
    """Of the last digit that was written: no step is narrower than this."""
    off_tolerance: float = 0.2
    """What a good unit does behind them takes readings so far off, root mean square, as a share of the tolerance."""
    off_least: float = 0.05
    """Of a step: readings so near are on it, whatever the tolerance."""
    off_exact: float = 0.02
    """Of a step: readings so near are on it, and no other step has them nearer."""
    off_most: float = 0.1
    """Of a step, whatever the tolerance: readings that lie anywhere are a third of one off."""
    beside: float = 0.5
    """Where the first step may lie beside the end of the range, as a share of the tolerance: zero of a good unit."""
    uneven: float = 0.6
    """From one setpoint to the next so many steps more or fewer are passed than before it, where they are uneven."""
    uneven_share: float = 0.1
    """So many of the moves are at least."""
    edge_tolerance: float = 0.3
    """A good unit goes from step to step so near the edge, as a share of the tolerance."""
    edge_step: float = 0.15
    """The same as a share of a step, where that is less."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Scatter:
    """How far scatter may lie from what is expected, and what sizes of it are believed."""

    log_width: float = 0.8
    """One standard deviation of the logarithm of the scatter of means: a factor of 2.2 either way."""
    loose_log_width: float = 2.5
    """The same of noise of a kind that is not named: a factor of 12."""
    slack: float = 1.05
    """Scatter that is expected is ordinary up to so much more: one step of the grid of scales must fit."""
    noisy_too_nats: float = -4.0
    """Log probability that beside a cause the readings scatter by more than is ordinary: one unit in fifty."""
    least_part: float = 1000.0
    """Scatter below this part of the tolerance is not believed."""
    read_once_part: float = 100.0
    """The same of readings that were taken once each: they say little of it."""
    least_frac: float = 1e-7
    """Nor scatter below this, whatever the tolerance: no meter resolves it."""
    again_share: float = 0.5
    """Where more than this part of the visits that are out is out again at the same place, it goes with the place."""
    finer_share: float = 0.11
    """Of a step: a last digit below this is finer, with room for rounding, and no meter of such steps shows it."""
    rounded_share: float = 0.95
    """Of the readings, so many must lie within what rounding explains: the others may be slips."""
    widest_tolerances: float = 30.0
    """Noise is summed over up to here: beyond it nobody would take a measurement for one."""
    wider: float = 1.5
    """The largest scatter that is summed over is at least so many times the smallest."""
    stands_out_sds: float = 6.0
    """A reading stands out of the others beyond so many deviations; of normal ones one in 10^9 does."""
    open_frac: float = 0.05
    """One reading alone so far outside the range is that of an open loop: no unit and no spike leaves it there."""
    beneath_slack: float = 1.2
    """Beneath a disturbance: up to so many times the scatter of the middle half of the readings."""
    beneath_least: float = 2.0
    """The same, in smallest scatters that are believed, where the middle half stands still."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """The unit's own zero and span errors, taken off before its noise is named."""

    nats: float = 6.0
    """What fitting both costs: each is found to about a twentieth of what it may be, so twice ln 20."""
    far_sds: float = 2.0
    """Readings further off weigh less, by Huber's rule."""
    least_part: float = 100.0
    """The spread about the line is never believed to be less than this part of the tolerance."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Roughly:
    """One way in which an equation holds only in the main."""

    share: float
    """What it is off, one standard deviation, as a share of its largest effect."""
    odds: float
    """How often it is off so much."""
    most: float = math.inf
    """That, at most, in tolerances."""
    by_visit: float = 0.01
    """How much of that differs from visit to visit, as a share of it."""


Rough: TypeAlias = tuple[Roughly, ...]
"""How roughly an equation holds."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """How a cause is fitted, and what it costs to be vague or small."""

    small_share: float = 0.6
    """A cause whose largest effect is less than this is hardly a reason for anything."""
    small_power: float = 10.0
    """It is rarer by this power of how much less: half of it is a thousand times rarer."""
    smaller_power: float = 8.0
    """The same of a size below the smallest one that its row gives."""
    misfit_scale: float = 1.5
    """Where a cause leaves so many times the scatter that was expected, its equation may hold only in the main."""
    exact: Rough = (Roughly(share=0.03, odds=0.15), Roughly(share=0.1, odds=0.1, most=0.5))
    """How a fault strays from its equation: little of it always may be, and more where it is within the tolerance."""
    rough: Rough = (Roughly(share=0.03, odds=0.3), Roughly(share=0.1, odds=0.15))
    """The same of one whose equation stands for many shapes: a curve, play, a limit; as much as it comes to."""
    rough_in_time: Rough = (*rough, Roughly(share=0.003, odds=0.2, by_visit=1.0))
    """The same of one that follows the clock: what it is off differs from visit to visit too."""
    smooth_length: float = 0.3
    """Over which part of the range what is strayed by changes."""
    smooth_way: float = 1.0
    """How much of that is not alike up and down, as a share of what is."""
    hopeless_nats: float = 500.0
    """A candidate of one cause that lies so far below its best one is not polished."""
    far_nats: float = 60.0
    """A cause so far below the best one is not searched again: no sizes make up for it."""
    tie_nats: float = 1.0
    """Candidates of a step as good as this are alike, and the middle one is taken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Amplified:
    """Where a cause amplifies, or holds, what a good unit does before it."""

    singular: float = 2.0
    """A gain beyond so many times the usual one is that of a jump or of a root at zero: no size of it is believed."""
    least_gain: float = 1.05
    """A usual gain below this changes nothing."""
    edge_share: float = 0.2
    """At an edge: one side answers less than this part of the other."""
    edge_step: float = 0.3
    """The other side answers at least so much, in steps of the input."""
    flat_step: float = 0.1
    """Held: neither side answers more than this, in steps of the input."""
    back_share: float = 0.1
    """After it was held the output may be off by this part of its way back."""
    back_sds: float = 5.0
    """The same only where it is off by so many deviations."""
    behind_share: float = 0.08
    """Zero of what comes after the place that is held, and is not held with it; less than half of all zero error."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Trying:
    """When an explanation is worth trying."""

    tiny_effect: float = 0.5
    """What accounts for less than this share of the tolerance is never why a unit failed."""
    near_share: float = 0.6
    """Errors below this are those of a good unit, unless something else says that it is sick."""
    sick_nats: float = 6.0
    """Evidence for noise, or for something unknown, from which on causes are tried: odds of 400 to 1."""
    loosest_frac: float = 0.2
    """Within a tolerance as wide as this part of the span causes do not differ."""
    hopeless_sds: float = 300.0
    """What a cause leaves beyond this is no noise: it explains nothing, and is no likelier for leaving less of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Unknown:
    """Readings that follow nothing known."""

    weight: float = 0.5
    """Prior weight of it among causes: the catalogue holds what is common."""
    stranger_nats: float = -3.0
    """Log probability that what looks like noise alone is something unknown: one in twenty."""
    log_width: float = 2.0
    """One standard deviation of the logarithm of its scatter: nothing tells how much it has."""
    beside_weight: float = 0.1
    """The same beside a cause of the catalogue: two at once, and one of them unknown, is rare."""
    beside_sizes: tuple[float, ...] = (1.0, 3.0, 10.0)
    """How large it is beside a cause, in tolerances."""
    beside_lengths: tuple[float, ...] = (0.15, 0.4)
    """Over which parts of the range it changes there."""
    way_share: float = 0.5
    """A curve of its own for each way, as a share of the one that both have."""
    parameters_n: int = 12
    """What it is said to take: the coefficients of its curves, seven and five."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Weights:
    """Prior weights among causes of what has no row; 1 = as common as most causes."""

    noise: float = 1.0
    """Noise of a kind that is not named."""
    instrument: float = 1.0
    """What reads a tap between two others, wrong in a way that no cause describes."""
    slip: float = 2.0
    """A slip of one number, in readings that a person wrote down: people slip more often than units fail."""
    column: float = 2.0
    """A slip in a whole column, there."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Pairs:
    """Two causes at once."""

    rarer: float = 0.02
    """How often a second cause stands beside a first one."""
    least_effect: float = 1.0
    """Beside scatter a cause must account for this share of the tolerance: else it is what scatter does to means."""
    beneath_in_time: float = 0.03
    """Beside one that follows the clock nothing is seen that is smaller than this part of its effect."""
    beneath_share: float = 0.01
    """Beside a cause that stands for many shapes nothing is seen that is smaller than this part of its effect."""
    apart_share: float = 0.3
    """First causes whose predictions lie nearer than this are tried once: a second one would join both alike."""
    same_nats: float = 0.05
    """Second causes as near as this are one equation under two names, and one is fitted."""
    trim_frac: float = 0.15
    """One deviation of zero or span, of the span, beside a cause outside the unit: as far as their own rows go."""
    as_good_nats: float = 5.0
    """By other names either of two is tried that fits so nearly as well beside the other one."""
    gain_nats: float = 0.5
    """Both are fitted in turn until a turn gains less than this."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chain:
    """What is wrong at several places of a chain."""

    another: float = 0.1
    """How often another place is wrong beside a first one: chains are tried as they are found."""
    besides_n: int = 4
    """So many faults of the stages around a misread tap are tried beside it: the likeliest."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Transcription:
    """Slips of a person who writes readings down."""

    failure_frac: float = 0.008
    """An output so far below its range is what an open loop gives, or a unit that signals a failure, and is no slip."""
    same_frac: float = 2e-5
    """Readings nearer than this are the same number: below the last digit of common meters."""
    off_frac: float = 0.1
    """A whole column is doubted where the output is off by so much in the middle: few faults go so far."""
    left_frac: float = 0.05
    """And only a slip that leaves less than this is named: half of what is doubted."""
    as_input_frac: float = 0.02
    """Setpoints that agree with the input to this were taken from it, and go along with its slip."""
    setpoint_frac: float = 0.02
    """A setpoint is doubted where the input lies farther off: no source is set that badly."""
    agree_sds: float = 6.0
    """A row agrees with the others within so many of their deviations."""
    beside_frac: float = 0.1
    """No input was meant farther beside the range than this."""
    digits_tolerances: float = 10.0
    """A factor is believed where the last digit is worth no more than so many tolerances with it."""
    disorder_nats: float = 5.0
    """Cost of an input out of the order of the others, and of one off their even steps: one row in 150."""
    alike_nats: float = 3.0
    """Slips that are within this of the likeliest, one to twenty, are named beside it: only the notes tell."""
    grid_share: float = 0.5
    """Inputs that cover so much of the range, and do not leave it, were set on purpose: their column is right."""
    suspects_n: int = 8
    """Rows that are looked into, the farthest first."""
    most_n: int = 5
    """Slips in one table that are named: with more of them it is to be written anew."""
    another_nats: float = 2.0
    """Cost of each slip after the first: one table in seven with a slip has a second one."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Priors:
    """All of them, by what they are about; each part says what its numbers are and why."""

    good: Good = Good()
    bench: Bench = Bench()
    readings: Readings = Readings()
    levels: Levels = Levels()
    steps: Steps = Steps()
    scatter: Scatter = Scatter()
    line: Line = Line()
    fitting: Fitting = Fitting()
    amplified: Amplified = Amplified()
    trying: Trying = Trying()
    unknown: Unknown = Unknown()
    weights: Weights = Weights()
    pairs: Pairs = Pairs()
    chain: Chain = Chain()
    transcription: Transcription = Transcription()


PRIORS = Priors()
"""The ones that are used."""
