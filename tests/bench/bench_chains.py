"""Faults in two stages of a chain that was read at every tap: whether both places and both causes are named.

The units are made here from fractions of the ranges, with no code of the package: an equation a stage, normal noise, a
few digits. Tables as a person types them. `--seed` draws other noise.
"""

import argparse
import itertools
import random
import tempfile
from pathlib import Path

from sequencer.core import load
from sequencer.diagnosis.examine import examine
from sequencer.readings.csv_import import from_csv

SHEET = """\
type: tank level chain (invented)
taps:
  - {tap: demand, range: 4 .. 20 mA}
  - {tap: speed, range: 0 .. 1500 rpm}
  - {tap: pulse, range: 0 .. 3000 Hz}
  - {tap: returned, range: 4 .. 20 mA}
stages:
  - {stage: drive, tolerance: 0.5 % of span}
  - {stage: pickup, pulses per revolution: 120, tolerance: 0.2 % of span}
  - {stage: converter, tolerance: 0.3 % of span}
tolerance: 1 % of span
settling: {minimum: 1 s, maximum: 60 s}
"""
SEQUENCE = "sequence: chain\ntype sheet: chain.yaml\ncautions: [none]\nsteps:\n  - traverse: {points: 11}\n"
FAULTS = {
    "drive": {
        "slip": lambda f: 0.96 * f,
        "zero shift": lambda f: f + 0.02,
        "bow": lambda f: f + 0.12 * f * (1 - f),
    },
    "pickup": {"pulses per revolution wrong": lambda f: f * 110 / 120, "double counting": lambda f: 1.08 * f},
    "converter": {
        "span error": lambda f: 1.03 * f,
        "zero shift": lambda f: f - 0.02,
        "upper range wrong": lambda f: f / 0.8,
        "square root applied": lambda f: max(f, 0.0) ** 0.5,
        "bow": lambda f: f - 0.1 * f * (1 - f),
    },
}
NOISE = {"drive": 2e-4, "pickup": 1e-4, "converter": 1e-4}


def table(wrong, rng):
    rows = ["setpoint [%],demand [mA],speed [rpm],pulse [Hz],returned [mA]"]
    for percent in (*range(0, 101, 10), *range(90, -1, -10)):
        fractions = [percent / 100]
        for stage in FAULTS:
            given = wrong.get(stage, lambda f: f)(fractions[-1]) + rng.gauss(0, NOISE[stage])
            fractions.append(max(given, 0.0) if stage != "converter" else min(given, 1.05))
        demand, speed, pulse, returned = fractions
        rows.append(f"{percent},{4 + 16 * demand:.3f},{1500 * speed:.1f},{3000 * pulse:.1f},{4 + 16 * returned:.3f}")
    return "\n".join(rows)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=3)
    rng = random.Random(parser.parse_args().seed)
    places_n = causes_n = pairs_n = 0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "chain.yaml").write_text(SHEET)
        (folder / "chain-sequence.yaml").write_text(SEQUENCE)
        sheet = load(folder / "chain-sequence.yaml").sheet
        for one, other in itertools.combinations(FAULTS, 2):
            for first, second in itertools.product(FAULTS[one], FAULTS[other]):
                (folder / "t.csv").write_text(table({one: FAULTS[one][first], other: FAULTS[other][second]}, rng))
                found = examine(from_csv(folder / "t.csv", sheet.datasheet(), serial="GF-104"), sheet).findings
                named = {each.place: each.names for each in found.leading}
                has_places = set(named) == {one, other}
                has_causes = first in named.get(one, ()) and second in named.get(other, ())
                pairs_n, places_n, causes_n = pairs_n + 1, places_n + has_places, causes_n + (has_places and has_causes)
                if not (has_places and has_causes):
                    print(f"{one} {first}, {other} {second}: {named}")
    print(f"both places, and no other: {places_n} of {pairs_n}; both causes too: {causes_n} of {pairs_n}")


if __name__ == "__main__":
    main()
