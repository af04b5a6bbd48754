"""The command in a process of its own, without the seconds it takes to load: forked from one that has loaded it.

Each is as fresh as one that was started: no file was read and no step was looked up before it was forked. What a start
itself does (signals, streams, what is loaded when) is for tests that start one. An instrument that does not come back
is given up sooner than by who has a bench to lose.
"""

import atexit
import json
import os
import select
import signal
import subprocess
import sys
import tempfile
from collections.abc import Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import IO

RECOVERY_S = 1.0
_START = f"""
from instruments.described import instrument
instrument._RECOVERY_S = {RECOVERY_S}
from sequencer.start import main
main()
"""
COMMAND = (sys.executable, "-c", _START)
LOADED = (
    "sequencer.start",
    "sequencer.cli.command",
    "sequencer.cli.plans",
    "sequencer.core",
    "sequencer.reports.terminal",
    "sequencer.reports.live",
    "sequencer.reports.html",
)


def run(
    arguments: Sequence[object], *, cwd: Path, answers: str = "", env: Mapping[str, str], timeout_s: float
) -> "subprocess.CompletedProcess[str]":
    """As subprocess.run of COMMAND, which it is where forking is not safe."""
    words = [*map(str, arguments)]
    if sys.platform != "linux":
        return subprocess.run(
            [*COMMAND, *words],
            cwd=cwd,
            input=answers,
            capture_output=True,
            text=True,
            encoding="utf-8",
            timeout=timeout_s,
            env=dict(env),
            check=False,
        )
    with tempfile.TemporaryDirectory() as folder:
        files = [Path(folder, name) for name in ("in", "out", "err")]
        files[0].write_text(answers, encoding="utf-8")
        request = {"argv": words, "cwd": str(cwd), "env": dict(env), "files": [*map(str, files)]}
        code = _answered(_server(), json.dumps(request), timeout_s)
        out, err = (path.read_text(encoding="utf-8") if path.exists() else "" for path in files[1:])
    return subprocess.CompletedProcess(["livezero", *words], code, out, err)


@lru_cache(maxsize=1)
def _server() -> "subprocess.Popen[str]":
    """The process that is forked: one for each that runs tests, ended with it."""
    server = subprocess.Popen(
        [sys.executable, "-W", "ignore", __file__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        env=os.environ | {"PYTHONIOENCODING": "utf-8", "OPENBLAS_NUM_THREADS": "1", "PYTHONDONTWRITEBYTECODE": "1"},
    )
    atexit.register(_ended, server)
    return server


def _ended(server: "subprocess.Popen[str]") -> None:
    assert server.stdin is not None
    assert server.stdout is not None
    server.stdin.close()
    server.wait(10)
    server.stdout.close()


def _answered(server: "subprocess.Popen[str]", request: str, timeout_s: float) -> int:
    assert server.stdin is not None
    assert server.stdout is not None
    server.stdin.write(request + "\n")
    server.stdin.flush()
    process = int(server.stdout.readline())
    if not select.select([server.stdout], [], [], timeout_s)[0]:
        os.kill(process, signal.SIGKILL)
        server.stdout.readline()
        raise subprocess.TimeoutExpired(json.loads(request)["argv"], timeout_s)
    return int(server.stdout.readline())


def _serve() -> None:
    """Fork for each request, say its process, wait, say its exit code; ends with its input."""
    asked, said = os.fdopen(os.dup(0), encoding="utf-8"), os.fdopen(os.dup(1), "w", encoding="utf-8")
    nowhere = os.open(os.devnull, os.O_RDWR)
    for fd in (0, 1):  # nothing but requests and answers on those
        os.dup2(nowhere, fd)
    for name in LOADED:
        __import__(name)
    for line in asked:
        process = os.fork()
        if process == 0:
            _be(json.loads(line), (asked, said))
        _say(said, process)
        _say(said, os.waitstatus_to_exitcode(os.waitpid(process, 0)[1]))


def _say(said: IO[str], number: int) -> None:
    said.write(f"{number}\n")
    said.flush()


def _be(request: dict, ours: tuple[IO[str], ...]) -> None:
    """Be the command."""
    for each in ours:
        os.close(each.fileno())
    for fd, (path, mode) in enumerate(
        zip(request["files"], (os.O_RDONLY, *2 * [os.O_WRONLY | os.O_CREAT]), strict=True)
    ):
        opened = os.open(path, mode, 0o600)
        os.dup2(opened, fd)
        os.close(opened)
    os.chdir(request["cwd"])
    os.environ.clear()
    os.environ.update(request["env"])
    sys.path[:0] = [each for each in os.environ.get("PYTHONPATH", "").split(os.pathsep) if each]
    sys.argv = ["livezero", *request["argv"]]
    setattr(sys.modules["instruments.described.instrument"], "_RECOVERY_S", RECOVERY_S)  # noqa: B010  one mypy knows
    sys.modules["sequencer.start"].main()


if __name__ == "__main__":
    _serve()
