"""Whether the interval of a slope in time holds the truth, over noise that hangs together.

    python tests/bench/bench_drift.py [N]

Noise is drawn by ways that share nothing with the covariances of `drift`: spectra shaped by FFT, sums, recursions.
"""

import sys
from collections.abc import Callable

import numpy as np
from scipy.signal import lfilter

from sequencer.evaluation.figures.drift import drift

Noise = Callable[[np.random.Generator, int], np.ndarray]


def white(rng: np.random.Generator, n: int) -> np.ndarray:
    """Each for itself."""
    return rng.normal(size=n)


def flicker(rng: np.random.Generator, n: int) -> np.ndarray:
    """1/f: a spectrum over a length 16 times as long, of which the first part is taken."""
    many = 16 * n
    rates = np.fft.rfftfreq(many)
    size = np.concatenate(([0.0], rates[1:] ** -0.5))
    drawn = size * (rng.normal(size=len(rates)) + 1j * rng.normal(size=len(rates)))
    return (np.fft.irfft(drawn, many) * np.sqrt(many / 2))[:n]


def walk(rng: np.random.Generator, n: int) -> np.ndarray:
    """Random walk."""
    return np.cumsum(rng.normal(size=n))


def first_order(rng: np.random.Generator, n: int, readings_n: float) -> np.ndarray:
    """White noise through a lag of so many readings."""
    return lfilter([1], [1, -np.exp(-1 / readings_n)], rng.normal(size=n + 2000))[2000:]


KINDS: dict[str, Noise] = {
    "white": white,
    "1/f": flicker,
    "random walk": walk,
    "white + 1/f": lambda rng, n: white(rng, n) + 0.3 * flicker(rng, n),
    "white + random walk beneath it": lambda rng, n: white(rng, n) + 3 / n * walk(rng, n),
    "white + random walk just seen": lambda rng, n: white(rng, n) + 10 / n * walk(rng, n),
    "1/f + random walk": lambda rng, n: flicker(rng, n) + 5 / n * walk(rng, n),
    "lag of 10 readings": lambda rng, n: first_order(rng, n, 10),
}


def main(runs_n: int) -> None:
    """One line for each kind and length: how many intervals hold the truth (95 %), and how many of a plain line."""
    print(f"{'noise':34}{'readings':>9}{'holds':>9}{'plain line':>12}{'length / plain':>16}")
    for n in (30, 200):
        times_s = 60.0 * np.arange(n)
        for name, noise in KINDS.items():
            rng = np.random.default_rng(7)
            held, plain, longer = 0, 0, []
            for _ in range(runs_n):
                values = noise(rng, n)
                found = drift(values, times_s)
                held += abs(found.per_s) <= found.U_per_s
                plain += abs(np.polyfit(times_s, values, 1)[0]) <= 1.96 * found.u_ols_per_s
                longer.append(found.U_per_s / (1.96 * found.u_ols_per_s))
            print(
                f"{name:34}{n:9}{100 * held / runs_n:8.1f} %{100 * plain / runs_n:10.0f} %{np.median(longer):16.1f}",
                flush=True,
            )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 400)
