"""A signal at any moment ends the program with 130 and no traceback, and costs no record.

No moment is left to chance: the signal comes when a certain module is imported, or a certain function is entered.
"""

import json
import signal
import subprocess
import sys

import pytest

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")

SIGNALS = [signal.SIGINT, signal.SIGTERM, signal.SIGHUP]
AT_IMPORT = """
import signal, sys
class Finder:
    is_due = True
    def find_spec(self, name, path=None, target=None):
        if name == {module!r} and Finder.is_due:
            Finder.is_due = False
            signal.raise_signal({number})
sys.meta_path.insert(0, Finder())
"""
AT_CALL = """
import sys
def entered(frame, event, _):
    code = frame.f_code
    if event == "call" and code.co_name == {function!r} and code.co_filename.endswith({file!r}):
        sys.setprofile(None)
        import signal
        signal.raise_signal({number})
sys.setprofile(entered)
"""
MAIN = "sys.argv = ['livezero', *{arguments!r}]\nfrom sequencer.start import main\nmain()\n"
RUN = ("run", "quick.yaml", "--bench", "quick.bench.yaml", "--serial", "GF-104")


def started(before, *arguments, cwd):
    code = before + MAIN.format(arguments=arguments)
    return subprocess.run(
        [sys.executable, "-c", code], cwd=cwd, capture_output=True, text=True, check=False, timeout=120
    )


def is_clean(done):
    return not any(word in done.stderr for word in ("Traceback", "Exception ignored", "fault of livezero", "Aborted"))


@pytest.mark.parametrize(
    ("module", "number"),
    [*(("click", number) for number in SIGNALS), ("numpy", signal.SIGINT), ("pandas", signal.SIGTERM),
     ("pint", signal.SIGINT)],
)  # fmt: skip
def test_a_signal_while_a_module_is_imported(quick, number, module):
    done = started(AT_IMPORT.format(module=module, number=int(number)), *RUN, cwd=quick.parent)
    assert done.returncode == 130, done.stderr
    assert is_clean(done)
    assert "stopped by" in done.stderr
    assert not (quick.parent / "results").exists()


@pytest.mark.parametrize(
    ("function", "file", "number"),
    [("seal", "record/seal.py", signal.SIGINT), ("write_csv", "readings/table.py", signal.SIGTERM),
     ("write_report", "jobs/pages.py", signal.SIGHUP)],
)  # fmt: skip
def test_a_signal_while_a_record_is_sealed_waits_until_it_is(quick, livezero, number, function, file):
    before = AT_CALL.format(function=function, file=file, number=int(number))
    done = started(before, *RUN, "--confirm", cwd=quick.parent)
    assert done.returncode == 130, done.stderr
    assert is_clean(done)
    (folder,) = (quick.parent / "results").iterdir()
    assert json.loads((folder / "figures.json").read_text())["status"] == "complete"
    assert (folder / "report.html").is_file()
    assert livezero("verify", folder, cwd=quick.parent).returncode == 0


@pytest.mark.parametrize(
    ("function", "file"),
    [("parse_args", "click/core.py"), ("plan", "jobs/plan.py"), ("create", "record/create.py"),
     ("close", "instruments/openbench.py"), ("show_result", "cli/runs.py"), ("print_summary", "cli/console.py")],
)  # fmt: skip
def test_a_signal_before_and_after_a_run(quick, function, file):
    before = AT_CALL.format(function=function, file=file, number=int(signal.SIGTERM))
    done = started(before, *RUN, "--confirm", cwd=quick.parent)
    assert done.returncode == 130, done.stderr
    assert is_clean(done)


@pytest.mark.parametrize("number", SIGNALS)
def test_a_signal_after_all_is_said_changes_no_exit_code(tmp_path, number):
    # Python takes a module down, and what stands in it, when it has given its signals back already.
    before = f"""
import os, sys
class Last:
    def __init__(self):
        self.kill, self.me = os.kill, os.getpid()
    def __del__(self):
        self.kill(self.me, {int(number)})
last = Last()
"""
    done = started(before, "schema", "sequence", cwd=tmp_path)
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout)["title"]
    assert is_clean(done)


def test_the_program_has_its_signals_before_it_loads_a_module_of_anybody(tmp_path):
    code = "import sys; before = {*sys.modules}; import sequencer.start; print(*sorted({*sys.modules} - before))"
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["sequencer", "sequencer.start"]
