"""Files that are written from a few answers: which questions there are, what is usual, and the YAML that they give."""

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import yaml

from instruments.errors import InputError, nearest
from instruments.units import canonical, is_alike, quantity, span, terms

__all__ = ["KINDS", "Kind", "Question", "file_name"]

Answers = Mapping[str, str]
_RTD, _LETTERS = ("Pt100", "Pt500", "Pt1000"), "BEJKNRST"
_CAUTIONS = (
    "The unit is on the bench, its loop is not connected to any plant; a live loop would trip what it controls.",
    "Only one end of the loop is powered; the voltage at the terminals was measured before the loop is closed.",
    "Local codes and the permit of the site come first; work on live circuits is for licensed people.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is asked for a file.

    Attributes:
        key: of the option, and of the answer.
        text: of the question.
        usual: the answer where none is given.
        check: raises InputError where an answer cannot stand.
        is_asked: whether the answers before leave it open.
    """

    key: str
    text: str
    usual: str = ""
    check: Callable[[str], object] = str
    is_asked: Callable[[Answers], bool] = lambda _: True


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of file: its questions in order, and its text from their answers."""

    questions: tuple[Question, ...]
    text: Callable[[Answers], str]


def file_name(name: str) -> str:
    """The name of a file for what is called so: "Level, tank 3" is "level-tank-3.yaml"."""
    words = re.findall(r"[a-z0-9]+", name.casefold())
    return f"{'-'.join(words)[:60] or 'new'}.yaml"


def _one_of(*choices: str) -> Callable[[str], object]:
    def check(given: str) -> None:
        if given not in choices:
            guess = nearest(given, choices)
            raise InputError(
                f'"{given}" cannot stand here', allowed=", ".join(choices), todo=f'write "{guess}"' if guess else ""
            )

    return check


def _whole(low: int, high: int) -> Callable[[str], object]:
    def check(given: str) -> None:
        if not (given.isdecimal() and low <= int(given) <= high):
            raise InputError(f'"{given}" cannot stand here', allowed=f"a whole number from {low} to {high}")

    return check


def _words(given: str) -> None:
    if not given.strip():
        raise InputError("it has no name", todo="give it one")


def _time(given: str) -> object:
    return quantity(given, like="s")


def _unit(given: str) -> object:
    return canonical(given)


def _tolerance(given: str) -> object:
    return terms(given, bases=("span", "reading", "output", "full scale"), like=())


def _is_temperature(answers: Answers) -> bool:
    return is_alike(span(answers["input"]).unit, "degC")


def _is_thermocouple(answers: Answers) -> bool:
    return _is_temperature(answers) and answers["sensor"] in _LETTERS


def _scalar(text: str) -> str:
    """A text as YAML writes it: bare where it may, else quoted."""
    written = yaml.safe_dump(text, default_flow_style=True, allow_unicode=True, width=10_000).removesuffix("...\n")
    plain = written.strip()
    return f'"{text}"' if plain.startswith("'") and '"' not in text and "\\" not in text else plain


def _type_text(answers: Answers) -> str:
    lines = [
        "# What the unit should do, how well and how fast. Ranges as on its plate.",
        f"type: {_scalar(answers['name'])}",
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
    cautions = [f"  - {_scalar(each)}" for each in _CAUTIONS]
    exercise, points, cycles, readings = (answers[key] for key in ("exercise", "points", "cycles", "readings"))
    return "\n".join(
        [
            f"sequence: {_scalar(answers['name'])}",
            f"type sheet: {_scalar(answers['type sheet'])}",
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
        f"    description: {_scalar(answers[role])}",
        *([f"    resource: {_scalar(resource)}"] if resource else []),
    ]


def _bench_text(answers: Answers) -> str:
    is_read = answers["reference"] != "none"
    return "\n".join(
        [
            f"bench: {_scalar(answers['name'])}",
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


def _instrument_text(answers: Answers) -> str:
    is_source = answers["role"] == "source"
    unit = answers["unit"]
    ways = [
        f"    set: {_scalar(answers['set'])}",
        *([f"    read back: {_scalar(answers['read back'])}"] if answers["read back"] != "none" else []),
        f"    on: [{_scalar(answers['on'])}]",
        f"    off: [{_scalar(answers['off'])}]",
        f"    safe level: {answers['safe level']}",
    ]
    errors = answers["error query"]
    return "\n".join(
        [
            "# As in its manual. Spoken: identify, clear, safe level and off, prepare.",
            f"instrument: {_scalar(answers['name'])}",
            'termination: {write: "\\n", read: "\\n"}',
            f"timeout: {answers['timeout']}",
            f"identify: {_scalar(answers['identify'])}",
            *([f"clear: {_scalar(answers['clear'])}"] if answers["clear"] != "none" else []),
            *([f"prepare: [{_scalar(answers['prepare'])}]"] if answers["prepare"] != "none" else []),
            *([f'error query: {{ask: {_scalar(errors)}, none: "0"}}'] if errors != "none" else []),
            "functions:",
            f"  {answers['function']}:",
            f"    {'sets' if is_source else 'reads'}: {unit}",
            *([f"    in: {answers['sent in']}"] if answers["sent in"] != unit else []),
            *(ways if is_source else [f"    query: {_scalar(answers['query'])}"]),
            "    # One line a range; give the accuracy of the manual, or of its certificate.",
            "    ranges:",
            f"      - range: {answers['range']}",
            f"        resolution: {answers['resolution']}",
            f"        accuracy: {answers['accuracy']}",
            "",
        ]
    )


def _is_source(answers: Answers) -> bool:
    return answers["role"] == "source"


def _is_meter(answers: Answers) -> bool:
    return answers["role"] == "meter"


def _has(role: str) -> Callable[[Answers], bool]:
    return lambda answers: answers[role] != "none" and not answers[role].startswith("keyed")


def _sensors() -> Sequence[str]:
    return ("none", *_RTD, *_LETTERS)


KINDS: dict[str, Kind] = {
    "type": Kind(
        questions=(
            Question(key="name", text="What type of unit is it", usual="own converter", check=_words),
            Question(key="input", text="Range of its input", usual="4 .. 20 mA", check=span),
            Question(
                key="sensor",
                text="What carries the temperature (Pt100, Pt500, Pt1000, a thermocouple by its letter, none)",
                usual="Pt100",
                check=_one_of(*_sensors()),
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
                check=_one_of("linear", "square root"),
            ),
            Question(key="tolerance", text="What it may be wrong by", usual="0.2 % of span", check=_tolerance),
            Question(key="time constant", text="Time constant", usual="500 ms", check=_time),
        ),
        text=_type_text,
    ),
    "sequence": Kind(
        questions=(
            Question(key="name", text="What is the sequence called", usual="own acceptance", check=_words),
            Question(key="type sheet", text="Type sheet of the unit, by path or name", usual="pulse-to-current"),
            Question(key="exercise", text="Cycles without readings before", usual="3", check=_whole(0, 50)),
            Question(key="points", text="Points of a traverse", usual="11", check=_whole(2, 1001)),
            Question(key="cycles", text="Cycles up and down", usual="3", check=_whole(1, 1000)),
            Question(key="readings", text="Readings at each point", usual="5", check=_whole(1, 1000)),
        ),
        text=_sequence_text,
    ),
    "bench": Kind(
        questions=(
            Question(key="name", text="What is the bench called", usual="own bench", check=_words),
            Question(key="source", text="Description of the source", usual="generic-scpi-source", check=_words),
            Question(
                key="source resource",
                text="Where VISA finds it",
                usual="TCPIP::127.0.0.1::5025::SOCKET",
                is_asked=_has("source"),
            ),
            Question(key="reference", text="Description of what reads the input (none = nothing does)", usual="none"),
            Question(
                key="reference resource",
                text="Where VISA finds it",
                usual="TCPIP::127.0.0.1::5027::SOCKET",
                is_asked=_has("reference"),
            ),
            Question(
                key="meter", text="Description of what reads its output", usual="generic-scpi-meter", check=_words
            ),
            Question(
                key="meter resource",
                text="Where VISA finds it",
                usual="TCPIP::127.0.0.1::5026::SOCKET",
                is_asked=_has("meter"),
            ),
            Question(key="input tap", text="Name of the first tap in the type sheet", usual="input", check=_words),
            Question(key="output tap", text="Name of the last tap", usual="output", check=_words),
        ),
        text=_bench_text,
    ),
    "instrument": Kind(
        questions=(
            Question(key="name", text="What instrument is it", usual="own meter", check=_words),
            Question(key="role", text="Is it a source or a meter", usual="meter", check=_one_of("source", "meter")),
            Question(key="identify", text="Question for its identity", usual="*IDN?", check=_words),
            Question(key="clear", text="Command that clears its status (none)", usual="*CLS"),
            Question(key="prepare", text="Command that brings it to a known state (none)", usual="*RST"),
            Question(key="error query", text="Question for its last error (none)", usual="SYST:ERR?"),
            Question(key="timeout", text="How long an answer may take", usual="5 s", check=_time),
            Question(key="function", text="Name of the function", usual="current", check=_words),
            Question(key="unit", text="Unit to set or read in", usual="mA", check=_unit),
            Question(key="sent in", text="Unit that its numbers are in", usual="A", check=_unit),
            Question(key="query", text="Question for a fresh reading", usual="READ?", check=_words, is_asked=_is_meter),
            Question(
                key="set",
                text="Command that sets a level ({level} is the number)",
                usual="SOUR:CURR {level:.7E}",
                check=_words,
                is_asked=_is_source,
            ),
            Question(key="read back", text="Question for the level (none)", usual="SOUR:CURR?", is_asked=_is_source),
            Question(key="on", text="Command: output on", usual="OUTP ON", check=_words, is_asked=_is_source),
            Question(key="off", text="Command: output off", usual="OUTP OFF", check=_words, is_asked=_is_source),
            Question(
                key="safe level", text="Level that hurts nobody", usual="0 mA", check=quantity, is_asked=_is_source
            ),
            Question(key="range", text="Range", usual="0 .. 25 mA", check=span),
            Question(key="resolution", text="Resolution in that range", usual="1 uA", check=quantity),
            Question(
                key="accuracy",
                text="Accuracy in that range",
                usual="0.02 % of reading + 2 uA",
                check=lambda given: terms(given, bases=("reading", "range"), like=()),
            ),
        ),
        text=_instrument_text,
    ),
}
