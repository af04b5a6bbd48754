"""`livezero --help` against `python -c "import json, argparse"`, the best of several starts of each, in one run.

python tests/bench/bench_startup.py
"""

import subprocess
import sys
import time

RUNS_N = 20


def best_s(*arguments: str) -> float:
    """The shortest of several starts: the machine's noise only ever adds."""
    found = []
    for _ in range(RUNS_N):
        start_s = time.perf_counter()
        subprocess.run([sys.executable, *arguments], stdout=subprocess.DEVNULL, check=True)
        found.append(time.perf_counter() - start_s)
    return min(found)


def main() -> None:
    base_s = best_s("-c", "import json, argparse")
    print(f"{'import json, argparse':32} {1e3 * base_s:7.1f} ms   1")
    for name, arguments in {
        "livezero --help": ("-m", "sequencer", "--help"),
        "livezero --version": ("-m", "sequencer", "--version"),
        "livezero run --help": ("-m", "sequencer", "run", "--help"),
        "import sequencer": ("-c", "import sequencer"),
    }.items():
        taken_s = best_s(*arguments)
        print(f"{name:32} {1e3 * taken_s:7.1f} ms   {taken_s / base_s:.2f}")


if __name__ == "__main__":
    main()
