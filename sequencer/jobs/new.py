"""A new file of a few answers: written, read again as livezero reads it, and what to do with it next."""

import contextlib
import os
import shlex
import tempfile
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

import yaml

from instruments.benchcheck import InstrumentCheck
from instruments.benchfile import load_bench
from instruments.description import DESCRIPTIONS, Description
from instruments.errors import InputError, LivezeroError
from instruments.shipped import shipped
from instruments.yamlfile import find, parse
from sequencer.inputs.files import load_sequence
from sequencer.inputs.new_files import KINDS, file_name
from sequencer.inputs.new_questions import Question
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

_DESCRIPTION = ("instrument description", DESCRIPTIONS)
_FILES: dict[str, dict[str, tuple[str, Path]]] = {
    "type": {},
    "instrument": {},
    "sequence": {"type sheet": ("type sheet", shipped("sequences", "types"))},
    "bench": dict.fromkeys(("source", "reference", "meter"), _DESCRIPTION),
}
"""Of each kind of file the answers that name another one: what that is, and where those that come along lie."""
_TOGETHER = "the answers"


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
        question = questions[at].beside(answers)
        answer = _known(question, answers, given)
        if answer is None and ask is not None:
            answer = ask(_with_usual(question, before.get(question.key, question.usual)))
            if answer is None:
                before |= answers
                at = asked.pop() if asked else at
                answers = {each.key: answers[each.key] for each in questions[:at]}
                continue
            asked.append(at)
        answers[question.key] = _checked(question, question.usual, is_usual=True) if answer is None else answer
        at += 1
    return answers


def _with_usual(question: Question, usual: str) -> Question:
    """A question with what is usual, or nothing where that does not fit the answers before."""
    try:
        question.check(usual)
    except InputError:
        usual = ""
    return replace(question, usual=usual)


def _known(question: Question, answers: Mapping[str, str], given: Mapping[str, str]) -> str | None:
    """The answer that nobody has to be asked for; None where there is none."""
    if not question.is_asked(answers):
        if question.key in given:
            raise InputError(
                "says what the other answers leave no room for", where=question.option, todo="leave it out"
            )
        return question.usual
    return _checked(question, given[question.key]) if question.key in given else None


def _checked(question: Question, text: str, *, is_usual: bool = False) -> str:
    try:
        question.check(text)
    except InputError as error:
        what = f'what is usual, "{text}", cannot stand here: {error.what}' if is_usual else error.what
        raise InputError(what, where=question.option, allowed=error.allowed, todo=error.todo) from error
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
    answers = {**answers, **{key: _as_seen_from(path, answers[key], *where) for key, where in _FILES[kind].items()}}
    text = KINDS[kind].text(answers)
    write_bytes(text.encode("utf-8"), path)
    try:
        _CHECKS[kind](text, path)
    except InputError as error:
        path.unlink()
        raise _of_the_answers(error, kind, answers, path) from error
    return path, text


def _as_seen_from(path: Path, name: str, what: str, folder: Path) -> str:
    """The name of a file that lies in the current folder, from the folder of a new one; others as they are."""
    try:
        found = find(name, what=what, folder=folder)
    except InputError:  # beside the new file, or nowhere: reading that tells
        return name
    if found.is_absolute():  # as given, or one that comes along
        return name
    try:
        return Path(os.path.relpath(found, path.parent)).as_posix()
    except ValueError:  # another drive
        return str(found.resolve())


def _of_the_answers(error: LivezeroError, kind: str, answers: Mapping[str, str], path: Path) -> InputError:
    """A fault of a file that is gone again: where it stood becomes the option that wrote it."""
    where = error.where
    if where.startswith(f"{path}:"):
        where = _options_at(int(where.removeprefix(f"{path}:").split(":")[0]), kind, answers)
    elif where == str(path):
        where = _TOGETHER
    else:
        where = next((each.option for each in KINDS[kind].questions if answers[each.key] == where), where)
    others = tuple(_of_the_answers(each, kind, answers, path) for each in error.others)
    return InputError(error.what, where=where, allowed=error.allowed, todo=error.todo, others=others)


def _options_at(line: int, kind: str, answers: Mapping[str, str]) -> str:
    """The options whose answers stand in a line: it is another one with another answer."""
    lines = KINDS[kind].text(answers).splitlines()
    if lines[line - 1].endswith(":"):  # a group as a whole
        return _TOGETHER
    found = []
    for question in KINDS[kind].questions:
        with contextlib.suppress(InputError):
            changed = KINDS[kind].text({**answers, question.key: f"{answers[question.key]}0"}).splitlines()
            if len(changed) == len(lines) and changed[line - 1] != lines[line - 1]:
                found.append(question.option)
    return " and ".join(found) or _TOGETHER


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
