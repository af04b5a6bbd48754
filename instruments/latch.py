"""What says, beyond the process that drove a source, that nobody has proved it safe since: a mark on the disk.

It is made before a source is driven, so that a crash cannot come in between, and goes with the proof that the source
is at its safe level and off. One mark holds all that proof needs (resource, description, identity, safe level): the
bench file and the record may be changed or gone. It stands beside the locks; it says nothing while its bench is held,
for a run that goes on has one too. It talks to no instrument.
"""

import contextlib
import hashlib
import os
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path

from pydantic import BaseModel, ConfigDict, Field

from instruments.description import Description
from instruments.errors import InstrumentError
from instruments.interrupts import held_off
from instruments.locks import STATE_FOLDER, made_for_all, resource_stem, state_folder
from instruments.passwords import Password

__all__ = ["Latch", "LeftOn", "acknowledged", "left_on", "proved"]

_FOLDER, _ACKNOWLEDGED = "not-proved-safe", "acknowledged"


class LeftOn(BaseModel):
    """A source that was driven and is not proved safe.

    Args:
        name: on its bench.
        resource: of its line, as its bench file has it.
        library: of VISA.
        function: of its description.
        safe_level: number and unit.
        description: as it was used; None where that is not known any more, so that only a person can clear it.
        password: where its password stands; None if it has none.
        identity: as it identified itself; "" if it does not.
        since: ISO date and time.
        serial: of the unit whose run drove it.
        record: folder of that run, absolute; "" if it has none.
        disbelieved: why its own word does not count, so that only a person can clear it; "" if it does.
        cleared_by: "NAME: reason" of who answers for it.
        found_at: path of the mark that it was read from; "" if it was not.
    """

    model_config = ConfigDict(frozen=True)

    name: str
    resource: str
    library: str = ""
    function: str = ""
    safe_level: str = ""
    description: Description | None = None
    password: Password | None = None
    identity: str = ""
    since: str = ""
    serial: str = ""
    record: str = ""
    disbelieved: str = ""
    cleared_by: str = ""
    found_at: str = Field(default="", exclude=True)

    @property
    def where(self) -> str:
        """Source and resource, as errors say it."""
        return f"{self.name} ({self.resource})"

    @property
    def path(self) -> Path:
        """Where its mark stands: one for each resource, function and instrument."""
        if self.found_at:
            return Path(self.found_at)
        which = hashlib.sha256(f"{self.function}\n{self.identity}".encode()).hexdigest()[:8]
        return state_folder(_FOLDER) / f"{resource_stem(self.resource)}-{which}.json"


class Latch:
    """The mark of one source, for who drives it.

    Args:
        source: without identity and date, which `set` knows.
    """

    def __init__(self, source: LeftOn) -> None:
        self.name = source.name
        self._source = source
        self._set: LeftOn | None = None

    def belongs_to(self, *, serial: str, record: Path) -> None:
        """Name the run that will drive the source."""
        self._source = self._source.model_copy(update={"serial": serial, "record": str(record.resolve())})

    def set(self, identity: str, since: str = "", disbelieved: str = "") -> None:
        """Make the mark, on the disk when this returns; again while it stands does nothing.

        Raises:
            InstrumentError: it cannot be written, so that the source must not be driven.
        """
        if self._set is not None and not disbelieved:
            return
        made = self._source.model_copy(
            update={"identity": identity, "since": since or datetime.now(UTC).isoformat(timespec="seconds")}
            | {"disbelieved": disbelieved}
        )
        try:
            with held_off():  # a mark that is made and not known here would never go
                _write(made.path, made)
                self._set = made
        except OSError as error:
            raise InstrumentError(
                f"is not driven, its mark cannot be written: {getattr(error, 'strerror', '') or error}",
                where=made.where,
                todo=f"make room, or name a folder that every user can write in {STATE_FOLDER}",
            ) from error

    def clear(self) -> None:
        """Take the mark away: its source was proved safe."""
        if self._set is not None:
            proved(self._set)
            self._set = None


def left_on(resources: Mapping[str, str], *, record: Path | None = None) -> tuple[LeftOn, ...]:
    """The sources at any of the resources, or driven by the run of a record, that are not proved safe.

    A run that goes on drives such a source too: ask while the resources are held. A mark that cannot be read counts.

    Args:
        resources: by instrument.
        record: folder of a run; None = of no run.
    """
    stems = {resource_stem(resource): (name, resource) for name, resource in resources.items()}
    found = []
    for path in _paths():
        name, resource = stems.get(path.stem.rpartition("-")[0], ("", ""))
        each = _read(path, name, resource)
        if each is not None and (resource or (record is not None and each.record == str(record.resolve()))):
            found.append(each)
    return tuple(found)


def _paths() -> Iterator[Path]:
    with contextlib.suppress(OSError):
        yield from sorted(state_folder(_FOLDER).glob("*.json"))


def _read(path: Path, name: str, resource: str) -> LeftOn | None:
    """A mark; of one that cannot be read what its file name tells; None if it is gone by now."""
    try:
        found = LeftOn.model_validate_json(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, RecursionError):
        found = LeftOn(name=name, resource=resource)
    return found.model_copy(update={"found_at": str(path)})


def proved(source: LeftOn) -> None:
    """Take the mark of a source away; one that cannot be taken away is proved again next time."""
    with contextlib.suppress(OSError):
        source.path.unlink()


def acknowledged(source: LeftOn, who: str) -> None:
    """A person answers for a source: its mark is kept aside with the name. Raises InstrumentError if it cannot be."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%f")
    path = source.path
    try:
        _write(path.parent / _ACKNOWLEDGED / f"{path.stem}-{stamp}.json", source.model_copy(update={"cleared_by": who}))
        path.unlink(missing_ok=True)
    except OSError as error:
        raise InstrumentError(
            f"cannot be acknowledged: {error.strerror}", where=source.where, todo=f"look after {path}"
        ) from error


def _write(path: Path, source: LeftOn) -> None:
    """Whole or not at all, and on the disk when this returns; raises OSError."""
    made_for_all(path.parent)
    half = path.with_suffix(f".{os.getpid()}")
    with half.open("w", encoding="utf-8") as file:
        file.write(source.model_dump_json(by_alias=True, indent=1))
        file.flush()
        os.fsync(file.fileno())
    half.chmod(0o666)  # whoever comes next proves it
    half.replace(path)
    with contextlib.suppress(OSError):  # Windows syncs no folder
        number = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(number)
        finally:
            os.close(number)
