"""Where the index is: SQLite in the folder of the records, or what `LIVEZERO_INDEX` names; opened, brought up to date.

One code for both. A transaction that writes is known as such from its begin, so that of many processes each waits for
its turn and none fails half way.
"""

import contextlib
import os
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.exc import (
    ArgumentError,
    DBAPIError,
    DisconnectionError,
    NoSuchModuleError,
    OperationalError,
    SQLAlchemyError,
)
from sqlalchemy.pool import NullPool, QueuePool

from instruments.errors import InputError, RecordError
from sequencer.index.models import Base

__all__ = ["HEAD", "Database", "sqlite_of"]

HEAD = "0001"
"""The last migration of the package; a test holds it to what stands in `migrations/versions`."""
_WAIT_S = 30.0
# Of PostgreSQL: a server that does not answer costs a run seconds at its end, never more.
_PATIENCE = {
    "connect_timeout": 3,
    "tcp_user_timeout": 10_000,
    "options": "-c lock_timeout=30s -c timezone=UTC",
}
_LOCK = 4201  # of PostgreSQL, while tables are made: any number that all agree on
_engines: dict[str, "Database"] = {}
_of_parents: list["Database"] = []
_opening = threading.Lock()


def _leave_to_parent() -> None:
    """In a process that was forked: what the other one has open is neither used nor closed here, as SQLite asks."""
    _of_parents.extend(_engines.values())
    _engines.clear()


if hasattr(os, "register_at_fork"):
    os.register_at_fork(after_in_child=_leave_to_parent)


def sqlite_of(results: Path) -> Path:
    """The SQLite file of a folder of records."""
    return results / ".index" / "records.sqlite"


class Database:
    """An index, its tables made.

    Attributes:
        url: of it, without a password.
        is_sqlite: it is a file.
    """

    def __init__(self, url: URL) -> None:
        self.url = url.render_as_string(hide_password=True)
        self.is_sqlite = url.get_backend_name() == "sqlite"
        self._path = Path(url.database) if self.is_sqlite and url.database else None
        self._engine = _engine(url)
        self._is_current = False

    @classmethod
    def of(cls, results: Path, named: str = "") -> "Database":
        """The index of a folder of records; each is opened once in a process.

        Args:
            results: the folder.
            named: URL, or path of an SQLite file; "" = in the folder.

        Raises:
            InputError: it is no URL, or of no database that can be used.
        """
        url = _url(named) if named else URL.create("sqlite", database=str(sqlite_of(results).resolve()))
        key = url.render_as_string(hide_password=False)
        with _opening:
            if key not in _engines:
                for other in _engines.values():
                    other.close()  # one file is kept open at a time, not all that ever were
                _engines[key] = cls(url)
            return _engines[key]

    def close(self) -> None:
        """Close what is kept open; what is asked next opens it again."""
        self._engine.dispose()

    @property
    def is_there(self) -> bool:
        """False for a file that was not made yet."""
        return self._path is None or self._path.is_file()

    @contextlib.contextmanager
    def reading(self) -> Iterator[Connection]:
        """A connection that only reads; raises RecordError if the index cannot be reached."""
        with self._told(), self._current().connect() as connection:
            yield connection

    @contextlib.contextmanager
    def writing(self) -> Iterator[Connection]:
        """A connection in a transaction: all of it is kept, or nothing; raises RecordError."""
        with self._told(), self._current().connect() as plain:
            connection = plain.execution_options(writes=True)
            with connection.begin():
                yield connection

    def set_aside(self) -> bool:
        """Put a file that cannot be used out of the way; False where it can, is of a later livezero, or is no file."""
        if self._path is None or not self._path.is_file():
            return False
        try:
            with self._told(), self._engine.connect() as connection:
                broken = connection.exec_driver_sql("pragma quick_check").scalar() != "ok"
                is_ours = not broken and not self._lacking(connection)
        except RecordError:
            is_ours = False
        if is_ours:
            return False
        self.close()
        self._path.replace(self._path.with_suffix(".broken"))
        for each in ("-wal", "-shm"):
            self._path.with_name(self._path.name + each).unlink(missing_ok=True)
        self._is_current = False
        return True

    @staticmethod
    def _lacking(connection: Connection) -> bool:
        """The tables are not those that this version writes."""
        there = inspect(connection)
        tables = set(there.get_table_names())
        if not tables >= set(Base.metadata.tables):
            return True
        return any(
            {column.name for column in table.columns} - {column["name"] for column in there.get_columns(name)}
            for name, table in Base.metadata.tables.items()
        )

    def _current(self) -> Engine:
        """The engine, tables made and of this version."""
        if self._is_current and self.is_there:
            return self._engine
        if self._path is not None:
            self._path.parent.mkdir(parents=True, exist_ok=True)
        if self._version() != HEAD:
            self._migrate()
        self._is_current = True
        return self._engine

    def _version(self) -> str:
        """The migration that the tables are of; "" = there are none."""
        with self._engine.connect() as connection:
            try:
                return str(connection.scalar(text("select version_num from alembic_version")) or "")
            except (OperationalError, DBAPIError) as error:
                if connection.invalidated or "alembic_version" not in str(error.orig):
                    raise
                return ""

    def _migrate(self) -> None:
        """Make the tables, or bring them to this version; raises RecordError for those of a later livezero."""
        from alembic.command import upgrade  # noqa: PLC0415  a third of a second that is needed once
        from alembic.config import Config  # noqa: PLC0415
        from alembic.script import ScriptDirectory  # noqa: PLC0415

        config = Config()
        config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
        known = {each.revision for each in ScriptDirectory.from_config(config).walk_revisions()}
        found = self._version()
        if found and found not in known:
            raise RecordError(
                f"was made by a later livezero (its tables are of {found}, known are those up to {HEAD})",
                where=self.url,
                todo="use that livezero, or name another index; the records themselves can be read",
            )
        with self._engine.connect() as plain:
            connection = plain.execution_options(writes=True)
            with connection.begin():
                if not self.is_sqlite:
                    connection.execute(text(f"select pg_advisory_xact_lock({_LOCK})"))
                config.attributes["connection"] = connection
                upgrade(config, "head")

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (SQLAlchemyError, sqlite3.Error, OSError) as error:
            raise RecordError(
                f"the index cannot be used: {_said(error)}",
                where=self.url,
                todo="the records are kept without it; livezero index builds it anew from them"
                if self.is_sqlite
                else "check that it runs and can be reached; the records are kept without it, and those of a folder "
                "are listed with --index results/.index/records.sqlite",
            ) from error


def _url(named: str) -> URL:
    """A URL as written, with the driver that is used here; raises InputError."""
    if "://" not in named:
        return URL.create("sqlite", database=str(Path(named).resolve()))
    try:
        url = make_url(named)
        backend = url.get_backend_name()
    except ArgumentError as error:
        raise InputError("is not the URL of a database", where="LIVEZERO_INDEX", allowed=_ALLOWED) from error
    if backend not in {"sqlite", "postgresql", "postgres"}:
        raise InputError(f"no index is kept in {backend}", where="LIVEZERO_INDEX", allowed=_ALLOWED)
    return url if backend == "sqlite" else url.set(drivername="postgresql+psycopg")


_ALLOWED = 'a path of an SQLite file, "postgresql://USER@HOST/NAME", or "none"'


def _engine(url: URL) -> Engine:
    if url.get_backend_name() == "sqlite":
        # Kept open between two questions: to open one, and what its last close does, costs as much as a question. Not
        # on Windows, where nobody could remove the folder meanwhile.
        kept: dict[str, Any] = {"poolclass": QueuePool, "pool_size": 1, "max_overflow": -1}
        pool = kept if os.name == "posix" else {"poolclass": NullPool}
        engine = create_engine(url, connect_args={"timeout": _WAIT_S}, **pool)
        event.listen(engine, "connect", _prepare)
        event.listen(engine, "checkout", _same_file)
        event.listen(engine, "begin", _begin)
        return engine
    try:
        return create_engine(url, poolclass=NullPool, connect_args=_PATIENCE)
    except (ImportError, NoSuchModuleError) as error:
        raise InputError(
            "PostgreSQL needs a package that is not there",
            where="LIVEZERO_INDEX",
            todo='python -m pip install "livezero[postgres]"',
        ) from error


def _prepare(connection: Any, record: Any) -> None:  # noqa: ANN401  what the driver gives
    connection.isolation_level = None  # transactions begin where `_begin` says so, not where the driver guesses
    cursor = connection.cursor()
    for each in ("journal_mode=wal", "synchronous=full", "foreign_keys=on", f"busy_timeout={int(1000 * _WAIT_S)}"):
        cursor.execute(f"pragma {each}")
    cursor.close()
    connection.create_function("lower", 1, _lower, deterministic=True)
    record.info["file"] = _file_of(_path_of(connection))


def _path_of(connection: Any) -> str:  # noqa: ANN401  what the driver gives
    """Of the file that a connection has open; "" = none."""
    return str(connection.execute("pragma database_list").fetchone()[2])


def _file_of(path: str) -> tuple[str, int, int, int] | None:
    """What tells a file from another of its name, or from one that was written over; None = it is not there."""
    try:
        found = Path(path).stat()
    except OSError:
        return None
    return path, found.st_dev, found.st_ino, found.st_mtime_ns


def _same_file(connection: object, record: Any, proxy: object) -> None:  # noqa: ANN401  what SQLAlchemy gives
    """A connection that was kept open is used again only where its file still lies there: it may have been replaced."""
    del connection, proxy
    there = record.info["file"]
    if there is not None and _file_of(there[0]) != there:
        raise DisconnectionError("the file was replaced")


def _lower(text: str | None) -> str | None:
    """Small letters, as PostgreSQL makes them: SQLite's own knows those of ASCII alone."""
    return None if text is None else text.lower()


def _begin(connection: Connection) -> None:
    writes = connection.get_execution_options().get("writes", False)
    connection.exec_driver_sql("begin immediate" if writes else "begin")


def _said(error: Exception) -> str:
    """What the database says, in one line."""
    cause = getattr(error, "orig", None) or error
    return " ".join(str(cause).split()).partition(" Is the server running")[0] or type(cause).__name__
