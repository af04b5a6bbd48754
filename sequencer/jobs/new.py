"""A new file of a few answers: written, read again as livezero reads it, and what to do with it next."""

import shlex
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import yaml

from instruments.benchcheck import InstrumentCheck
from instruments.benchfile import load_bench
from instruments.description import Description
from instruments.errors import InputError
from instruments.yamlfile import parse
from sequencer.inputs.files import load_sequence
from sequencer.inputs.new_files import KINDS, Question, file_name
from sequencer.inputs.type_sheet import TypeSheet
from sequencer.jobs.bench import check_bench
from sequencer.jobs.pages import write_bytes

__all__ = ["answered", "next_command", "tried", "write_new"]

_CHECKS: dict[str, Callable[[str, Path], object]] = {
    "type": lambda text, path: parse(text, path).into(TypeSheet),
    "instrument": lambda text, path: parse(text, path).into(Description),
    "sequence": lambda _, path: load_sequence(str(path)),
    "bench": lambda _, path: load_bench(path),
}


def answered(kind: str, given: Mapping[str, str], ask: Callable[[Question], str | None] | None) -> dict[str, str]:
    """An answer to each question of a kind of file: as given, else asked for, else the usual one.

    Args:
        kind: type, sequence, bench or instrument.
        given: answers by key; one to a question that the others leave no room for is refused.
        ask: the person's answer, which is asked for again until it can stand, or None to go back to the question that
            was asked before; None = nobody is there.

    Raises:
        InputError: an answer that cannot stand, with the option that gave it.
    """
    questions = KINDS[kind].questions
    answers: dict[str, str] = {}
    before: dict[str, str] = {}  # answers that were gone back behind, which are the usual ones then
    asked: list[int] = []
    at = 0
    while at < len(questions):
        question = questions[at]
        answer = _known(question, answers, given)
        if answer is None and ask is not None:
            answer = ask(replace(question, usual=before.get(question.key, question.usual)))
            if answer is None:
                before |= answers
                at = asked.pop() if asked else at
                answers = {each.key: answers[each.key] for each in questions[:at]}
                continue
            asked.append(at)
        answers[question.key] = question.usual if answer is None else answer
        at += 1
    return answers


def _known(question: Question, answers: Mapping[str, str], given: Mapping[str, str]) -> str | None:
    """The answer that nobody has to be asked for; None where there is none."""
    option = f"--{question.key.replace(' ', '-')}"
    if not question.is_asked(answers):
        if question.key in given:
            raise InputError("says what the other answers leave no room for", where=option, todo="leave it out")
        return question.usual
    return _checked(question, given[question.key], option) if question.key in given else None


def _checked(question: Question, text: str, option: str) -> str:
    try:
        question.check(text)
    except InputError as error:
        raise InputError(error.what, where=option, allowed=error.allowed, todo=error.todo) from error
    return text


def write_new(kind: str, answers: Mapping[str, str], path: Path | None) -> tuple[Path, str]:
    """Write the file of some answers, read it again, and return its path and text; a file that is there stays.

    Args:
        kind: type, sequence, bench or instrument.
        answers: to all its questions.
        path: where to; None = by its name, in the current folder.

    Raises:
        InputError: there is such a file, or what it names is not there; nothing is left behind then.
    """
    path = path or Path(file_name(answers["name"]))
    if path.exists():
        raise InputError("is there already", where=str(path), todo="name another file with --to, or take that one away")
    text = KINDS[kind].text(answers)
    write_bytes(text.encode("utf-8"), path)
    try:
        _CHECKS[kind](text, path)
    except InputError:
        path.unlink()
        raise
    return path, text


def tried(description: Path, resource: str, *, role: str) -> tuple[InstrumentCheck, ...]:
    """Try the commands of a description on the instrument itself, its output off, as `check_bench` does.

    Args:
        description: file of it.
        resource: where VISA finds the instrument.
        role: source or meter.

    Raises:
        InputError: the resource cannot be one.
        InstrumentError: the VISA backend cannot be used.
    """
    wired = "set by" if role == "source" else "read by"
    bench = {
        "bench": "one instrument",
        "instruments": {role: {"description": str(description.resolve()), "resource": resource}},
        "taps": {"input": {wired: role}},
    }
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.yaml"
        path.write_text(yaml.safe_dump(bench), encoding="utf-8")
        return check_bench(path)


def next_command(kind: str, path: Path, answers: Mapping[str, str]) -> str:
    """What to type next."""
    name = shlex.quote(str(path))
    return {
        "type": f"livezero new sequence --type-sheet {name}",
        "sequence": f"livezero plan {name} --bench simulated",
        "bench": f"livezero bench check {name}",
        "instrument": f"livezero new bench --{answers.get('role', 'meter')} {name}",
    }[kind]
