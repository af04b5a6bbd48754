"""Which folder of records it is: a name in it that goes with it, wherever it is mounted, moved or copied to."""

import contextlib
import os
import platform
import uuid
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, insert, select, update

from instruments.errors import RecordError
from sequencer.index.models import Place

__all__ = ["Here", "here"]

_NAME = ".index/place"


@dataclass(frozen=True, slots=True)
class Here:
    """A folder of records, as this computer sees it."""

    uuid: str
    host: str
    path: str

    def row_id(self, connection: Connection) -> int:
        """Its row, made if it is not there, and held by the transaction: of two that write of one place one waits."""
        found = self.found(connection, holds=True)
        if found is None:
            values = {"uuid": self.uuid, "host": self.host, "path": self.path, "log_bytes": 0}
            if connection.dialect.name == "postgresql":
                from sqlalchemy.dialects.postgresql import insert as insert_if  # noqa: PLC0415

                connection.execute(insert_if(Place).values(values).on_conflict_do_nothing())
            else:
                connection.execute(insert(Place).values(values))
            found = self.found(connection, holds=True)
            assert found is not None
        moved = (Place.host != self.host) | (Place.path != self.path)
        connection.execute(update(Place).where(Place.id == found, moved).values(host=self.host, path=self.path))
        return found

    def is_moved(self, connection: Connection) -> bool:
        """It is kept, and was seen elsewhere last."""
        known = connection.execute(select(Place.host, Place.path).where(Place.uuid == self.uuid)).one_or_none()
        return known is not None and tuple(known) != (self.host, self.path)

    def found(self, connection: Connection, *, holds: bool = False) -> int | None:
        """Its row; None if it has none yet."""
        asked = select(Place.id).where(Place.uuid == self.uuid)
        found: int | None = connection.scalar(asked.with_for_update() if holds else asked)
        return found


def here(results: Path) -> Here:
    """The place that a folder of records is; its name is written once.

    Where nothing can be written its path stands for it.

    Raises:
        RecordError: there is no such folder, or the name in it was altered.
    """
    path = results / _NAME
    if not results.is_dir():
        raise RecordError("there is no such folder of records", where=str(results), todo="name it with --results")
    try:
        with contextlib.suppress(FileNotFoundError):
            if name := path.read_text(encoding="ascii").strip():
                return Here(name, platform.node(), str(results.resolve()))
        path.parent.mkdir(exist_ok=True)
        new = path.with_name(f"place.{os.getpid()}.{uuid.uuid4().hex}")
        new.write_text(uuid.uuid4().hex, encoding="ascii")
        with contextlib.suppress(FileExistsError):
            os.link(new, path)  # of two that begin at once the first names it
        if not path.exists():  # a disk without links
            new.replace(path)
        new.unlink(missing_ok=True)
        return Here(path.read_text(encoding="ascii").strip(), platform.node(), str(results.resolve()))
    except OSError:  # nothing can be written there: it is known by where it is
        where = f"{platform.node()}:{results.resolve()}"
        return Here(uuid.uuid5(uuid.NAMESPACE_URL, where).hex, platform.node(), str(results.resolve()))
    except UnicodeDecodeError as error:
        raise RecordError("is not the name of a place", where=str(path), todo="delete it; it is made again") from error
