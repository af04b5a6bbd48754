"""What the index costs: records indexed against their journals read, and the history of a unit against plain SQL.

python tests/bench/bench_index.py [RECORDS] [ROWS]

The records are those of the smallest run that judges anything: 5 points, up and down, 2 readings. Each ratio is of one
run, in time of the processor; files were read before, so that neither side waits for the disk. Reading a journal is
what livezero does with one: its lines parsed and held to what a run writes; "parsed alone" is `json.loads` of them.
"""

import json
import random
import shutil
import sqlite3
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import made_records
import numpy as np
from sqlalchemy import event, insert, text

from sequencer.index.database import Database, sqlite_of
from sequencer.index.filters import Filters
from sequencer.index.frames import Frames
from sequencer.index.looking import build, look
from sequencer.index.models import Figure, Place, Record
from sequencer.journal.lines import run_lines

SCALED_TO = 100_000


def seconds(what):
    start_s = time.process_time()
    found = what()
    return time.process_time() - start_s, found


def best_s(what, times):
    return min(seconds(what)[0] for _ in range(times))


def indexing(folder, records_n, lines_n=None):
    results = folder / f"of-{lines_n or 'all'}"
    names = made_records.many(results, records_n, lines_n=lines_n)
    journals = [results / name / "journal.jsonl" for name in names]
    kB = sum(each.stat().st_size for each in journals) / 1e3 / records_n
    for path in results.rglob("*"):
        if path.is_file():
            path.read_bytes()
    read_s, _ = seconds(lambda: [list(run_lines(each)) for each in journals])
    parse_s, _ = seconds(lambda: [[json.loads(line) for line in each.open("rb")] for each in journals])
    database = Database.of(results)
    with database.reading():
        pass  # made, as it is once
    index_s, found = seconds(lambda: build(database, results))
    assert found.read_n == records_n
    assert not found.wrong
    look_s, _ = seconds(lambda: look(database, results))
    scale = SCALED_TO / records_n
    print(f"\n{records_n} records with journals of {kB:.0f} kB; for {SCALED_TO} of them multiply by {scale:g}")
    print(f"{'journals read, as livezero does':34} {read_s:8.2f} s")
    print(f"{'journals parsed alone':34} {parse_s:8.2f} s")
    print(f"{'indexed':34} {index_s:8.2f} s   {index_s / read_s:.2f} of read, {index_s / parse_s:.2f} of parsed alone")
    print(f"{'looked at, nothing new':34} {look_s:8.2f} s")
    shutil.rmtree(results)


def fill(database, results, records_n, figures_n):
    """Records of units "U-0", "U-1" ..., thirty of each, in the order of no unit."""
    with database.writing() as connection:
        connection.execute(insert(Place), [{"uuid": "x", "host": "", "path": str(results), "log_bytes": 0}])
        empty = {column.name: "" for column in Record.__table__.columns if column.name != "id"}
        numbers = {"place_id": 1, "changed_ns": 0, "addenda_bytes": 0, "journal_bytes": 0, "output_span": 16.0}
        begin = datetime(2010, 1, 1)  # noqa: DTZ001  as the index has it
        order = random.Random(1).sample(range(records_n), records_n)
        for first in range(0, records_n, 5000):
            rows = [
                empty
                | numbers
                | {"serial": f"U-{each % (records_n // 30)}", "serial_key": f"u-{each % (records_n // 30)}"}
                | {"folder": f"f{each}", "started_at": begin + timedelta(hours=each), "revision": 1}
                | {"is_simulated": False, "type": f"type {each % 40}", "verdict": "pass", "condition": "whole"}
                for each in order[first : first + 5000]
            ]
            connection.execute(insert(Record), rows)
            numbers_of = range(first + 1, first + len(rows) + 1)
            limits = {"U": 0.01, "low": None, "high": None, "limit_low": -0.2, "limit_high": 0.2}
            figures = [
                {"record_id": record, "number": number, "stage": "", "figure": f"figure {number}", "value": 0.1}
                | {"unit": "% of span", "verdict": "", **limits}
                for record in numbers_of
                for number in range(1, figures_n + 1)
            ]
            connection.execute(insert(Figure), figures)
    with sqlite3.connect(sqlite_of(results)) as plain:
        plain.execute("analyze")
    plain.close()


def history(folder, rows_n):
    """The history of one unit among a million figures."""
    results = folder / "million"
    results.mkdir()
    database = Database.of(results)
    records_n, figures_n = rows_n // 16, 16
    fill(database, results, records_n, figures_n)

    def ours():
        found = Frames(database, Filters(serial="U-17"))
        return found.records, found.figures

    of_unit = "where r.serial_key = 'u-17' order by"
    sql_records = f"select r.*, p.path from records r join places p on p.id = r.place_id {of_unit} started_at"
    sql_figures = f"select f.* from figures f join records r on r.id = f.record_id {of_unit} f.record_id, f.number"

    def raw():
        connection = sqlite3.connect(sqlite_of(results))
        found = connection.execute(sql_records).fetchall(), connection.execute(sql_figures).fetchall()
        connection.close()
        return found

    import pandas as pd

    def raw_frames():
        connection = sqlite3.connect(sqlite_of(results))
        found = [pd.read_sql_query(each, connection) for each in (sql_records, sql_figures)]
        found[0]["started_at"] = pd.to_datetime(found[0]["started_at"], utc=True)
        connection.close()
        return found

    def core():
        with database.reading() as connection:
            return [connection.execute(text(each)).all() for each in (sql_records, sql_figures)]

    asked = statements_of(database, ours)

    def same():
        connection = sqlite3.connect(sqlite_of(results))
        found = [connection.execute(*each).fetchall() for each in asked]
        connection.close()
        return found

    records, figures = ours()
    assert len(figures) == 16 * len(records) == len(raw()[1]), (len(records), len(figures))
    ours_s, raw_s, frames_s, core_s, same_s = (best_s(each, 40) for each in (ours, raw, raw_frames, core, same))
    rows = [same()[-1], same()[-2]]
    alone_s = best_s(lambda: [pd.DataFrame(each) for each in rows], 40)
    print(
        f"\nhistory of one unit ({len(records)} records, {len(figures)} figures) among {records_n} records, "
        f"{records_n * figures_n} figures"
    )
    print(f"{'two tidy frames':34} {1e3 * ours_s:8.2f} ms")
    print(f"{'plain SQL into frames (pandas)':34} {1e3 * frames_s:8.2f} ms   {ours_s / frames_s:.2f}")
    print(f"{'plain SQL, rows alone, SQLAlchemy':34} {1e3 * core_s:8.2f} ms   {ours_s / core_s:.2f}")
    print(f"{'plain SQL, rows alone, sqlite3':34} {1e3 * raw_s:8.2f} ms   {ours_s / raw_s:.2f}")
    print(f"{'the SQL that is asked here, sqlite3':34} {1e3 * same_s:8.2f} ms   {ours_s / same_s:.2f}")
    print(f"{'DataFrame(rows) of those rows alone':34} {1e3 * alone_s:8.2f} ms")


def statements_of(database, what):
    """The statements that something sends, with what is bound to them."""
    sent = []

    def hear(*given):
        _, _, statement, bound, *_ = given
        if statement.lower().startswith("select"):
            sent.append((statement, bound))

    with database.reading() as connection:
        engine = connection.engine
    event.listen(engine, "before_cursor_execute", hear)
    what()
    event.remove(engine, "before_cursor_execute", hear)
    return sent


def main():
    records_n = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    rows_n = int(sys.argv[2]) if len(sys.argv) > 2 else 1_000_000
    with tempfile.TemporaryDirectory() as folder:
        indexing(Path(folder), records_n)
        indexing(Path(folder), records_n, lines_n=200)
        history(Path(folder), rows_n)


if __name__ == "__main__":
    np.seterr(all="raise")
    main()
