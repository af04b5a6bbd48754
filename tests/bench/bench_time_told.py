"""Time told by a plan against the time its run takes, for every ready sequence: python tests/bench/bench_time_told.py

"simulated": in process, on virtual time, where an exchange takes none. "served": the same bench behind real sockets, a
short sequence in real time. "again" is told once more after the run, from its record. Taken is from the start of the
run to its last reading on virtual time, to its end on the served bench.
"""

import argparse
import tempfile
import time
from pathlib import Path

from instruments.roles import Question
from sequencer import core
from sequencer.running.events import Closed

READY = Path(__file__).parents[2] / "sequences"
SEARCHES = """\
sequence: searches on a pulse rate converter
type sheet: {types}/pulse-to-current.yaml
steps:
  - dead band: {{step: 0.05 %, most: 1 %}}
  - resolution: {{step: 0.05 %, most: 1 %}}
"""
SHORT = """\
sequence: short acceptance of a voltage to current converter
type sheet: {types}/voltage-to-current.yaml
steps:
  - exercise: {{cycles: 1}}
  - traverse: {{points: 6, cycles: 1, readings: 3, end pair: yes}}
  - capture: {{at: [50 %], readings: 50}}
"""


class Yes:
    """Confirms every caution: the served bench hurts nobody."""

    def ask(self, question: Question) -> str:  # noqa: ARG002
        return "yes"


def said(name: str, told_s: float, taken_s: float, again_s: float) -> None:
    """A line of the table; deviations are of the time taken."""
    off = " ".join(f"{each:9.1f} {100 * (each / taken_s - 1):+6.0f} %" for each in (told_s, again_s))
    print(f"{name:40} {taken_s:9.1f} {off}", flush=True)


def told_again(sequence: str | Path, bench: object, results: Path) -> float:
    """The time told with the records of `results`; as without them where this livezero knows of none."""
    try:
        return core.plan(sequence, bench, results=results).estimate_s
    except TypeError:
        return core.plan(sequence, bench).estimate_s


def simulated(sequence: str | Path, folder: Path, name: str) -> None:
    """On virtual time, from the first exchange to the last reading."""
    planned = core.plan(sequence, "simulated")
    results = folder / name
    result = core.run(planned, serial="bench", results=results, operator=Yes())
    assert result.outcome.status == "complete", result.outcome
    taken_s = float(result.record.readings["at_s"].max())
    said(name, planned.estimate_s, taken_s, told_again(sequence, "simulated", results))


def served(sequence: Path, folder: Path) -> None:
    """Over sockets, in real time."""
    with core.simulate(sequence, core.load_bench("simulated")) as bench:
        path = folder / "served.yaml"
        path.write_text(bench.bench_text)
        planned = core.plan(sequence, path)
        results = folder / "served"
        begin_s = time.perf_counter()
        ended_s: list[float] = []

        def listen(event: object) -> None:
            if isinstance(event, Closed):  # the report comes after it
                ended_s.append(time.perf_counter())

        result = core.run(planned, serial="bench", results=results, operator=Yes(), listener=listen)
        assert result.outcome.status == "complete", result.outcome
        taken_s = ended_s[0] - begin_s
        said("short, served", planned.estimate_s, taken_s, told_again(sequence, path, results))


def main() -> None:
    """Print a line a sequence."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", default="", help="only sequences whose name contains this")
    options = parser.parse_args()
    print(f"{'sequence':40} {'taken s':>9} {'told s':>9} {'off':>8} {'again s':>9} {'off':>8}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        short = folder / "short.yaml"
        short.write_text(SHORT.format(types=READY / "types"))
        searches = folder / "searches.yaml"
        searches.write_text(SEARCHES.format(types=READY / "types"))
        for path in (*sorted(READY.glob("*.yaml")), short, searches):
            if options.only in path.stem:
                simulated(path, folder, path.stem)
        if options.only in "served":
            served(short, folder)


if __name__ == "__main__":
    main()
