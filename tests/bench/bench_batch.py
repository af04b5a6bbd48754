"""Bench time of sixteen units that the source drives together against that of one, on virtual time.

Prints a line a sequence: how long one unit and sixteen take, the ratio, and the least that it can be with one meter:
each of the others has to be connected once at each point, and read as often as the sequence asks; what reads the input
is read while the units settle. Same bench, same seed; the time is that of the last reading. So the ratio falls with the
time a point settles and rises with its readings. Exits with 1 if one is beyond 1.3.
"""

import contextlib
import sys
import tempfile
from pathlib import Path

from instruments.bench import open_bench
from sequencer import core
from sequencer.jobs.nobody import Nobody
from sequencer.journal.together import Journals
from sequencer.journal.writer import Journal
from sequencer.planning.plan import Plan
from sequencer.running.events import ReadingTaken
from sequencer.running.loop import Unit, run_units

BOUND = 1.3
SEQUENCES = ("pt100-to-current", "thermocouple-k-to-current", "pulse-to-current")
UNITS_N = 16


def bench_time_s(planned: Plan, units_n: int, folder: Path) -> float:
    """Time of the last reading of a run with so many units."""
    bench = open_bench(
        planned.bench,
        sheet=planned.sheet,
        wires=planned.wires,
        limits=planned.limits,
        operator=Nobody(),
        tell=lambda _: None,
    )
    with bench, contextlib.ExitStack() as stack:
        units: list[Unit] = []
        ends_s = [0.0]

        def told(event: object) -> None:
            if isinstance(event, ReadingTaken):
                ends_s.append(bench.clock.now())

        for place in range(1, units_n + 1):
            journal = stack.enter_context(Journal(folder / f"{units_n}-{place}.jsonl"))
            units.append(Unit(serial=f"A{place}", journal=journal, listener=told, place=place))
        journal = units[0].journal if units_n == 1 else Journals([each.journal for each in units])
        began_s = bench.clock.now()
        outcomes = run_units(planned, bench, units, operator=Nobody(), journal=journal, listener=told)
        assert all(outcome.status == "complete" for outcome in outcomes), outcomes[0]
        return max(ends_s) - began_s


def least(planned: Plan, one_s: float) -> float:
    """The ratio below which no order of scanning comes."""
    takes_s = planned.bench.descriptions["meter"].functions["current"].takes
    scanner = planned.bench.descriptions["scanner"].connects
    assert scanner is not None
    each_s = [scanner.takes + takes_s * point.setpoint.readings_n for point in planned.points if point.setpoint.is_read]
    return 1 + (UNITS_N - 1) * sum(each_s) / one_s


def main() -> int:
    """Measure every sequence; returns the exit code."""
    is_beyond = False
    print(f"{'sequence':28} {'one, s':>9} {f'{UNITS_N}, s':>9} {'ratio':>7} {'least':>7}")
    for name in sys.argv[1:] or SEQUENCES:
        planned = core.plan(name, "simulated-batch")
        with tempfile.TemporaryDirectory() as folder:
            one_s, all_s = (bench_time_s(planned, units_n, Path(folder)) for units_n in (1, UNITS_N))
        ratio, floor = all_s / one_s, least(planned, one_s)
        is_beyond |= ratio > BOUND
        print(f"{name:28} {one_s:9.0f} {all_s:9.0f} {ratio:7.2f} {floor:7.2f}", flush=True)
    print("BEYOND" if is_beyond else "within", BOUND)
    return int(is_beyond)


if __name__ == "__main__":
    sys.exit(main())
