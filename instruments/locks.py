"""One bench, one run: locks that the operating system drops when the process that holds them is gone.

A lock is held on an open file, never by the mere presence of one, so that a process that was killed leaves none behind
and no process number has to be trusted. They hold between the processes of one user on one computer. filelock does the
locking; who holds a lock, and what a refusal says, is ours.
"""

import contextlib
import hashlib
import json
import os
import platform
import re
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import IO

from filelock import BaseFileLock, FileLock, Timeout, lock_descriptor
from pyvisa.errors import InvalidSession, VisaIOError
from pyvisa.rname import InvalidResourceName, to_canonical_name

from instruments.benchfile import LoadedBench
from instruments.errors import InstrumentError, shortened

__all__ = ["bench_held", "holder", "is_locked_now", "resource_stem", "resources_held", "resources_of", "state_folder"]

_FAR = 1 << 30
_LONGEST = 10_000
_TRIES = 10  # each is lost only where a holder gives the lock back just then


def is_locked_now(file: IO[bytes]) -> bool:
    """Lock an open file without waiting; False if another open file holds the lock. It goes when the file is closed."""
    if sys.platform == "win32":
        # filelock locks the first byte, and what is locked on Windows nobody else can read: a journal is read while it
        # is written. So here one byte far behind its text.
        import msvcrt  # noqa: PLC0415

        number = file.fileno()
        before = os.lseek(number, 0, os.SEEK_CUR)
        try:
            os.lseek(number, _FAR, os.SEEK_SET)
            msvcrt.locking(number, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        finally:
            os.lseek(number, before, os.SEEK_SET)
        return True
    # It is flock's, which another reader's close does not drop. FileLock itself would open the journal again.
    return lock_descriptor(file.fileno(), blocking=False)


def holder() -> dict[str, object]:
    """Who this process is, for those who meet its lock: computer and process number."""
    return {"host": platform.node(), "pid": os.getpid()}


@contextlib.contextmanager
def bench_held(bench: LoadedBench, *, job: str) -> Iterator[None]:
    """Hold every resource of a bench; a simulated bench has none that another process could use.

    Args:
        bench: whose resources.
        job: what for, as another user will read it.

    Raises:
        InstrumentError: one is held by another process, named with its job; or no lock can be kept.
    """
    with resources_held(resources_of(bench), job=job):
        yield


def resources_of(bench: LoadedBench) -> dict[str, str]:
    """The resources of a bench that another process could use, by instrument; none of a simulated one."""
    instruments = {} if bench.file.is_simulated else bench.file.instruments
    return {name: each.resource for name, each in instruments.items() if each.resource}


@contextlib.contextmanager
def resources_held(resources: Mapping[str, str], *, job: str) -> Iterator[None]:
    """Hold resources, by instrument; raises InstrumentError as `bench_held`."""
    with contextlib.ExitStack() as held:
        for resource, name in sorted({_canonical(each): name for name, each in resources.items()}.items()):
            held.enter_context(_resource_held(resource, where=f"{name} ({resource})", job=job))
        yield


def _canonical(resource: str) -> str:
    """One spelling of a resource: TCPIP::HOST::INSTR is TCPIP0::host::inst0::INSTR."""
    with contextlib.suppress(InvalidResourceName, InvalidSession, VisaIOError, ValueError):
        return to_canonical_name(resource).upper()
    return resource.upper()


def state_folder(name: str) -> Path:
    """A folder for what livezero knows of benches on this computer; raises RuntimeError where there is no home."""
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "livezero" / name
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "livezero" / name


def resource_stem(resource: str) -> str:
    """A file name that stands for a resource, however it is spelled."""
    one = _canonical(resource)
    return f"{re.sub(r'[^A-Z0-9.]+', '-', one)[:60]}-{hashlib.sha256(one.encode()).hexdigest()[:8]}"


@contextlib.contextmanager
def _resource_held(resource: str, *, where: str, job: str) -> Iterator[None]:
    try:
        path = state_folder("locks") / resource_stem(resource)
        path.parent.mkdir(parents=True, exist_ok=True)
        lock = _locked(path, job=job)
    except (OSError, RuntimeError) as error:  # RuntimeError: there is no home
        raise InstrumentError(
            f"no lock can be held: {getattr(error, 'strerror', None) or error}",
            where=where,
            todo="name a folder that can be written in the environment variable XDG_STATE_HOME (Windows: LOCALAPPDATA)",
        ) from error
    if lock is None:
        raise InstrumentError(
            f"is in use by {_named(path)}",
            where=where,
            allowed="one run at a time on a bench",
            todo="wait until that has ended, or stop it there with Ctrl-C",
        )
    try:
        yield
    finally:
        # Still locked, so that nobody can have taken the file; Windows keeps what is open, and filelock takes it away.
        with contextlib.suppress(OSError):
            path.unlink()
        lock.release()


def _locked(path: Path, *, job: str) -> BaseFileLock | None:
    """The lock on a file, held, and the holder's name in the file; None if another holds it."""

    def name_holder(number: int) -> None:
        with contextlib.suppress(OSError):  # the lock holds, named or not
            os.ftruncate(number, 0)
            os.lseek(number, 0, os.SEEK_SET)
            # The first byte is the one that is locked, which on Windows nobody else can read.
            os.write(number, b" " + json.dumps(holder() | {"job": job}).encode())

    # Without flock filelock would take the presence of a file for a lock, and that outlives its process.
    lock = FileLock(path, thread_local=False, fallback_to_soft=False, on_acquired=name_holder)
    for _ in range(_TRIES):
        try:
            lock.acquire(timeout=0)
        except Timeout:
            if path.exists():
                return None
            # Whoever held it gave it back, and the file with it, between our opening and locking.
        else:
            return lock
    return None


def _named(path: Path) -> str:
    """Who holds a lock, from what stands in its file; it may be just about to be written."""
    try:
        with path.open("rb") as file:
            file.seek(1)
            found = json.loads(file.read(_LONGEST))
        pid, host, job = (shortened(str(found[name])) for name in ("pid", "host", "job"))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "another process"
    return f"process {pid} on {host}: {job}"
