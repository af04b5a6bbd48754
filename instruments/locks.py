"""One bench, one run: locks that the operating system drops when the process that holds them is gone.

A lock is held on an open file, never by the mere presence of one, so that a process that was killed leaves none behind
and no process number has to be trusted. They hold between the processes of one user on one computer.
"""

import contextlib
import hashlib
import json
import os
import platform
import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import IO

from pyvisa.errors import InvalidSession, VisaIOError
from pyvisa.rname import InvalidResourceName, to_canonical_name

from instruments.benchfile import LoadedBench
from instruments.errors import InstrumentError, shortened

__all__ = ["bench_held", "holder", "is_locked_now"]

# Windows locks bytes, and what is locked cannot be read: one byte far behind the text.
_FAR = 1 << 30
_LONGEST = 10_000


def is_locked_now(file: IO[bytes]) -> bool:
    """Lock an open file without waiting; False if another open file holds the lock. It goes when the file is closed."""
    if sys.platform == "win32":
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
    import fcntl  # noqa: PLC0415

    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)  # not lockf: that lock goes with any reader's close
    except BlockingIOError:
        return False
    return True


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
    instruments = {} if bench.file.is_simulated else bench.file.instruments
    resources = sorted({_canonical(each.resource): name for name, each in instruments.items() if each.resource}.items())
    with contextlib.ExitStack() as held:
        for resource, name in resources:
            held.enter_context(_resource_held(resource, where=f"{name} ({resource})", job=job))
        yield


def _canonical(resource: str) -> str:
    """One spelling of a resource: TCPIP::HOST::INSTR is TCPIP0::host::inst0::INSTR."""
    with contextlib.suppress(InvalidResourceName, InvalidSession, VisaIOError, ValueError):
        return to_canonical_name(resource).upper()
    return resource.upper()


def _folder() -> Path:
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "livezero" / "locks"
    return Path(os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state") / "livezero" / "locks"


@contextlib.contextmanager
def _resource_held(resource: str, *, where: str, job: str) -> Iterator[None]:
    plain = re.sub(r"[^A-Z0-9.]+", "-", resource)[:60]
    try:
        path = _folder() / f"{plain}-{hashlib.sha256(resource.encode()).hexdigest()[:8]}"
        path.parent.mkdir(parents=True, exist_ok=True)
        file = _locked(path)
    except (OSError, RuntimeError) as error:  # RuntimeError: there is no home
        raise InstrumentError(
            f"no lock can be kept: {getattr(error, 'strerror', None) or error}",
            where=where,
            todo="name a folder that can be written in the environment variable XDG_STATE_HOME (Windows: LOCALAPPDATA)",
        ) from error
    if isinstance(file, str):
        raise InstrumentError(
            f"is in use by {file}",
            where=where,
            allowed="one run at a time on a bench",
            todo="wait until that has ended, or stop it there with Ctrl-C",
        )
    with file:
        with contextlib.suppress(OSError):  # the lock holds, named or not
            file.truncate(0)
            file.write(json.dumps(holder() | {"job": job}).encode())
            file.flush()
        try:
            yield
        finally:
            with contextlib.suppress(OSError):  # Windows keeps what is open
                path.unlink()


def _locked(path: Path) -> IO[bytes] | str:
    """The file, locked; or who holds it."""
    while True:
        file = path.open("a+b")
        if not is_locked_now(file):
            with file:
                return _named(file)
        with contextlib.suppress(OSError):
            if os.path.samestat(path.stat(), os.fstat(file.fileno())):
                return file
        file.close()  # whoever held it took it away in the meantime


def _named(file: IO[bytes]) -> str:
    """Who holds a lock, from what stands in its file; it may be just about to be written."""
    try:
        file.seek(0)
        found = json.loads(file.read(_LONGEST))
        pid, host, job = (shortened(str(found[name])) for name in ("pid", "host", "job"))
    except (OSError, ValueError, KeyError, TypeError, RecursionError):
        return "another process"
    return f"process {pid} on {host}: {job}"
