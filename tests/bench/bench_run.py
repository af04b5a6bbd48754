"""Whole runs on the simulated bench in process: bench time against wall time.

python tests/bench/bench_run.py
"""

import tempfile
import time
from pathlib import Path

from sequencer import core

# A slow unit: three cycles of eleven points, up and down, take about half an hour of bench time.
SLOW_TYPE = """\
type: damped pulse rate converter (invented)
input: {range: 0 .. 1000 Hz, limits: 0 .. 1200 Hz}
output: {range: 4 .. 20 mA}
tolerance: 0.2 % of span
time constant: 4 s
settling: {minimum: 8 s, maximum: 120 s}
"""
SLOW_SEQUENCE = """\
sequence: three cycles of a damped converter
type sheet: slow.type.yaml
steps:
  - exercise: {cycles: 3}
  - traverse: {points: 11, cycles: 3, readings: 5}
"""


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "slow.type.yaml").write_text(SLOW_TYPE)
        (folder / "slow.yaml").write_text(SLOW_SEQUENCE)
        print(f"{'sequence':28} {'points':>6} {'bench time':>11} {'wall time':>10} {'ratio':>7}  verdict")
        for sequence in (folder / "slow.yaml", "pulse-to-current", "glycol-pump-loop", "pt100-to-current"):
            start_s = time.perf_counter()
            result = core.run(core.plan(sequence, "simulated"), serial="bench", results=folder / "results")
            wall_s = time.perf_counter() - start_s
            bench_s = float(result.record.readings["at_s"].max())
            assert result.evaluation is not None
            print(
                f"{Path(sequence).stem:28} {len(result.evaluation.visits):6} {bench_s / 60:7.1f} min "
                f"{wall_s:8.2f} s {bench_s / wall_s:7.0f}  {result.evaluation.verdict.result}"
            )


if __name__ == "__main__":
    main()
