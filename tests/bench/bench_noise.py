"""What a trace and a capture are taken for, on signals of `foreign_signals`, which shares no shape with the recogniser.

A trace is right if the rate is, where there is one; if all that is due is told, by words, in what is found or its
cause; if nothing else that accuses is told; and if no kind of noise has 60 % that is not there. A capture is right if
its first kind is. Of a mixture: both parts are among what has 10 %; or "unknown"; or one part, and that there is more.
Claims are first kinds of noise with their weights, those of traces in which noise was seen among them.
"""

import argparse
import multiprocessing
import re
import tempfile
import time
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from foreign_signals import FAMILIES, GROUPS, Signal, signals

from instruments.errors import LivezeroError
from sequencer.core import trace
from sequencer.diagnosis.noise.burst import LIKELY, BurstNoise, noise_of
from sequencer.diagnosis.waveform import findings as findings_of

BINS = (0.0, 0.5, 0.6, 0.9, 0.99, 1.0)
SURE = 0.9
HALF_SURE = 0.6
# What findings speak of, by words; those of the second table accuse nobody, and may be told of any trace.
ACCUSES = {
    "bounce": "bounc|chatter",
    "missing": "missing|lost",
    "extra": "counted twice|double count|doubled|extra (edge|pulse)",
    "runout": "runout|run-out|eccentric",
    "uneven": "tooth|teeth|uneven|unequal|repeat",
    "height": r"(tooth|teeth|every \S+ pulse)\b[^./;]*\b(weak|smaller|height|amplitude|worn)|(weak|low|worn) tooth"
    r"|% of the (rest|others)|height of the pulses swings",
    "swing": "period swings",
    "speed": r"speed|runs? (up|down)|accelerat|ramp|rate (rises|falls|changes|goes)|\b(rises?|falls?|Hz) (from|to)",
    "mains": "mains",
    "carrier": "carrier|inverter|sideband|pulse-width",
    "ringing": r"\bring|rung",
    "clipped": "clip",
    "bursts": "bursts|spikes",
    "droop": "droop|coupled|baseline",
    "longer": "longer|too few|too short|too little|too slow",
    "edge": "one edge|single edge|edge only|only edge",
    "flat": "flat(?! end)|constant|one level|does not change|nothing (happens|moves)",
}
TOLERATED = {
    "amplitude": "amplitude",
    "gap": "not recorded|unrecorded|gap|left out",
    "threshold": "threshold|hysteresis",
    "jitter": "jitter",
    "coarse": "coarse|resolution|bit|steps",
    "noise": "noise",
}
WORDS = {name: re.compile(words, re.IGNORECASE) for name, words in (ACCUSES | TOLERATED).items()}
DENIED = re.compile(r"\b(no|not|nothing|none|never)\b[^,.;:()]*", re.IGNORECASE)
MAINS_HZ = (50.0, 60.0, 100.0, 120.0)
TRULY = re.compile(r"truly (-?[\d.e+-]+)[^±]*± ?([\d.e+-]+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Result:
    """What was said of one signal.

    Attributes:
        told: concepts in what is found.
        rate: "right", "wrong" or "none".
        kind, weight: the first kind of noise; "" = none was told.
        is_true: whether that kind is there.
        why: why it is not right; "" = it is.
        said: what was found, for people.
        off: of the best value from the level, in standard errors of white noise; NaN = not asked.
        is_within: whether "truly ... ± ..." holds the level; None = not told.
        failed: "refused" or "crashed"; "" = neither.
    """

    family: str
    number: int
    text: str
    told: frozenset[str] = frozenset()
    rate: str = "none"
    kind: str = ""
    weight: float = float("nan")
    is_true: bool = False
    why: str = ""
    said: str = ""
    off: float = float("nan")
    is_within: bool | None = None
    cost_s: float = 0.0
    failed: str = ""


def concepts(text: str) -> frozenset[str]:
    """What one finding speaks of; what it says is not there accuses nobody, nor what a counter would make of it."""
    affirmed = DENIED.sub("", text)
    found = {
        name for name, words in WORDS.items() if words.search(text if name in TOLERATED or name == "flat" else affirmed)
    }
    return frozenset(found - {"extra", "missing"} if found & {"threshold", "gap"} else found)


def concepts_of(texts: Iterable[str]) -> frozenset[str]:
    return frozenset().union(*(concepts(text) for text in texts))


def is_one(kind: str, names: Sequence[str]) -> bool:
    return any(each in kind for each in names)


def is_kind_right(signal: Signal, noise: BurstNoise) -> bool:
    """Whether the first kind is true, of a mixture by its own rule."""
    first = noise.best.kind
    if not signal.parts:
        return is_one(first, signal.kinds)
    likely = [each.kind for each in noise.kinds if each.weight >= LIKELY]
    likely += [noise.second.kind] if noise.second is not None else []  # told beside the first, in words of its own
    if "unknown" in first or all(any(is_one(kind, part) for kind in likely) for part in signal.parts):
        return True
    return noise.is_more and any(is_one(first, part) for part in signal.parts)


def rate_told(signal: Signal, rates_Hz: Sequence[float]) -> str:
    """Whether the rate of a train is right, or there is none."""
    if not rates_Hz:
        return "none"
    low, high = (signal.rates_Hz[0], signal.rates_Hz[-1]) if signal.rates_Hz else (0.0, 0.0)
    return "right" if any(low <= each <= high for each in rates_Hz) else "wrong"


def is_as_mains(signal: Signal) -> bool:
    """Whether the pulses come at a rate of mains by chance: to be warned of it is right."""
    return any(low * 0.99 < mains < high * 1.01 for mains in MAINS_HZ for low, high in [signal.rates_Hz or (0.0, 0.0)])


def fault_of(signal: Signal, *, rate: str, told: frozenset[str], causes: frozenset[str], is_kind: bool) -> str:
    """Why what is told of a trace is not right; "" = it is."""
    if rate == "wrong":
        return "wrong rate" if signal.rates_Hz else "rate of nothing"
    if rate == "none" and signal.rates_Hz and signal.is_rate_due:
        return "no rate"
    for each in signal.due:
        if not set(each.split("|")) & (told | causes) and not is_kind:
            return f"not told: {each}"
    if signal.kinds and not signal.due and not is_kind:
        return "kind of noise"
    welcome = {one for each in (*signal.due, *signal.may) for one in each.split("|")}
    welcome |= {"mains"} if is_as_mains(signal) else set()
    false = sorted(told & set(ACCUSES) - welcome)
    return f"told: {', '.join(false)}" if false else ""


def write_csv(signal: Signal, path: Path) -> None:
    """As oscilloscopes export it; what was not recorded is empty."""
    rows = (f"{t:.9g},{'' if np.isnan(v) else f'{v:.6g}'}" for t, v in zip(signal.times_s, signal.values, strict=True))
    path.write_text("time_s,voltage_V\n" + "\n".join(rows) + "\n")


def trace_result(signal: Signal, number: int, folder: Path) -> Result:
    path = folder / "trace.csv"
    write_csv(signal, path)
    began_s = time.process_time()
    found = trace(path, pulses_per_revolution=signal.wheel_n)
    findings = findings_of(found)
    cost_s = time.process_time() - began_s
    rates_Hz = [found.train.rate_Hz, found.train.counted_Hz] if found.train else []
    noise = found.noise
    is_kind = noise is not None and is_kind_right(signal, noise)
    whats = " / ".join(each.what for each in findings)
    told, rate = concepts_of(each.what for each in findings), rate_told(signal, rates_Hz)
    causes = concepts_of(each.cause for each in findings)
    why = fault_of(signal, rate=rate, told=told, causes=causes, is_kind=is_kind)
    if noise and not why and not is_kind and not signal.due and noise.best.weight >= HALF_SURE:
        why = "kind of noise"
    if noise and not why and not is_kind and not signal.kinds and noise.best.weight >= HALF_SURE:
        why = "noise told of pulses"
    return Result(
        family=signal.family,
        number=number,
        text=signal.text,
        told=told,
        rate=rate,
        kind=noise.best.kind if noise else "",
        weight=noise.best.weight if noise else float("nan"),
        is_true=is_kind,
        why=why,
        said=f"{'; '.join(f'{each:.5g} Hz' for each in rates_Hz) or 'no rate'}: {whats}",
        cost_s=cost_s,
    )


def capture_result(signal: Signal, number: int) -> Result:
    began_s = time.process_time()
    noise = noise_of(
        signal.values,
        signal.times_s,
        unit=signal.unit,
        resolution=signal.resolution,
        aperture_s=signal.aperture_s,
        is_counted=signal.is_counted,
    )
    cost_s = time.process_time() - began_s
    is_true = is_kind_right(signal, noise)
    interval = TRULY.search(noise.best.words)
    within = None
    if interval and np.isfinite(signal.level):
        within = abs(float(interval[1]) - signal.level) <= float(interval[2])
    return Result(
        family=signal.family,
        number=number,
        text=signal.text,
        kind=noise.best.kind,
        weight=noise.best.weight,
        is_true=is_true,
        why="" if is_true else f"taken for {noise.best.kind}",
        said=f"{noise.best.kind} {noise.best.weight:.1%}: {noise.best.words}",
        off=abs(noise.best_value - signal.level) / (noise.sd / np.sqrt(noise.readings_n)) if noise.sd else float("nan"),
        is_within=within,
        cost_s=cost_s,
    )


def result_of(signal: Signal, number: int, folder: Path) -> Result:
    """What is said of a signal; what was refused is right where what was refused is what was due."""
    try:
        return trace_result(signal, number, folder) if signal.is_trace else capture_result(signal, number)
    except LivezeroError as error:
        told = concepts(str(error))
        is_right = bool(signal.due) and all(set(each.split("|")) & told for each in signal.due)
        failed, why = "refused", "" if is_right else "refused"
        said = str(error)
    except Exception as error:  # noqa: BLE001 (whatever it is, nothing was said, and that is what counts)
        failed, why, said = "crashed", "crashed", f"{type(error).__name__}: {error}"
    return Result(family=signal.family, number=number, text=signal.text, why=why, said=said, failed=failed)


def results_of(task: tuple[str, int, int]) -> list[Result]:
    """Those of a family: its name, how many, the seed."""
    family, each, seed = task
    with tempfile.TemporaryDirectory() as name:
        return [result_of(signal, number, Path(name)) for number, signal in enumerate(signals(seed, each, family))]


def share(of: Sequence[bool]) -> str:
    return f"{np.mean(of):.0%}" if of else "-"


def print_families(results: Sequence[Result]) -> None:
    """Right by family and group, claims of 90 % and more, and the level."""
    heads = ("n", "right", "share", "sure", "true", "off", "within")
    print(f"{'family':16} {' '.join(f'{each:>7}' for each in heads)}")
    for group, families in GROUPS.items():
        names = {name: {name} for name in families} | {f"= {group}": set(families)}
        for name, those in names.items():
            of = [each for each in results if each.family in those]
            if not of:
                continue
            sure = [each.is_true for each in of if each.weight >= SURE]
            offs = [each.off for each in of if np.isfinite(each.off)]
            within = [each.is_within for each in of if each.is_within is not None]
            cells = (
                len(of),
                sum(not each.why for each in of),
                share([not each.why for each in of]),
                len(sure),
                share(sure),
                f"{np.median(offs):.1f}" if offs else "-",
                f"{sum(within)}/{len(within)}" if within else "-",
            )
            print(f"{name:16} {' '.join(f'{each:>7}' for each in cells)}")
    print("sure: kinds of noise told with 90 % or more. off: of the best value, median, in sd / sqrt(n).")
    print('within: "truly ... ±" holds the true level.')
    failed = Counter(each.failed for each in results)
    print(f"refused {failed['refused']}, crashed {failed['crashed']}")


def print_matrix(title: str, rows: dict[str, Counter[str]]) -> None:
    """Families down, what was told across; columns that are empty are left out."""
    columns = list(dict.fromkeys(name for row in rows.values() for name in row))
    print(f"\n{title}")
    for place in range(0, len(columns), 9):
        some = columns[place : place + 9]
        print(f"{'':16} {' '.join(f'{each[:9]:>9}' for each in some)}")
        for family, row in rows.items():
            cells = [str(row[each] or ".") for each in some]
            print(f"{family:16} {' '.join(f'{each:>9}' for each in cells)}")


def print_matrices(results: Sequence[Result]) -> None:
    captures = {*GROUPS["captures"], *GROUPS["other captures"], *GROUPS["more captures"]}
    traced: dict[str, Counter[str]] = {}
    read: dict[str, Counter[str]] = {}
    for each in results:
        if each.family in captures:
            read.setdefault(each.family, Counter())[each.kind or each.failed] += 1
        else:
            row = traced.setdefault(each.family, Counter())
            row[each.failed or {"none": "no rate", "right": "rate ok", "wrong": "rate off"}[each.rate]] += 1
            row.update(sorted(each.told - {"noise", "amplitude"}))
            row.update([each.kind] if each.kind else [])
    if read:
        print_matrix("captures: first kind", read)
    if traced:
        print_matrix("traces: rate, what findings speak of, first kind of noise", traced)


def print_reliability(results: Sequence[Result]) -> None:
    said = [each for each in results if each.kind]
    print(f"\nfirst kinds of noise\n{'weight':>14} {'claims':>6} {'mean':>7} {'true':>7}")
    which = np.digitize([each.weight for each in said], BINS[1:-1])
    for index in range(len(BINS) - 1):
        here = [each for each, place in zip(said, which, strict=True) if place == index]
        if here:
            print(
                f"{f'{BINS[index]:.0%} to {BINS[index + 1]:.0%}':>14} {len(here):6} "
                f"{np.mean([each.weight for each in here]):7.1%} {np.mean([each.is_true for each in here]):7.1%}"
            )


def print_reasons(results: Sequence[Result]) -> None:
    """How often each reason made a case wrong, and in which families."""
    print("\nwhy not right")
    reasons = Counter(each.why for each in results if each.why)
    for why, n in reasons.most_common():
        families = Counter(each.family for each in results if each.why == why)
        print(f"{n:4} {why}: {', '.join(f'{family} {times}' for family, times in families.items())}")


def print_wrong(results: Sequence[Result]) -> None:
    """A line a wrong case: the truth, why it is wrong, what was said."""
    for each in results:
        if each.why:
            print(f"{each.family} {each.number}: {each.text} -> {each.why} | {each.said}")


def print_cost(results: Sequence[Result]) -> None:
    cost_s = np.array([each.cost_s for each in results])
    worst = results[int(cost_s.argmax())]
    print(
        f"\nprocessor time a signal: median {np.median(cost_s):.2f} s, 95 % {np.quantile(cost_s, 0.95):.2f} s, "
        f"worst {cost_s.max():.2f} s ({worst.family} {worst.number})"
    )


def main() -> None:
    """Print what was right by family, the confusion matrices, the reliability and the cost."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seed", type=int, default=60469)
    parser.add_argument("--each", type=int, default=10, help="signals of each family")
    parser.add_argument("--family", choices=FAMILIES, action="append", help="only this one; may be given again")
    parser.add_argument("--jobs", type=int, default=1, help="processes")
    parser.add_argument("--show", action="store_true", help="print every wrong case")
    options = parser.parse_args()
    tasks = [(family, options.each, options.seed) for family in options.family or FAMILIES]
    with multiprocessing.Pool(options.jobs) as pool:
        results = [each for some in pool.imap(results_of, tasks, chunksize=1) for each in some]
    if options.show:
        print_wrong(results)
    print(f"{len(results)} signals, seed {options.seed}")
    print_families(results)
    print_matrices(results)
    print_reasons(results)
    print_reliability(results)
    print_cost(results)


if __name__ == "__main__":
    main()
