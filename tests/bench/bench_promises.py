"""Nothing lost, nobody hurt: what was tried, how often, and what was lost by it.

python tests/bench/bench_promises.py            every row
python tests/bench/bench_promises.py Ctrl disk  rows whose name holds one of these words

A row is a name and a function that takes an empty folder and returns how often it was tried, and in words what was
lost; add one to ROWS. Exits with 1 if anything was lost.
"""

import shutil
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TypeAlias

import injection
import promises_hostile
import promises_left_on
import promises_reaction
import promises_records
import promises_safe
import promises_sockets
import promises_steps

Row: TypeAlias = Callable[[Path], tuple[int, list[str]]]


def swept(kind: str, folder: Path) -> tuple[int, list[str]]:
    """A kind of injection at every place of a whole run of three points, up and down, with end pairs."""
    plan = injection.planned(folder / "files", points=3)
    clean = injection.Trial(plan, folder / "clean", injection.Strike())
    tried_n, lost = 0, []
    for each in injection.injections(clean):
        if each.kind == kind:
            trial = injection.Trial(plan, folder / "results", each.strike)
            tried_n += 1
            lost += [f"at place {each.place}: {what}" for what in injection.broken(trial, each)]
            shutil.rmtree(folder / "results")
    return tried_n, lost


def asked(kind: str, folder: Path) -> tuple[int, list[str]]:
    """A kind of interruption at every question of a run by hand."""
    return injection.asked(folder, injection.AT_QUESTIONS[kind])


ROWS: dict[str, Row] = {
    **{f"{kind}, at every exchange": partial(swept, kind) for kind in injection.AT_EXCHANGES},
    **{f"{kind}, at every event": partial(swept, kind) for kind in injection.AT_EVENTS},
    **{f"{kind}, at every question": partial(asked, kind) for kind in injection.AT_QUESTIONS},
    **{f"{kind}, at every line of the journal": partial(swept, kind) for kind in injection.AT_LINES},
    **promises_records.ROWS,
    **promises_left_on.ROWS,
    **promises_safe.ROWS,
    **promises_hostile.ROWS,
    **promises_reaction.ROWS,
    **promises_sockets.ROWS,
    **promises_steps.ROWS,
}


def main() -> None:
    words = sys.argv[1:]
    chosen = {name: row for name, row in ROWS.items() if not words or any(word in name for word in words)}
    wide = max(map(len, chosen), default=0)
    print(f"{'what was tried':{wide}}  how often  lost  time")
    all_n, all_lost = 0, 0
    for name, row in chosen.items():
        begin_s = time.perf_counter()
        with tempfile.TemporaryDirectory() as folder:
            tried_n, lost = row(Path(folder))
        print(f"{name:{wide}} {tried_n:10} {len(lost):5} {time.perf_counter() - begin_s:4.0f} s", flush=True)
        for what in lost[:5]:
            print(f"    {what}")
        all_n, all_lost = all_n + tried_n, all_lost + len(lost)
    print(f"{'all':{wide}} {all_n:10} {all_lost or 'none':>5}")
    sys.exit(1 if all_lost else 0)


if __name__ == "__main__":
    main()
