"""One bench, one run: locks that the operating system drops when the process that holds them is gone.

A lock is held on an open file, never by the mere presence of one, so that a process that was killed leaves none behind
and no process number has to be trusted. Locks hold between all processes and users of one computer, on the instrument
and not on its spelling: by each address that its name stands for, and by the identity with serial that it gives.
filelock does the locking; who holds a lock, and what a refusal says, is ours.
"""

import contextlib
import errno
import hashlib
import json
import os
import platform
import re
import socket
import stat
import sys
from collections.abc import Iterator, Mapping
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import IO

from filelock import BaseFileLock, FileLock, Timeout, lock_descriptor
from pyvisa.errors import InvalidSession, VisaIOError
from pyvisa.rname import InvalidResourceName, ResourceName

from instruments.benchfile import LoadedBench
from instruments.errors import InstrumentError, shortened

__all__ = [
    "STATE_FOLDER",
    "bench_held",
    "holder",
    "identity_held",
    "is_locked_now",
    "made_for_all",
    "resource_stem",
    "resources_held",
    "resources_of",
    "state_folder",
]

STATE_FOLDER = "LIVEZERO_STATE"
"""The environment variable that names another folder for what livezero knows of the benches of this computer."""

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
    names = {one: (name, each) for name, each in resources.items() for one in _spelled_out(each)}
    with contextlib.ExitStack() as held:
        for one in sorted(names):
            name, resource = names[one]
            held.enter_context(_held(_stem(one), where=f"{name} ({resource})", job=job))
        yield


@contextlib.contextmanager
def identity_held(identity: str, *, where: str) -> Iterator[None]:
    """Hold an instrument by what it says it is, whatever address it was found at; one without a serial cannot be.

    One process may reach one instrument by two lines.

    Args:
        identity: reply to `*IDN?`: maker, model, serial, firmware; a serial of 0 is none (IEEE 488.2-1992, 10.14.3,
            from memory).
        where: the instrument and its resource.

    Raises:
        InstrumentError: another process holds it, named with its resource; or no lock can be kept.
    """
    _, _, serial, *_ = (*(part.strip() for part in identity.split(",")), "", "", "")
    if not serial.strip("0"):
        yield
        return
    own = f'by its answer to *IDN?, "{identity}", it '
    with _held(_stem(f"IDENTITY {identity.casefold()}"), where=where, job=where, is_ours_too=True, what=own):
        yield


@lru_cache
def _spelled_out(resource: str) -> tuple[str, ...]:
    """Each resource that a spelling stands for: TCPIP::localhost::INSTR is TCPIP0::127.0.0.1::inst0::INSTR, and ::1."""
    name = None
    for each in (resource.upper(), resource):  # the names of devices are spelled with care, those of VISA need not be
        with contextlib.suppress(InvalidResourceName, InvalidSession, VisaIOError, ValueError):
            name = ResourceName.from_string(each)
    if name is None:
        return (resource.upper(),)
    found = [str(name)]
    host, board = getattr(name, "host_address", ""), str(getattr(name, "board", ""))
    with contextlib.suppress(OSError, UnicodeError):  # a name that stands for no address now
        if host:
            addresses = {str(info[4][0]) for info in socket.getaddrinfo(host, None)}
            found = [str(_with(name, host_address=each)) for each in sorted(addresses)]
        elif "/" in board:  # a device file, which others may be linked to
            found = [str(_with(name, board=os.path.realpath(board)))]
    return tuple(each.upper() for each in found)


def _with(name: ResourceName, **changed: str) -> ResourceName:
    """Its kind has that field."""
    return replace(name, **changed)


def state_folder(name: str) -> Path:
    """A folder for what livezero knows of the benches of this computer; all its users share it."""
    if told := os.environ.get(STATE_FOLDER):
        return Path(told) / name
    if sys.platform == "win32":
        return Path(os.environ.get("PROGRAMDATA") or "C:/ProgramData") / "livezero" / name
    return Path("/var/tmp/livezero") / name  # noqa: S108  outlives a restart, which /tmp and /run do not


def made_for_all(folder: Path) -> Path:
    """Make a `state_folder`, which every user may write; raises OSError if it cannot be made, or is a link."""
    folder.parent.parent.mkdir(parents=True, exist_ok=True)
    for each in (folder.parent, folder):
        with contextlib.suppress(FileExistsError):
            each.mkdir()
            each.chmod(0o777)
        if not stat.S_ISDIR(each.lstat().st_mode):
            raise OSError(errno.ENOTDIR, f"{each} is no folder")
    return folder


def resource_stem(resource: str) -> str:
    """A file name that stands for a resource, however it is spelled."""
    return _stem(_spelled_out(resource)[0])


def _stem(one: str) -> str:
    return f"{re.sub(r'[^A-Z0-9.]+', '-', one)[:60]}-{hashlib.sha256(one.encode()).hexdigest()[:8]}"


@contextlib.contextmanager
def _held(stem: str, *, where: str, job: str, is_ours_too: bool = False, what: str = "") -> Iterator[None]:
    try:
        path = made_for_all(state_folder("locks")) / stem
        lock = _locked(path, job=job)
    except OSError as error:
        raise InstrumentError(
            f"no lock can be held: {error.strerror or error}",
            where=where,
            todo=f"name a folder that every user can write in the environment variable {STATE_FOLDER}",
        ) from error
    if lock is None:
        by = _holder_of(path)
        if is_ours_too and by.get("pid") == os.getpid():
            yield
            return
        raise InstrumentError(
            f"{what}is in use by {_named(by)}",
            where=where,
            allowed="one run at a time on a bench",
            todo="wait until that has ended, or stop it there with Ctrl-C"
            + ("; another instrument that gives the same answer needs a serial of its own" if what else ""),
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
    lock = FileLock(path, mode=0o666, thread_local=False, fallback_to_soft=False, on_acquired=name_holder)
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


def _holder_of(path: Path) -> dict[str, object]:
    """Who holds a lock, from what stands in its file; empty where it is just about to be written."""
    try:
        with path.open("rb") as file:
            file.seek(1)
            found = json.loads(file.read(_LONGEST))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}


def _named(by: Mapping[str, object]) -> str:
    if not by.keys() >= {"pid", "host", "job"}:
        return "another process"
    pid, host, job = (shortened(str(by[name])) for name in ("pid", "host", "job"))
    return f"process {pid} on {host}: {job}"
