"""The description of an instrument that is spoken to in text, from the commands in its manual."""

import re
from pathlib import Path

from instruments import scpi
from instruments.description import Termination
from instruments.errors import InputError
from instruments.units import Terms, difference, is_alike, is_width, magnitude, quantity, span, terms
from instruments.yamlfile import parse
from sequencer.inputs.new_questions import Answers, Kind, Question, one_of, scalar, time_, unit, words

__all__ = ["INSTRUMENT"]

_LINE_END = re.compile(r"(?:[ !#-\[\]-~]|\\(?:[rnt0\\]|x[0-9A-Fa-f]{2}))+")


def _text(answers: Answers) -> str:
    is_source = answers["role"] == "source"
    in_unit = answers["unit"]
    ways = [
        f"    set: {scalar(answers['set'])}",
        *([] if _is_none(answers["read back"]) else [f"    read back: {scalar(answers['read back'])}"]),
        f"    on: [{scalar(answers['on'], in_list=True)}]",
        f"    off: [{scalar(answers['off'], in_list=True)}]",
        f"    safe level: {answers['safe level']}",
    ]
    errors = answers["error query"]
    return "\n".join(
        [
            "# As in its manual. Spoken: identify, clear, safe level and off, prepare.",
            f"instrument: {scalar(answers['name'])}",
            f'termination: {{write: "{answers["termination write"]}", read: "{answers["termination read"]}"}}',
            *(["echo: yes"] if answers["echo"] == "yes" else []),
            f"timeout: {answers['timeout']}",
            f"identify: {scalar(answers['identify'])}",
            # Written where there is none, too: a description that says nothing of it clears with *CLS.
            f"clear: {_listed(answers['clear'])}",
            f"prepare: {_listed(answers['prepare'])}",
            *([] if _is_none(errors) else [f'error query: {{ask: {scalar(errors, in_list=True)}, none: "0"}}']),
            "functions:",
            f"  {scalar(answers['function'])}:",
            f"    {'sets' if is_source else 'reads'}: {in_unit}",
            *([f"    in: {answers['sent in']}"] if answers["sent in"] != in_unit else []),
            *(ways if is_source else [f"    query: {scalar(answers['query'])}"]),
            *([f"    reply: {scalar(answers['reply'])}"] if answers["reply"] != "{value}" else []),
            *([f"    decimal: {answers['decimal']}"] if answers["decimal"] != "point" else []),
            "    # One line a range; give the accuracy of the manual, or of its certificate.",
            "    ranges:",
            f"      - range: {answers['range']}",
            f"        resolution: {answers['resolution']}",
            f"        accuracy: {answers['accuracy']}",
            "",
        ]
    )


def _is_none(command: str) -> bool:
    return command.strip().casefold() in ("", "none")


def _listed(command: str) -> str:
    return "[]" if _is_none(command) else f"[{scalar(command, in_list=True)}]"


def _line_end(given: str) -> None:
    if not _LINE_END.fullmatch(given):
        raise InputError(f'"{given}" is no line end', allowed="\\n, \\r, \\r\\n, or another such as \\x03\\r")
    parse(f'read: "{given}"', Path("line end")).into(Termination)


def _reply(given: str) -> None:
    try:
        scpi.reply_pattern(given)
    except ValueError as error:
        raise InputError(f'"{given}" is no pattern of a reply', allowed=str(error)) from error


def _is_read(answers: Answers) -> bool:
    return answers["role"] == "meter" or not _is_none(answers["read back"])


def _sent_in(answers: Answers) -> str:
    return "A" if is_alike(answers["unit"], "A") else answers["unit"]


def _is_level(given: str, answers: Answers) -> None:
    quantity(given, like=answers["unit"])


def _holds_safe_level(given: str, answers: Answers) -> None:
    found = span(given, like=answers["unit"])
    if _is_source(answers) and not found.holds(magnitude(quantity(answers["safe level"]), found.unit)):
        raise InputError(f'"{given}" does not hold the safe level, {answers["safe level"]}', todo="correct one of them")


def _is_difference(given: str, answers: Answers) -> None:
    if not is_width(str(difference(given).units), answers["unit"]):
        raise InputError(f'"{given}" is not in {answers["unit"]}', todo=f"give it in {answers['unit']}")


def _is_accuracy(given: str) -> Terms:
    return terms(given, bases=("reading", "range"), like=())


def _accuracy_fits(given: str, answers: Answers) -> None:
    if not _is_accuracy(given).fits(answers["unit"]):
        raise InputError(
            f'"{given}" is neither in {answers["unit"]} nor in %',
            todo=f"give it in {answers['unit']}, or in % of reading or range",
        )


def _is_in_unit(given: str, answers: Answers) -> None:
    if not is_alike(given, answers["unit"]):
        raise InputError(f'"{given}" does not measure what {answers["unit"]} does', todo=f"write {answers['unit']}")


def _is_source(answers: Answers) -> bool:
    return answers["role"] == "source"


def _is_meter(answers: Answers) -> bool:
    return answers["role"] == "meter"


INSTRUMENT = Kind(
    questions=(
        Question(key="name", text="What instrument is it", usual="own meter", check=words),
        Question(key="role", text="Is it a source or a meter", usual="meter", check=one_of("source", "meter")),
        Question(
            key="termination write", text="What ends each message to it (\\r\\n ...)", usual="\\n", check=_line_end
        ),
        Question(
            key="termination read", text="What ends each of its answers (\\r\\n ...)", usual="\\n", check=_line_end
        ),
        Question(key="echo", text="Does it send back each message (yes, no)", usual="no", check=one_of("yes", "no")),
        Question(key="identify", text="Question for its identity", usual="*IDN?", check=words),
        Question(key="clear", text="Command that clears its status (none)", usual="*CLS"),
        Question(key="prepare", text="Command that brings it to a known state (none)", usual="*RST"),
        Question(key="error query", text="Question for its last error (none)", usual="SYST:ERR?"),
        Question(key="timeout", text="How long an answer may take", usual="5 s", check=time_),
        Question(key="function", text="Name of the function", usual="current", check=words),
        Question(key="unit", text="Unit to set or read in", usual="mA", check=unit),
        Question(
            key="sent in",
            text="Unit that its numbers are in",
            usual="A",
            check=unit,
            fits=_is_in_unit,
            usual_beside=_sent_in,
        ),
        Question(key="query", text="Question for a fresh reading", usual="READ?", check=words, is_asked=_is_meter),
        Question(
            key="set",
            text="Command that sets a level ({level} is the number)",
            usual="SOUR:CURR {level:.7E}",
            check=words,
            is_asked=_is_source,
        ),
        Question(key="read back", text="Question for the level (none)", usual="SOUR:CURR?", is_asked=_is_source),
        Question(key="on", text="Command: output on", usual="OUTP ON", check=words, is_asked=_is_source),
        Question(key="off", text="Command: output off", usual="OUTP OFF", check=words, is_asked=_is_source),
        Question(
            key="safe level",
            text="Level that hurts nobody",
            usual="0 mA",
            check=quantity,
            is_asked=_is_source,
            fits=_is_level,
        ),
        Question(
            key="reply",
            text="How a reading is written ({value}, {unit}, {status}, {skip})",
            usual="{value}",
            check=_reply,
            is_asked=_is_read,
        ),
        Question(
            key="decimal",
            text="Decimal mark on the wire (point, comma)",
            usual="point",
            check=one_of("point", "comma"),
        ),
        Question(key="range", text="Range", usual="0 .. 25 mA", check=span, fits=_holds_safe_level),
        Question(key="resolution", text="Resolution in that range", usual="1 uA", check=quantity, fits=_is_difference),
        Question(
            key="accuracy",
            text="Accuracy in that range",
            usual="0.02 % of reading + 2 uA",
            check=_is_accuracy,
            fits=_accuracy_fits,
        ),
    ),
    text=_text,
)
