"""Do the tests notice a change? Mutants of a module by cosmic-ray's operators, each run against the module's own tests.

python -m pip install cosmic-ray
python tests/bench/mutants.py likelihood conformity --sample 150 --seed 1 --jobs 2

A module is named by any part of its path; without one, all that `TESTS` names are tried. Nothing is written into the
checkout: a process that has imported libraries and whatever does not depend on the module forks for each mutant, and
the child gets the changed source by an import hook. A mutant that cannot even be imported is left out of the count, one
that takes more than three times the processor time of the clean run counts as killed. `EQUIVALENT` lists survivors that
no input can tell from the module; they are counted apart.
"""

import argparse
import ast
import importlib
import importlib.abc
import importlib.util
import math
import os
import random
import re
import resource
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path

os.environ |= {"OPENBLAS_NUM_THREADS": "1", "CI": "1"}  # no threads beside a fork; the same examples for each mutant
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]
sys.dont_write_bytecode = True

import cosmic_ray.plugins as operators  # noqa: E402
import pytest  # noqa: E402
from cosmic_ray.ast import ast_nodes, get_ast  # noqa: E402
from cosmic_ray.mutating import MutationVisitor  # noqa: E402

_CONFORMITY = (
    "tests/unit/test_conformity.py",
    "tests/published/test_decision_rules.py",
    "tests/published/test_jcgm_106.py",
    "tests/published/test_z540_3.py",
)
_SETTLING = ("tests/unit/test_settling.py", "tests/unit/test_pace.py", "tests/property/test_settling.py")
TESTS = {
    "sequencer/evaluation/verdict.py": ("tests/unit/test_verdict.py",),
    "sequencer/evaluation/judgement.py": ("tests/unit/test_verdict.py",),
    "sequencer/evaluation/figures/conformity.py": _CONFORMITY,
    "sequencer/inputs/decision_rules.py": _CONFORMITY,
    "sequencer/running/settling.py": _SETTLING,
    "sequencer/running/settling_bounds.py": _SETTLING,
    "sequencer/inputs/settling_rule.py": _SETTLING,
    "sequencer/diagnosis/model/likelihood.py": ("tests/unit/test_findings_likelihood.py",),
}
# Line of the module, the same line of the mutant (both as regular expressions, in full), and why no input can tell.
EQUIVALENT = (
    (r"@dataclass\(.*slots=True.*\)", r"@dataclass\(.*slots=False.*\)", "slots change no result"),
    (r"(.*) == (\"[^\"]+\":)", r"(.*) is (\"[^\"]+\":)", "literals of one text are one object"),
)
NO_MODULE = 97  # exit code of a child whose mutant cannot be imported
WALL_FACTOR = 30  # a child that sleeps takes no processor time


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """A changed source, and where it differs."""

    source: str
    line: int
    old: str
    new: str

    @property
    def equivalent(self) -> str:
        """Why no input can tell it from the module, "" if one can."""
        return next((why for old, new, why in EQUIVALENT if self._matches(old, new)), "")

    def _matches(self, old: str, new: str) -> bool:
        return bool(re.fullmatch(old, self.old) and re.fullmatch(new, self.new))


class Hook(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Imports one module from a text."""

    def __init__(self, name: str, path: Path, source: str) -> None:
        self.name, self.path, self.source = name, path, source

    def find_spec(self, fullname, _path=None, _target=None):
        """The text's, for the one module."""
        if fullname != self.name:
            return None
        return importlib.util.spec_from_loader(fullname, self, origin=str(self.path))

    def exec_module(self, module):
        """Run the text in the module."""
        module.__file__ = str(self.path)
        exec(compile(self.source, str(self.path), "exec"), module.__dict__)


def mutants(path: Path, sample_n: int, seed: int) -> tuple[int, list[Mutant]]:
    """How many mutants a module has, and a sample of them in the order of the lines; all where `sample_n` is 0."""
    text = path.read_text(encoding="utf-8")
    tree = get_ast(text)
    found = []
    for name in sorted(operators.operator_names()):
        if "Variable" in name:  # want arguments: they are for experiments with named variables
            continue
        operator = operators.get_operator(name)()
        count = sum(len(list(operator.mutation_positions(node))) for node in ast_nodes(tree))
        found += [(operator, each) for each in range(count)]
    chosen = random.Random(seed).sample(found, sample_n) if 0 < sample_n < len(found) else found
    sources = {MutationVisitor.mutate_code(text, operator, each) for operator, each in chosen} - {text, None}
    return len(found), sorted((_located(text, source) for source in sources), key=lambda each: (each.line, each.new))


def _located(text: str, source: str) -> Mutant:
    before, after = text.splitlines(), source.splitlines()
    line = next((at for at, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(after) - 1)
    gone = len(before) > len(after)
    return Mutant(source=source, line=line + 1, old=before[line].strip(), new="" if gone else after[line].strip())


def _imports(path: Path, name: str = "") -> set[str]:
    """Names of modules that a file imports; `from a import b` gives both `a` and `a.b`."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {each.name for each in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found |= {node.module, *(f"{node.module}.{each.name}" for each in node.names)}
    return found | ({name.rpartition(".")[0]} if name else set())


def prepare(name: str, tests: tuple[str, ...]) -> None:
    """Import what the tests want, and forget what depends on the module, so that children import just that anew."""
    for test in ("tests/conftest.py", *tests):
        for each in sorted(_imports(ROOT / test)):
            try:
                importlib.import_module(each)
            except ImportError:
                continue  # a name in a module
    own = {
        each: _imports(Path(module.__file__), each)
        for each, module in sys.modules.items()
        if each.split(".")[0] in {"sequencer", "instruments", "injection"} and getattr(module, "__file__", None)
    }
    stale = {name}
    while more := {each for each, wanted in own.items() if wanted & stale} - stale:
        stale |= more
    for each in stale:
        sys.modules.pop(each, None)


def start(hook: Hook, tests: tuple[str, ...], cpu_s: int) -> int:
    """Fork a child that runs the tests with the hook's source; its process id."""
    sys.stdout.flush()
    child = os.fork()
    if child:
        return child
    os.setsid()
    quiet = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(quiet, stream)
    code = NO_MODULE
    try:
        resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
        os.chdir(ROOT)
        sys.meta_path.insert(0, hook)
        importlib.import_module(hook.name)
        code = 1
        options = ["-x", "-q", "--tb=no", "-p", "no:xdist", "-p", "no:cacheprovider"]
        options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # what is imported is not rewritten again
        code = int(pytest.main([*options, "-o", "addopts=--import-mode=importlib --strict-markers", *tests]))
    finally:
        os._exit(code)


def clean_s(hook: Hook, tests: tuple[str, ...]) -> float:
    """Processor time of the tests with the module as it is."""
    _, status, usage = os.wait4(start(hook, tests, 3600), 0)
    if status:
        sys.exit(f"{hook.name}: the tests fail without a mutant (exit code {os.waitstatus_to_exitcode(status)})")
    return usage.ru_utime + usage.ru_stime


def tried(name: str, path: Path, tests: tuple[str, ...], chosen: list[Mutant], jobs: int) -> dict[int, int]:
    """Exit status of the tests by the index of the mutant; 0 = it survived."""
    cpu_s = math.ceil(3 * clean_s(Hook(name, path, path.read_text(encoding="utf-8")), tests))
    waiting, running, statuses = list(range(len(chosen)))[::-1], {}, {}
    while waiting or running:
        while waiting and len(running) < jobs:
            index = waiting.pop()
            running[start(Hook(name, path, chosen[index].source), tests, cpu_s)] = index, time.monotonic()
        child, status = os.waitpid(-1, os.WNOHANG)
        if child:
            statuses[running.pop(child)[0]] = os.waitstatus_to_exitcode(status)
            continue
        for late, (_, since_s) in running.items():
            if time.monotonic() - since_s > WALL_FACTOR * cpu_s:
                os.killpg(late, signal.SIGKILL)
        time.sleep(0.01)
    return statuses


def examine(module: str, *, sample_n: int, seed: int, jobs: int) -> bool:
    """Print what became of the mutants of a module; whether nine in ten were killed."""
    begun_s = time.monotonic()
    path, tests, name = ROOT / module, TESTS[module], module.removesuffix(".py").replace("/", ".")
    all_n, chosen = mutants(path, sample_n, seed)
    prepare(name, tests)
    statuses = tried(name, path, tests, chosen, jobs)
    broken_n = sum(status == NO_MODULE for status in statuses.values())
    survivors = [chosen[index] for index, status in sorted(statuses.items()) if status == 0]
    real = [each for each in survivors if not each.equivalent]
    told_n = len(chosen) - broken_n - (len(survivors) - len(real))
    share = (told_n - len(real)) / told_n if told_n else 1.0
    print(
        f"{module}: {all_n} mutants, {len(chosen)} tried, {broken_n} no module, {len(survivors) - len(real)} "
        f"equivalent, {told_n - len(real)} killed, {len(real)} survived: {100 * share:.1f} % killed "
        f"({time.monotonic() - begun_s:.0f} s)"
    )
    for each in survivors:
        why = f"   [equivalent: {each.equivalent}]" if each.equivalent else ""
        print(f"  {module}:{each.line}: {each.old}\n    -> {each.new or '(gone)'}{why}")
    sys.stdout.flush()
    return share >= 0.9


def main() -> None:
    """Each module in a process of its own, since each forgets other modules."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", help="part of a path in TESTS")
    parser.add_argument("--sample", type=int, default=0, help="mutants of each module; 0 = all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    given = parser.parse_args()
    wanted = [each for each in TESTS if not given.modules or any(part in each for part in given.modules)]
    is_enough = bool(wanted)
    for each in wanted:
        sys.stdout.flush()
        child = os.fork()
        if not child:
            code = 1
            try:
                code = 0 if examine(each, sample_n=given.sample, seed=given.seed, jobs=given.jobs) else 1
            except SystemExit as ended:
                print(ended)
            finally:
                sys.stdout.flush()
                os._exit(code)
        is_enough &= os.waitpid(child, 0)[1] == 0
    sys.exit(0 if is_enough else 1)


if __name__ == "__main__":
    main()
