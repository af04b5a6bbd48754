"""Files that are written from a few answers: which questions there are, what is usual, and the YAML that they give."""

import re
from collections.abc import Callable, Sequence

from instruments.resource_names import wrong_resource
from instruments.units import is_alike, quantity, span, terms
from sequencer.inputs.new_instrument import INSTRUMENT
from sequencer.inputs.new_questions import Answers, Kind, Question, one_of, scalar, time_, whole, words

__all__ = ["KINDS", "file_name"]

_RTD, _LETTERS = ("Pt100", "Pt500", "Pt1000"), "BEJKNRST"
_CAUTIONS = (
    "The unit is on the bench, its loop is not connected to any plant; a live loop would trip what it controls.",
    "Only one end of the loop is powered; the voltage at the terminals was measured before the loop is closed.",
    "Local codes and the permit of the site come first; work on live circuits is for licensed people.",
)


def file_name(name: str) -> str:
    """The name of a file for what is called so: "Level, tank 3" is "level-tank-3.yaml"."""
    words = re.findall(r"[a-z0-9]+", name.casefold())
    return f"{'-'.join(words)[:60] or 'new'}.yaml"


def _tolerance(given: str) -> object:
    return terms(given, bases=("span", "reading", "output", "full scale"), like=())


def _resource(given: str) -> None:
    if (wrong := wrong_resource(given, "")) is not None:
        raise wrong


def _is_temperature(answers: Answers) -> bool:
    return is_alike(span(answers["input"]).unit, "degC")


def _is_thermocouple(answers: Answers) -> bool:
    return _is_temperature(answers) and answers["sensor"] in _LETTERS


def _type_text(answers: Answers) -> str:
    lines = [
        "# What the unit should do, how well and how fast. Ranges as on its plate.",
        f"type: {scalar(answers['name'])}",
    ]
    if _is_temperature(answers) and answers["sensor"] != "none":
        sensor = answers["sensor"]
        carried = sensor if sensor in _RTD else f"{{thermocouple: {sensor}, cold junction: {answers['cold junction']}}}"
        lines += ["input:", f"  range: {answers['input']}", f"  sensor: {carried}"]
    else:
        lines.append(f"input: {answers['input']}")
    curve = "linear" if answers["characteristic"] == "linear" else "{square root: {cut off: 0 %}}"
    return "\n".join(
        [
            *lines,
            f"output: {answers['output']}",
            f"characteristic: {curve}",
            "# Of the whole unit; a sum as well: 0.2 degC + 0.05 % of span.",
            f"tolerance: {answers['tolerance']}",
            "# After this time 63 % of a step is there; how long is waited is measured.",
            f"time constant: {answers['time constant']}",
            "",
        ]
    )


def _sequence_text(answers: Answers) -> str:
    cautions = [f"  - {scalar(each)}" for each in _CAUTIONS]
    exercise, points, cycles, readings = (answers[key] for key in ("exercise", "points", "cycles", "readings"))
    return "\n".join(
        [
            f"sequence: {scalar(answers['name'])}",
            f"type sheet: {scalar(answers['type sheet'])}",
            "# Confirmed by a person before anything is energised. Add those of your bench.",
            "cautions:",
            *cautions,
            "steps:",
            "  # Up and down without readings, as IEC 61298-2 asks before the first cycle.",
            *([f"  - exercise: {{cycles: {exercise}}}"] if exercise != "0" else []),
            "  # Up and down through the points; three cycles or more tell what repeats and what does not.",
            f"  - traverse: {{points: {points}, cycles: {cycles}, readings: {readings}}}",
            "",
        ]
    )


def _instrument_lines(answers: Answers, role: str) -> list[str]:
    resource = answers[f"{role} resource"]
    return [
        f"  {role}:",
        f"    description: {scalar(answers[role])}",
        *([f"    resource: {scalar(resource)}"] if resource else []),
    ]


def _bench_text(answers: Answers) -> str:
    is_read = answers["reference"] != "none"
    return "\n".join(
        [
            f"bench: {scalar(answers['name'])}",
            "instruments:",
            "  # Add to each: identity (what *IDN? must hold), limits of a source, certificate.",
            *_instrument_lines(answers, "source"),
            *(_instrument_lines(answers, "reference") if is_read else []),
            *_instrument_lines(answers, "meter"),
            "# What is wired to the unit. Where nothing reads the input, what is set counts.",
            "taps:",
            f"  {answers['input tap']}: {{set by: source{', read by: reference' if is_read else ''}}}",
            f"  {answers['output tap']}: {{read by: meter}}",
            "",
        ]
    )


def _has(role: str) -> Callable[[Answers], bool]:
    return lambda answers: answers[role] != "none" and not answers[role].startswith("keyed")


def _sensors() -> Sequence[str]:
    return ("none", *_RTD, *_LETTERS)


KINDS: dict[str, Kind] = {
    "type": Kind(
        questions=(
            Question(key="name", text="What type of unit is it", usual="own converter", check=words),
            Question(key="input", text="Range of its input", usual="4 .. 20 mA", check=span),
            Question(
                key="sensor",
                text="What carries the temperature (Pt100, Pt500, Pt1000, a thermocouple by its letter, none)",
                usual="Pt100",
                check=one_of(*_sensors()),
                is_asked=_is_temperature,
            ),
            Question(
                key="cold junction",
                text="Temperature of the terminals",
                usual="23 degC",
                check=lambda given: quantity(given, like="degC"),
                is_asked=_is_thermocouple,
            ),
            Question(key="output", text="Range of its output", usual="4 .. 20 mA", check=span),
            Question(
                key="characteristic",
                text="Characteristic (linear, square root)",
                usual="linear",
                check=one_of("linear", "square root"),
            ),
            Question(key="tolerance", text="What it may be wrong by", usual="0.2 % of span", check=_tolerance),
            Question(key="time constant", text="Time constant", usual="500 ms", check=time_),
        ),
        text=_type_text,
    ),
    "sequence": Kind(
        questions=(
            Question(key="name", text="What is the sequence called", usual="own acceptance", check=words),
            Question(key="type sheet", text="Type sheet of the unit, by path or name", usual="pulse-to-current"),
            Question(key="exercise", text="Cycles without readings before", usual="3", check=whole(0, 50)),
            Question(key="points", text="Points of a traverse", usual="11", check=whole(2, 1001)),
            Question(key="cycles", text="Cycles up and down", usual="3", check=whole(1, 1000)),
            Question(key="readings", text="Readings at each point", usual="5", check=whole(1, 1000)),
        ),
        text=_sequence_text,
    ),
    "bench": Kind(
        questions=(
            Question(key="name", text="What is the bench called", usual="own bench", check=words),
            Question(key="source", text="Description of the source", usual="generic-scpi-source", check=words),
            Question(
                key="source resource",
                text="Where VISA finds it",
                usual="TCPIP::127.0.0.1::5025::SOCKET",
                check=_resource,
                is_asked=_has("source"),
            ),
            Question(key="reference", text="Description of what reads the input (none = nothing does)", usual="none"),
            Question(
                key="reference resource",
                text="Where VISA finds it",
                usual="TCPIP::127.0.0.1::5027::SOCKET",
                check=_resource,
                is_asked=_has("reference"),
            ),
            Question(key="meter", text="Description of what reads its output", usual="generic-scpi-meter", check=words),
            Question(
                key="meter resource",
                text="Where VISA finds it",
                usual="TCPIP::127.0.0.1::5026::SOCKET",
                check=_resource,
                is_asked=_has("meter"),
            ),
            Question(key="input tap", text="Name of the first tap in the type sheet", usual="input", check=words),
            Question(key="output tap", text="Name of the last tap", usual="output", check=words),
        ),
        text=_bench_text,
    ),
    "instrument": INSTRUMENT,
}
