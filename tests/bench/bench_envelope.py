"""The envelope of a type over very many records, against the same query by hand.

python tests/bench/bench_envelope.py [RECORDS]      300000 unless given

Records are drawn by DuckDB straight into Parquet, 22 errors and 3 figures each, of 2000 units and two types. By hand:
the sums a unit at each point, as one would write them for this question, nothing else. Printed: time of both, their
ratio (at most 1.5 is promised), the largest relative difference of the sums, memory.
"""

import resource
import statistics
import sys
import tempfile
import time
from pathlib import Path

import duckdb
import numpy as np

from sequencer.history.envelope import envelope
from sequencer.history.parquet import Store

UNITS_N = 2000
REPEATS = 5
TYPE = "type 0 (invented)"
BY_HAND = """
    WITH a AS (
      SELECT e.setpoint_pct, e.direction, r.serial, e.record, count(*) n, avg(e.error) m,
             var_pop(e.error) * count(*) ss, avg(e.U) u, max(e.tolerance_pct) tol
      FROM read_parquet('{errors}') e JOIN read_parquet('{records}') r USING (record)
      WHERE r.type = '{type}' AND r.condition = 'whole' AND r.status IN ('complete', 'by hand') AND e.stage = ''
      GROUP BY ALL),
    b AS (
      SELECT setpoint_pct, direction, serial, sum(n) n, sum(n * m) / sum(n) m, count(*) k, sum(ss) ss,
             sum(n * m * m) - sum(n * m) ^ 2 / sum(n) sb, sum(n * n) q, avg(u) u, max(tol) tol
      FROM a GROUP BY ALL)
    SELECT * FROM b ORDER BY ALL
"""
FIGURES_BY_HAND = """
    SELECT f.stage, f.figure, f.unit, r.serial, count(*) n, avg(f.value) m, var_pop(f.value) * count(*) sb, avg(f.U) u
    FROM read_parquet('{figures}') f JOIN read_parquet('{records}') r USING (record)
    WHERE r.type = '{type}' AND r.condition = 'whole' AND r.status IN ('complete', 'by hand')
    GROUP BY ALL ORDER BY ALL
"""


def drawn(folder: Path, records_n: int) -> None:
    """So many records as Parquet."""
    make = duckdb.connect()
    make.execute("SELECT setseed(0.5)")
    records = f"""SELECT i AS record, 'S' || (i % {UNITS_N}) AS serial, 'type ' || (i // {UNITS_N} % 2)
        || ' (invented)' AS type, 'as found' AS state, 'pass' AS verdict, 'complete' AS status, 'whole' AS condition,
        'bench' AS bench, TIMESTAMP '2026-01-05' AS started_at FROM range({records_n}) t(i)"""
    errors = f"""SELECT i AS record, '' AS stage, d AS direction, s * 10.0 AS setpoint_pct,
        0.05 * sin(i % {UNITS_N}) + 0.01 * (random() - 0.5) AS error, 0.02 AS U, 0.2 AS tolerance_pct,
        1 AS cycle FROM range({records_n}) t(i), range(11) p(s), (VALUES ('up'), ('down')) w(d)"""
    figures = f"""SELECT i AS record, '' AS stage, f AS figure, '% of span' AS unit, random() AS value,
        0.01 AS U, NULL::DOUBLE AS limit_high FROM range({records_n}) t(i),
        (VALUES ('zero error'), ('span error'), ('hysteresis')) w(f)"""
    for name, text in (("records", records), ("errors", errors), ("figures", figures)):
        make.execute(f"COPY ({text}) TO '{folder / f'{name}-1.parquet'}' (FORMAT parquet)")


def by_hand(folder: Path):
    """The same sums, by one query each."""
    names = {name: str(folder / f"{name}-1.parquet") for name in ("errors", "records", "figures")}
    connection = duckdb.connect()
    points = connection.execute(BY_HAND.format(**names, type=TYPE)).df()
    return points, connection.execute(FIGURES_BY_HAND.format(**names, type=TYPE)).df()


def by_livezero(folder: Path):
    """The whole envelope: sums, components, intervals, outliers, proposal."""
    with Store(folder) as store:
        points = store.points(TYPE)
        return points, envelope(TYPE, points, store.figures(TYPE), records_n=store.records_n(TYPE))


def timed(question, folder: Path) -> float:
    """Seconds of one go."""
    begun = time.perf_counter()
    question(folder)
    return time.perf_counter() - begun


def main() -> None:
    records_n = int(sys.argv[1]) if len(sys.argv) > 1 else 300_000
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        drawn(folder, records_n)
        by_hand(folder), by_livezero(folder)  # the files are in memory, the modules loaded
        pairs = [(timed(by_hand, folder), timed(by_livezero, folder)) for _ in range(REPEATS)]
        (hand, _), (own, found) = by_hand(folder), by_livezero(folder)
    names = {"n": "n", "m": "mean", "k": "parts_n", "ss": "within_parts", "sb": "between_parts", "q": "counts_squared"}
    far = max(
        float(
            np.max(
                np.abs(hand[one].to_numpy() - own[other].to_numpy()) / np.maximum(np.abs(own[other].to_numpy()), 1e-3)
            )
        )
        for one, other in names.items()
    )
    ratio = statistics.median(own_s / hand_s for hand_s, own_s in pairs)
    print(
        f"{records_n} records, {22 * records_n} errors, {found.units_n} units of the type in {found.records_n} records"
    )
    print(f"by hand  {statistics.median(pair[0] for pair in pairs):.2f} s")
    print(
        f"livezero {statistics.median(pair[1] for pair in pairs):.2f} s, ratio {ratio:.2f} (median of {REPEATS} pairs)"
    )
    print(f"largest difference of the sums {far:.1e}")
    print(f"memory at most {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3:.0f} MB")


if __name__ == "__main__":
    main()
