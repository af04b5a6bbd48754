"""Benches that a run left energised: said, tried again at each start, and cleared by proof or by a person's name.

"Not proved safe" is a state that outlives every process. It has two places: the mark of each source that was driven
(`instruments.latch`), which every command on that bench finds, and the journal of its run (`unproved`), which tells
the same where there is no mark: of a record of before, or one that was carried to another computer.
"""

from collections.abc import Callable, Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeAlias

from instruments.bench import latch_of
from instruments.benchfile import LoadedBench
from instruments.errors import InstrumentError, LivezeroError, RecordError, UnsafeError
from instruments.keyed import KeyedSource
from instruments.latch import Latch, LeftOn, acknowledged, left_on, proved
from instruments.locks import resources_held, resources_of
from instruments.proof import prove_safe as prove
from instruments.roles import Operator, said_safe
from instruments.units import quantity, show
from sequencer.jobs.interrupted import planned_before
from sequencer.jobs.nobody import Nobody
from sequencer.jobs.plan import acknowledgement
from sequencer.journal.lines import identities_of, unproved, whole_lines
from sequencer.journal.writer import Journal, is_being_written
from sequencer.record.addenda import add
from sequencer.record.layout import JOURNAL, is_sealed, journal_of

__all__ = ["Say", "is_left_on", "left_of", "make_safe", "not_proved_safe", "note", "prove_safe", "see_to"]

Say: TypeAlias = Callable[[str], None]
Lines: TypeAlias = list[dict[str, Any]]


def not_proved_safe(bench: LoadedBench) -> tuple[str, ...]:
    """What a command that drives nothing says of a bench first: a line for each source that is not proved safe.

    Nothing of a bench that a run holds now: that run sees to it.
    """
    if not left_on(resources_of(bench)):
        return ()
    try:
        with resources_held(resources_of(bench), job="looking whether it was left on"):
            return tuple(map(_story, left_on(resources_of(bench))))
    except InstrumentError:
        return ()


def prove_safe(bench: LoadedBench, *, acknowledged_by: str = "", say: Say | None = None) -> dict[str, str]:
    """Make safe what earlier runs left on, on a bench that is to be used.

    Args:
        bench: about to be used.
        acknowledged_by: "NAME: reason" of who answers for what cannot be proved; "" = nobody does.
        say: takes what is found, and what becomes of it, line by line.

    Returns:
        The safe level by source, of those proved now.

    Raises:
        InputError: an acknowledgement without name or reason.
        InstrumentError: another run holds the bench.
        UnsafeError: a source is not proved safe, and nobody answers for it.
    """
    who = acknowledgement(acknowledged_by)
    if not left_on(resources_of(bench)):
        return {}
    with resources_held(resources_of(bench), job="making safe what was left on"):
        return see_to(left_on(resources_of(bench)), who=who, say=say)


def make_safe(
    folder: Path | str,
    *,
    operator: Operator | None = None,
    acknowledged_by: str = "",
    say: Say | None = None,
) -> dict[str, str]:
    """Make safe what the run of a record, or another one on its bench, left on; what was proved is not touched again.

    Args:
        folder: of the record.
        operator: asked where a person sets the source.
        acknowledged_by: as for `prove_safe`.
        say: as for `prove_safe`.

    Returns:
        The safe level by source, of those proved now; nothing of a simulated bench, which went with its process.

    Raises:
        InputError: an acknowledgement without name or reason.
        RecordError: the first line of the journal is lost; what marks tell of its run is proved safe before.
        InstrumentError: another run holds the bench.
        UnsafeError: a source is not proved safe, and nobody answers for it.
    """
    folder, who, tell = Path(folder), acknowledgement(acknowledged_by), say or (lambda _: None)
    if is_being_written(folder / JOURNAL):  # its process sees to it
        return {}
    lines = list(whole_lines(journal_of(folder)).lines)
    if not lines or lines[0]["kind"] != "opened":  # a journal that is damaged must not keep a bench energised
        _by_marks(folder, {}, who, tell)
        raise RecordError("the journal has no first line", where=str(folder / JOURNAL))
    if not is_left_on(folder, lines):
        return {}
    keyed = _marked(folder, lines, operator)
    done = _by_marks(folder, left_of(lines), who, tell)
    for source in keyed:
        tell(f"{source.name}: NOT proved safe (run of {lines[0]['serial']})")
        source.left_by_others()
        try:
            source.make_safe()
        except UnsafeError as error:
            if not who:
                raise
            note(folder, "remark", text=f"{error.what}; acknowledged by {who}", acknowledged=[source.name])
            continue
        done[source.name] = show(source.safe_level)
        tell(f"  {said_safe(source.name, done[source.name], is_proved=True)}")
        note(folder, "safe", instrument=source.name, level=done[source.name])
    return done


def _by_marks(folder: Path, resources: dict[str, str], who: str, say: Say) -> dict[str, str]:
    resources = resources | {each.name: each.resource for each in left_on({}, record=folder)}
    with resources_held(resources, job=f"making safe after {folder.name}"):
        return see_to(left_on(resources, record=folder), who=who, say=say)


def is_left_on(folder: Path, lines: Lines) -> bool:
    """True if a source of a run, or of its bench, is not proved safe."""
    return bool(unproved(lines) or left_on(left_of(lines), record=folder))


def left_of(lines: Lines) -> dict[str, str]:
    """The resources of a run by instrument; none of a simulated bench."""
    if not lines or lines[0].get("is_simulated"):
        return {}
    return {each["name"]: each["resource"] for each in lines[0]["instruments"] if each["resource"]}


def _marked(folder: Path, lines: Lines, operator: Operator | None) -> list[KeyedSource]:
    """What a journal says was left on: marks made of it where they are missing; and the sources that a person sets."""
    names = [name for name in unproved(lines) if not any(name == each.name for each in left_on({}, record=folder))]
    if not names:
        return []
    try:
        plan = planned_before(folder, lines, is_to_go_on=False)
    except LivezeroError:  # nobody can tell any more how they are made safe: a person has to look
        for each in lines[0]["instruments"]:
            if each["name"] in names:
                left = LeftOn(name=each["name"], resource=each["resource"])
                _mark(Latch(left), folder, lines)
        return []
    keyed = []
    for wire in plan.wires:
        if wire.source is None or wire.safe_level is None or wire.source.instrument not in names:
            continue
        port = wire.source
        if plan.bench.descriptions[port.instrument].kind == "keyed":
            source = KeyedSource(
                name=port.instrument,
                function=port.function,
                limits=(),
                safe_level=wire.safe_level,
                operator=operator or Nobody(),
            )
            keyed.append(source)
        elif latch := latch_of(plan.bench, port, wire.safe_level):
            _mark(latch, folder, lines)
    return keyed


def _mark(latch: Latch, folder: Path, lines: Lines) -> None:
    last: str = next((line["at"] for line in reversed(lines) if line.get("at")), lines[0]["date"])
    latch.belongs_to(serial=lines[0]["serial"], record=folder)
    latch.set(identities_of(lines).get(latch.name, ""), since=datetime.fromisoformat(last).isoformat())


def see_to(sources: Iterable[LeftOn], *, who: str = "", say: Say | None = None) -> dict[str, str]:
    """The one way to clear what is not proved safe: by proof, else by name; its resources are held.

    Returns:
        The safe level by source, of those proved.

    Raises:
        UnsafeError: of all that are neither proved nor answered for.
    """
    tell, sources = say or (lambda _: None), tuple(sources)
    done: dict[str, str] = {}
    failed: list[UnsafeError] = []
    for each in sources:
        tell(_story(each))
    for each in sources:
        try:
            prove(each)
        except UnsafeError as error:
            if not who:
                failed.append(error)
                continue
            acknowledged(each, who)
            text = f"{each.where} {error.what}; acknowledged by {who}"
            tell(f"  {text}")
            note(each.record, "remark", text=text, acknowledged=[each.name], by=who.partition(":")[0])
            continue
        level = done[each.name] = show(quantity(each.safe_level))
        tell(f"  {said_safe(each.name, level, is_proved=True)}")
        note(each.record, "safe", instrument=each.name, level=level)
        proved(each)
    if failed:
        first, *others = failed
        raise UnsafeError(first.what, where=first.where, todo=first.todo, others=tuple(others))
    return done


def _story(left: LeftOn) -> str:
    whose = f" (run of {left.serial})" if left.serial else ""
    return f"{left.where}: NOT proved safe since {left.since or 'an unknown time'}{whose}"


def note(record: Path | str, kind: str, **fields: Any) -> None:  # noqa: ANN401  JSON values
    """Say in the record of the run what became of its source; a record that was moved or sealed loses nothing by it."""
    folder = Path(record)
    try:
        if not str(record):  # driven by no run that keeps a record
            return
        if is_sealed(folder):
            if kind == "remark":
                add(
                    folder,
                    kind,
                    date=datetime.now(UTC).isoformat(timespec="seconds"),
                    by=fields["by"],
                    text=fields["text"],
                )
        elif (folder / JOURNAL).is_file():
            with Journal(folder / JOURNAL, again=True) as journal:
                torn = {"torn": journal.torn} if journal.torn else {}
                journal.write(kind, sync=True, **fields, **torn)
    except (RecordError, OSError):
        return
