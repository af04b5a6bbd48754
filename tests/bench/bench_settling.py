"""How late, how often wrong, and how costly the settling rule is, on simulated units: `--runs 4000` for the full table.

Levels are in tolerances, times in nominal time constants. A first-order lag after a step of 100 to 5000 (log-uniform),
time constant within 30 % of nominal, unknown dead time to 0.3, a reading each 0.1, unless the cell says otherwise.

ratio: mean of the time declared over the ideal one, from which on the true error stays within the tolerance.
false: the true error leaves the tolerance after the time declared. Default seeds: not those of tuning.
"""

import argparse
import math
import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from sequencer.inputs.settling_rule import SettlingRule
from sequencer.running.settling import Settling, State
from sequencer.running.settling_history import Pace

Shape = Callable[[np.ndarray], np.ndarray]
IDLE = SettlingRule(band=1.0, time_constant_s=1.0, minimum_s=0.0, maximum_s=1.0)
FINE_S = np.arange(0, 60, 0.005)


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What is simulated; `kind` names the shape of the error after the step."""

    name: str
    kind: str = "lag"
    sd: float = 0.5
    quantum: float = 0.5
    every: float = 0.1
    tau: tuple[float, float] = (0.7, 1.3)
    dead: tuple[float, float] = (0.0, 0.3)
    minimum: float = 0.5
    tail: float | None = None
    is_tau_known: bool = True
    before_n: int = 0


CELLS = [
    Cell(name="clean s=.2 q=.2", sd=0.2, quantum=0.2),
    Cell(name="s=1 q=.5", sd=1.0),
    Cell(name="s=3 q=.5", sd=3.0),
    Cell(name="s=.3 q=2", sd=0.3, quantum=2.0),
    Cell(name="s=0 q=0", sd=0.0, quantum=0.0),
    Cell(name="time constant right, s=1 q=.5", sd=1.0, tau=(1.0, 1.0)),
    Cell(name="time constant not told, s=.5", is_tau_known=False),
    Cell(name="dead time 3, told", dead=(3.0, 3.0), minimum=3.0),
    Cell(name="a reading each 0.5, s=.2", sd=0.2, every=0.5),
    Cell(name="a reading each 2, s=.2", sd=0.2, every=2.0),
    Cell(name="ripple of 3 in 30 % of runs", kind="ripple"),
    Cell(name="ramp over 10, then the lag", kind="ramp"),
    Cell(name="oscillating s=.5", kind="oscillating"),
    Cell(name="oscillating s=2", kind="oscillating", sd=2.0),
    Cell(name="slow pole, 2 % at 5", kind="slow"),
    Cell(name="slow pole, declared", kind="slow", tail=5.0),
    Cell(name="lag 3 times nominal", tau=(3.0, 3.0)),
    Cell(name="learnt in this run, s=1 q=.5", sd=1.0, before_n=3),
    Cell(name="learnt, not told, s=.5", is_tau_known=False, before_n=3),
    Cell(name="learnt, a reading each 2, s=.2", sd=0.2, every=2.0, before_n=3),
    Cell(name="a reading each 1, s=.5", every=1.0),
    Cell(name="a reading each 2, s=.5", every=2.0),
    Cell(name="a reading each 2, oscillating", sd=0.2, every=2.0, kind="oscillating"),
    Cell(name="a reading each 1, oscillating", sd=0.2, every=1.0, kind="oscillating"),
    Cell(name="a reading each 0.5, oscillating", sd=0.2, every=0.5, kind="oscillating"),
    Cell(name="a reading each 2, ramp over 10", sd=0.2, every=2.0, kind="ramp"),
    Cell(name="a reading each 2, lag 3 times nominal", sd=0.2, every=2.0, tau=(3.0, 3.0)),
    Cell(name="learnt, a reading each 2, s=.5", every=2.0, before_n=3),
    Cell(name="learnt, a reading each 2, oscillating", sd=0.2, every=2.0, kind="oscillating", before_n=3),
    Cell(name="learnt, a reading each 1, oscillating", sd=0.2, every=1.0, kind="oscillating", before_n=3),
    Cell(name="a reading each 2, dead time to 2", sd=0.2, every=2.0, dead=(0.0, 2.0)),
    Cell(name="a reading each 5, s=.2", sd=0.2, every=5.0),
    Cell(name="a reading each 5, oscillating", sd=0.2, every=5.0, kind="oscillating"),
    Cell(name="a reading each 5, ramp over 10", sd=0.2, every=5.0, kind="ramp"),
    Cell(name="a reading each 5, lag 3 times nominal", sd=0.2, every=5.0, tau=(3.0, 3.0)),
    Cell(name="a reading each 5, dead time to 2", sd=0.2, every=5.0, dead=(0.0, 2.0)),
]


def shape(cell: Cell, rng: np.random.Generator) -> Shape:
    """Error after the step, as a share of it, over the time since the dead time."""
    tau = rng.uniform(*cell.tau)
    if cell.kind == "oscillating":
        wd = math.sqrt(1 / rng.uniform(0.2, 0.6) ** 2 - 1)
        return lambda t: np.exp(-t / tau) * (np.cos(wd * t / tau) + np.sin(wd * t / tau) / wd)
    if cell.kind == "slow":
        share = 0.02 * math.e  # five time constants slow: 2 % are left of it after 5
        return lambda t: (1 - share) * np.exp(-t / tau) + share * np.exp(-t / 5 / tau)
    if cell.kind == "ramp":  # the response of a lag to a ramp that stops after 10
        return lambda t: np.where(
            t < 10,
            1 - (t - tau + tau * np.exp(-t / tau)) / 10,
            tau / 10 * (np.exp(-np.maximum(t - 10, 0) / tau) - np.exp(-t / tau)),
        )
    return lambda t: np.exp(-t / tau)


def run(cell: Cell, rng: np.random.Generator) -> tuple[float, float, bool, State, float]:
    """Time declared, ideal time, false, state, and seconds of computing per reading."""
    pace, error = Pace(), shape(cell, rng)
    for _ in range(cell.before_n):
        change(cell, rng, error, pace)
    return change(cell, rng, error, pace)


def change(cell: Cell, rng: np.random.Generator, error: Shape, pace: Pace) -> tuple[float, float, bool, State, float]:
    """One change of the setpoint, from where it stands, of which the pace learns; as `run`."""
    pace.move()
    step, dead = math.exp(rng.uniform(math.log(100), math.log(5000))), rng.uniform(*cell.dead)
    outside = np.abs(step * error(FINE_S)) > 1
    ideal = dead + FINE_S[np.flatnonzero(outside)[-1]]
    t = cell.every * np.arange(1, math.ceil(60 / cell.every))
    came_to = rng.uniform(0, 10)
    if (stood_at := pace.rule(IDLE).stood_at) is not None:
        came_to += step + stood_at
    level = came_to - step * error(np.maximum(t - dead, 0)) + cell.sd * rng.standard_normal(t.size)
    if cell.kind == "ripple" and rng.random() < 0.3:
        begin, length, period = rng.uniform(0, 10), rng.uniform(1, 3), rng.uniform(0.3, 2)
        level += 3 * np.sin(2 * math.pi * t / period) * ((t > begin) & (t < begin + length))
    if cell.quantum:
        level = np.round(level / cell.quantum) * cell.quantum
    stated = SettlingRule(
        band=1.0,
        time_constant_s=1.0 if cell.is_tau_known else 0.0,
        minimum_s=cell.minimum,
        dead_time_s=dead if cell.minimum > 1 else 0.0,
        maximum_s=59.0,
        resolution=cell.quantum,
        tail_s=cell.tail,
    )
    settling = Settling(pace.rule(stated))
    begin_s = time.process_time()
    for at_s, value in zip(t.tolist(), level.tolist(), strict=True):
        if settling.add(at_s, value) is not State.MOVING:
            break
    settled = settling.settled()
    used_s = (time.process_time() - begin_s) / len(settled.trace)
    pace.learn(stated, settled)
    return settled.after_s, ideal, bool(outside[settled.after_s - dead <= FINE_S].any()), settled.state, used_s


def line_fit_s() -> float:
    """Seconds for one straight line through 60 readings with numpy, the yardstick of the cost."""
    x = np.arange(60.0)
    begin_s = time.process_time()
    for _ in range(1000):
        np.polyfit(x, x, 1)
    return (time.process_time() - begin_s) / 1000


def main() -> None:
    """Print a line a cell."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--runs", type=int, default=200, help="runs a cell")
    parser.add_argument("--seed", type=int, default=20261, help="the first seed; each cell takes the next")
    parser.add_argument("--cell", default="", help="only cells whose name contains this")
    options = parser.parse_args()
    yardstick_s = line_fit_s()
    print(f"{options.runs} runs a cell; cost of a reading in line fits of 60 readings, {1e6 * yardstick_s:.0f} us each")
    print(f"{'cell':38} {'ratio':>6} {'p95':>6} {'max':>6} {'false':>6} {'not steady':>11} {'cost':>5} {'us':>4}")
    for number, cell in enumerate(CELLS):
        if options.cell not in cell.name:
            continue
        rng = np.random.default_rng(options.seed + number)
        after, ideal, false, state, used_s = zip(*(run(cell, rng) for _ in range(options.runs)), strict=True)
        ratio, cost_s = np.array(after) / np.array(ideal), float(np.mean(used_s))
        print(
            f"{cell.name:38} {ratio.mean():6.3f} {np.quantile(ratio, 0.95):6.2f} {ratio.max():6.2f} {sum(false):6}"
            f" {sum(s is not State.STEADY for s in state):11} {cost_s / yardstick_s:5.2f} {1e6 * cost_s:4.0f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
