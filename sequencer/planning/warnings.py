"""What a plan warns of: bench too poor for the tolerance, tolerance that cannot be resolved, what is taken on trust."""

from collections.abc import Iterable, Iterator, Sequence
from math import inf

import numpy as np

from instruments.benchfile import LoadedBench
from instruments.datasheet import DataSheet
from instruments.locks import resources_of
from instruments.texts import sized
from instruments.units import Terms
from instruments.wiring import Port, Wire
from sequencer.evaluation.budget import LEAST_TUR, NO_BOUND
from sequencer.evaluation.judgement import NEGLIGIBLE_FRAC
from sequencer.inputs.decision_rules import RULES
from sequencer.inputs.files import LoadedSequence
from sequencer.inputs.selection import left_out_words
from sequencer.inputs.step import READING, registry
from sequencer.inputs.tolerance import with_floor
from sequencer.planning.points import Point
from sequencer.planning.together import why_one_by_one

__all__ = ["warnings_of"]

# A tolerance under ten steps of the receiver cannot be judged by it (common practice, no source).
_STEPS_IN_TOLERANCE = 10
_TUR_WANTED = 4.0
_MOST_NAMED = 12  # points in one sentence


def warnings_of(
    sequence: LoadedSequence,
    bench: LoadedBench,
    sheet: DataSheet,
    wires: tuple[Wire, ...],
    points: Sequence[Point],
) -> tuple[str, ...]:
    """What is to be known before anything is energised, a sentence each; arguments as in `Plan`."""
    found = [f"in part, left out: {words}"] if (words := left_out_words(sequence)) else []
    if why := why_one_by_one(sequence, bench, wires, points):
        found.append(f"{why}: the units of a batch are tested one after another, each by a whole run; a sequence "
                     "without that is done with all at once")  # fmt: skip
    if not any(point.role == READING for point in points) and not sequence.left_out:
        found.append('no traverse: the verdict is that of the limits which its steps state, such as "at most"')
    found += [*_of_tolerance(sequence, sheet, points), *_of_bench(bench, wires)]
    found += [*_of_certificates(bench, sheet, wires), *_of_lines(bench, wires)]
    found += _of_repeating(sequence, sheet, points)
    if not sequence.file.cautions:
        found.append("the sequence lists no cautions: the general ones are asked before a real bench is energised")
    return tuple(found)


def _of_repeating(sequence: LoadedSequence, sheet: DataSheet, points: Sequence[Point]) -> Iterator[str]:
    """Where the instruments leave more uncertainty than a step repeats itself to come below."""
    span = abs(sheet.taps[-1].span)
    for number, name, settings in sequence.steps():
        wanted = registry()[name].wanted_U(settings)
        if wanted is None:
            continue
        head = f"step {number}, {name}: U {sized(100 * wanted)} % of span"
        read = [point for point in points if point.step == number and point.role == READING]
        known = [(point.U, point) for point in read if point.U is not None]
        if not known:
            yield f"{head} cannot be known to be reached: an instrument's accuracy is not in its description"
            continue
        U, worst = max(known, key=lambda each: each[0])
        if wanted * span > U:
            continue
        own, settling = (worst.u_own / worst.u) ** 2, (worst.u_settling / worst.u) ** 2
        shares = {
            "accuracy, so take a more accurate source or meter": 1 - own - settling,
            "resolution, so take a finer range or meter": own,
            'settling, so write a smaller "settled within"': settling,
        }
        most = max(shares, key=lambda each: shares[each])
        yield (
            f"{head} is out of reach: the instruments alone bring {sized(100 * U / span, 2)} % at "
            f"{100 * worst.setpoint.frac:g} %, which no repetition takes away; {100 * shares[most]:.0f} % of it "
            f"(of the variance) is {most}"
        )


def _of_certificates(bench: LoadedBench, sheet: DataSheet, wires: tuple[Wire, ...]) -> Iterator[str]:
    """Where a certificate has no points for the range that is used, or not for all of it."""
    for tap, wired in zip(sheet.taps, wires, strict=True):
        port = wired.receiver or wired.source
        if port is None or port.instrument not in bench.certificates:
            continue
        known = [
            each for each in bench.certificates[port.instrument].file.corrections if each.function == port.function
        ]
        if tap.certified is None:
            if known:
                ranges = ", ".join(str(each.range) for each in known)
                yield (
                    f"{port.instrument} was calibrated in the range {ranges} of {port.function}, {tap.name} takes "
                    f"{port.entry.range}: nothing is corrected there"
                )
        elif not tap.certified.is_inside(tap.to_signal(np.array([tap.low, tap.high]))).all():
            ends = [f"{tap.certified.points[end][0]:g}" for end in (0, -1)]
            yield (
                f"{port.instrument} was calibrated from {' to '.join(ends)} {tap.signal_unit} only, {tap.name} goes "
                "beyond: there the error of the nearest point is corrected, and its whole accuracy counts"
            )


def _of_lines(bench: LoadedBench, wires: tuple[Wire, ...]) -> Iterator[str]:
    """Who else may talk to it, and who makes it safe where the run cannot."""
    driven = [wire.source.instrument for wire in wires if wire.source is not None]
    if any(name in resources_of(bench) for name in driven) and not bench.file.watchdog:
        yield (
            "no watchdog: a run that is killed or hangs leaves its output on until the next start; the bench file has "
            '"watchdog: none"'
        )
    open_to_all = [name for name, resource in resources_of(bench).items() if resource.upper().endswith("::SOCKET")]
    if open_to_all:
        yield (
            f"{', '.join(open_to_all)}: a raw socket knows no lock, so nothing keeps other computers off this bench: "
            "see that none uses it"
        )


def _of_tolerance(sequence: LoadedSequence, sheet: DataSheet, points: Sequence[Point]) -> Iterator[str]:
    """Where the tolerance asks more than the bench can resolve."""
    reading = [point for point in points if point.role == READING]
    last = sheet.taps[-1]
    nothing = NEGLIGIBLE_FRAC * abs(last.span)
    short = [point for point in reading if not point.tolerance > max(_told(point), nothing)]
    widest = max((point.tolerance for point in reading), default=0.0)
    to_write = _to_write(sequence.sheet.tolerance, short, span=abs(last.span), widest=widest)
    if not to_write:  # what falls short everywhere is a matter of the bench, and said below
        short = [point for point in short if not point.tolerance > nothing]
    judged = [point for point in reading if point not in short]
    if judged:
        tightest = min(judged, key=lambda point: point.tolerance)
        step = tightest.rule.resolution
        if step and tightest.tolerance < _STEPS_IN_TOLERANCE * step:
            yield (
                f"the tolerance of {sized(tightest.tolerance)} {last.unit} is under {_STEPS_IN_TOLERANCE} steps of the "
                f"receiver ({sized(step)} {last.unit}): take a finer range or meter"
            )
        unknown = [point for point in judged if point.U is None]
        if unknown and len(unknown) < len(judged):
            yield (
                f"at {_places(unknown)} the uncertainty is not determinable, since {NO_BOUND}: no verdict there; "
                "state a low-flow cut-off, or leave the point out"
            )
            judged = [point for point in judged if point.U is not None]
        yield from filter(None, [_doubtful([point.tur for point in judged], sequence.file.decision_rule)])
    if short:
        least = min((point.tolerance for point in short), default=0.0)
        yield (
            f"at {_places(short)} the tolerance ({sized(least, 3)} {last.unit} at least) is less than the bench can "
            f"resolve ({sized(max(_told(point) for point in short), 2)} {last.unit}): a right unit gets no verdict "
            f"there{to_write}"
        )


def _told(point: Point) -> float:
    """The least error that can be resolved at a point, in the unit of the last tap: U, or a step of the receiver."""
    return point.rule.resolution if point.U is None else max(point.U, point.rule.resolution)


def _to_write(tolerance: Terms, short: Sequence[Point], *, span: float, widest: float) -> str:
    wanted = (max(_TUR_WANTED * (point.U or 0.0), _STEPS_IN_TOLERANCE * point.rule.resolution) for point in short)
    needed = max(wanted, default=0.0)
    if not 0 < needed < widest:
        return ""
    written = with_floor(tolerance, 100 * needed / span)
    return f"; if the data sheet of the type allows it, write in the type sheet: tolerance: {written}"


def _places(points: Iterable[Point]) -> str:
    found = list(dict.fromkeys(f"{100 * point.setpoint.frac:g} %" for point in points))
    more = f" and {len(found) - _MOST_NAMED} more" if len(found) > _MOST_NAMED else ""
    return ", ".join(found[:_MOST_NAMED]) + more


def _doubtful(turs: list[float | None], rule: str) -> str:
    """What is to be said of a bench by its TUR at each point; "" where it is good enough for the tolerance."""
    known = [each for each in turs if each is not None]
    if len(known) < len(turs):
        missing = "the accuracy of an instrument is not in its description: no uncertainty, so "
        is_needed = RULES[rule].w_over_U != 0 or RULES[rule].guard != "of U"
        return missing + (f"no verdict by {rule}" if is_needed else "a verdict without it")
    if min(known) < 1:
        return (
            f"no verdict is possible at {sum(each < 1 for each in known)} of {len(known)} points: the uncertainty "
            "exceeds the tolerance; take better instruments, or settle more strictly"
        )
    if min(known) >= _TUR_WANTED:
        return ""
    said = f"the bench is only {min(known):.1f} times as good as the tolerance (TUR); {_TUR_WANTED:g} is wanted"
    if min(known) < LEAST_TUR:
        said += f"; below {LEAST_TUR:g} a pass is conditional unless a person accepts it (--accept-low-tur)"
    return said


def _cannot_tell(bench: LoadedBench, port: Port) -> bool:
    """True of a receiver that would lose its settings with its power, and not show it."""
    description = bench.descriptions[port.instrument]
    function = description.functions[port.function]
    asks = description.event_status or function.select_query
    settings = (*description.prepare, *function.select, *port.entry.select)
    return description.kind == "remote" and not asks and bool(settings)


def _told_only(wired: Wire, bench: LoadedBench) -> str:
    """What is to be said of a source that cannot say whether it is at its safe level; "" of any other."""
    if wired.source is None or wired.source.proves_safe:
        return ""
    said = f"{wired.source.instrument} gives no way to ask whether it is at its safe level and off: told, not proved"
    reader = wired.receiver
    is_another = reader is not None and reader.instrument != wired.source.instrument
    if reader is not None and is_another and bench.descriptions[reader.instrument].kind == "remote":
        return f"{said}, unless {reader.instrument} reads it there"
    return (
        f'{said}; let a second instrument read the tap "{wired.tap}", or give "read back" or "output query" in the '
        "description if there is one"
    )


def _hurried(bench: LoadedBench, wires: tuple[Wire, ...]) -> list[str]:
    """Receivers that with an output on are waited for less than their own time-out (see `Bench`)."""
    remote = {name: each for name, each in bench.descriptions.items() if each.kind == "remote"}
    sources = [each.source.instrument for each in wires if each.source]
    least_s = min((remote[name].timeout for name in sources if name in remote), default=inf)
    used = [each.receiver.instrument for each in wires if each.receiver]
    return [name for name in used if name in remote and remote[name].timeout > least_s + remote[name].takes]


def _of_bench(bench: LoadedBench, wires: tuple[Wire, ...]) -> Iterator[str]:
    """What is taken on trust on this bench, and who serves it."""
    if wires[0].receiver is None:
        port = wires[0].source
        assert port is not None
        yield (
            f'nothing reads the tap "{wires[0].tap}": the setting of {port.instrument} counts as the input, '
            "so an error of the source looks like one of the unit"
        )
    yield from filter(None, (_told_only(each, bench) for each in wires))
    ports = [port for each in wires for port in (each.receiver or each.source,) if port is not None]
    if bench.file.ambient is None and any(port.entry.temperature_coefficient is not None for port in ports):
        yield ("the bench file states no ambient temperature: the reference temperatures are taken to be held")
    if hurried := _hurried(bench, wires):
        yield (
            f"with the output on, {', '.join(dict.fromkeys(hurried))} must answer within the time-out of the source: "
            'where a reading takes longer, write how long ("takes") in the description'
        )
    blind = [each.receiver.instrument for each in wires if each.receiver and _cannot_tell(bench, each.receiver)]
    if blind:
        yield (
            f"{', '.join(dict.fromkeys(blind))} cannot report a power loss and may resume in another function: give "
            '"event status" or "select query" in the description if there is one'
        )
    if any(bench.descriptions[name].kind == "keyed" for name in bench.file.instruments):
        yield "a person sets or reads at each point: 15 s to set and 8 s to read and type are estimated"
