"""Do the tests notice a change? Mutants of a module by cosmic-ray's operators, each run against the module's own tests.

python -m pip install cosmic-ray
python tests/bench/mutants.py judgement --sample 60 --seed 1

A module is named by any part of its path; without one, all that `TESTS` names are tried. `--sample` draws at random
from all mutants of a module. Survivors are printed as they come. Nothing is written into the checkout. The tests are
collected once; for each mutant that differs within one function a fork gets the changed code in that function's place
and runs them, the module's own first, up to the first that fails; those that take over a second are left out. Other
mutants (constants, decorators, fields) go to a fork that has imported whatever does not depend on the module, and
imports the rest anew from the changed source. One that cannot even be imported is left out of the count, one that
takes more than four times the processor time of the clean run counts as killed. `mutants_equivalent.py` lists
survivors that no input can tell from the module; they are counted apart.
"""

import argparse
import ast
import importlib
import importlib.abc
import importlib.util
import math
import os
import pickle
import random
import re
import resource
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import FunctionType, ModuleType
from typing import Any, cast

os.environ |= {"OPENBLAS_NUM_THREADS": "1", "CI": "1"}  # no threads beside a fork; the same examples for each mutant
ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "bench")]
sys.dont_write_bytecode = True

import cosmic_ray.plugins as operators  # noqa: E402
import pytest  # noqa: E402
from cosmic_ray.ast import ast_nodes, get_ast  # noqa: E402
from cosmic_ray.mutating import MutationVisitor  # noqa: E402
from mutants_equivalent import EQUIVALENT  # noqa: E402

_FROZEN = "tests/unit/test_frozen.py"
_RULES = tuple(f"tests/published/test_{each}.py" for each in ("decision_rules", "z540_3", "jcgm_106"))
_SETTLING = ("tests/unit/test_settling.py", "tests/property/test_settling.py")
# The module's own tests first, then what else may notice.
TESTS = {
    "sequencer/evaluation/judgement.py": ("tests/unit/test_judgement.py", _FROZEN, "tests/unit/test_verdict.py"),
    "sequencer/evaluation/verdict.py": ("tests/unit/test_verdict_evidence.py", _FROZEN, "tests/unit/test_verdict.py"),
    "sequencer/evaluation/figures/conformity.py": ("tests/unit/test_conformity.py", _FROZEN, *_RULES),
    "sequencer/inputs/decision_rules.py": ("tests/unit/test_decision_rules.py", _FROZEN, *_RULES),
    "sequencer/inputs/settling_rule.py": ("tests/unit/test_settling_rule.py", _FROZEN, *_SETTLING),
    "sequencer/running/settling.py": ("tests/unit/test_settling.py", _FROZEN, "tests/unit/test_pace.py"),
    "sequencer/diagnosis/model/likelihood.py": ("tests/unit/test_findings_likelihood.py", _FROZEN),
    "sequencer/running/settling_bounds.py": ("tests/unit/test_settling_bounds.py", *_SETTLING),
}
NO_MODULE, NOT_SWAPPED = 97, 98  # exit codes of a child: cannot be imported; differs outside a function
SLOW_S = 1.0  # tests that take longer are left out
CPU_FACTOR, WALL_FACTOR = 4, 30  # a child that sleeps takes no processor time
OPTIONS = ["-x", "-q", "--tb=no", "--assert=plain", "-p", "no:xdist", "-p", "no:cacheprovider", "--capture=no"]
OPTIONS += ["-o", "addopts=--import-mode=importlib --strict-markers"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Mutant:
    """A changed source, where it differs, and the operator that changed it."""

    source: str
    line: int
    old: str
    new: str
    operator: str

    @property
    def equivalent(self) -> str:
        """Why no input can tell it from the module, "" if one can."""
        mine = (self.operator, self.old, self.new)
        return next((why for *all_of, why in EQUIVALENT if all(map(re.fullmatch, all_of, mine))), "")


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
        found += [(name.removeprefix("core/"), operator, each) for each in range(count)]
    chosen = random.Random(seed).sample(found, sample_n) if 0 < sample_n < len(found) else found
    sources = {MutationVisitor.mutate_code(text, operator, each): name for name, operator, each in chosen}
    changed = [_located(text, source, name) for source, name in sources.items() if source not in {text, None}]
    return len(found), sorted(changed, key=lambda each: (each.line, each.new))


def _located(text: str, source: str, operator: str) -> Mutant:
    before, after = text.splitlines(), source.splitlines()
    line = next((at for at, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(after) - 1)
    new = "" if len(before) > len(after) else after[line].strip()
    return Mutant(source=source, line=line + 1, old=before[line].strip(), new=new, operator=operator)


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


def _functions(body: list[ast.stmt], before: str = "") -> Iterator[tuple[str, ast.FunctionDef]]:
    """Functions of a module and methods of its classes, by name."""
    for node in body:
        if isinstance(node, ast.FunctionDef):
            yield before + node.name, node
        elif isinstance(node, ast.ClassDef):
            yield from _functions(node.body, f"{before}{node.name}.")


def _emptied(tree: ast.Module) -> tuple[str, dict[str, str]]:
    """All of a source but the bodies of its functions, and those by name."""
    bodies = {}
    for name, node in _functions(tree.body):
        bodies[name] = ast.dump(ast.Module(body=node.body, type_ignores=[]))
        node.body = []
    return ast.dump(tree), bodies


def _function(scope: object, name: str) -> FunctionType | None:
    for part in name.split("."):
        scope = vars(scope).get(part)
    scope = scope.fget if isinstance(scope, property) else getattr(scope, "__func__", scope)
    return scope if isinstance(scope, FunctionType) else None


def swapped(module: ModuleType, text: str, source: str) -> bool:
    """Give functions of the module the code they have in `source`; False, and no change, if more than that differs."""
    (frame, bodies), (other, changed) = _emptied(ast.parse(text)), _emptied(ast.parse(source))
    if frame != other:
        return False
    made = ModuleType(module.__name__)
    exec(compile(source, module.__file__, "exec"), made.__dict__)
    for name in (each for each in bodies if bodies[each] != changed[each]):
        old, new = _function(module, name), _function(made, name)
        if old is None or new is None or old.__code__.co_freevars != new.__code__.co_freevars:
            return False
        old.__code__ = new.__code__
    return True


class Child:
    """A fork that leaves with an exit code, or is killed when it takes too long."""

    def __init__(self, what: Callable[[], int], cpu_s: int) -> None:
        sys.stdout.flush()
        self._cpu_s, self.pid = cpu_s, os.fork()
        if self.pid:
            return
        code = 1
        try:
            os.setsid()
            quiet = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(quiet, stream)
            resource.setrlimit(resource.RLIMIT_CPU, (cpu_s, cpu_s))
            code = what()
        finally:
            os._exit(code)

    def ended(self) -> tuple[int, float]:
        """Wait for it: exit code, below 0 if it was killed, and the processor time it took."""
        begun_s = time.monotonic()
        while True:
            child, status, usage = os.wait4(self.pid, os.WNOHANG)
            if child:
                return os.waitstatus_to_exitcode(status), usage.ru_utime + usage.ru_stime
            if time.monotonic() - begun_s > WALL_FACTOR * self._cpu_s:
                os.killpg(self.pid, signal.SIGKILL)
            time.sleep(0.005)


class Loop:
    """A plugin of pytest: in place of one run of the tests it collected, one in a fork for each mutant.

    Attributes:
        codes: exit code of the tests by the index of the mutant; 0 = survived.
    """

    def __init__(self, name: str, text: str, chosen: list[Mutant], tell: Callable[[int, int], None]) -> None:
        self._name, self._text, self._chosen, self._tell = name, text, chosen, tell
        self.codes: dict[int, int] = {}

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        """Once clean, then each mutant."""
        if session.testsfailed:
            raise session.Interrupted("the tests cannot be collected")
        took_s: list[float] = []
        if self._run(session, took_s):  # here, so that what is loaded late is there for all
            raise session.Interrupted("the tests fail without a mutant")
        session.items[:] = [item for item, item_s in zip(session.items, took_s, strict=True) if item_s <= SLOW_S]
        code, clean_s = Child(lambda: self._run(session), 3600).ended()
        if code:
            raise session.Interrupted("the tests fail without a mutant, in a fork")
        for index, mutant in enumerate(self._chosen):
            child = Child(lambda mutant=mutant: self._mutated(session, mutant.source), math.ceil(CPU_FACTOR * clean_s))
            self.codes[index], _ = child.ended()
            self._tell(index, self.codes[index])
        return True

    def _mutated(self, session: pytest.Session, source: str) -> int:
        return self._run(session) if swapped(sys.modules[self._name], self._text, source) else NOT_SWAPPED

    @staticmethod
    def _run(session: pytest.Session, took_s: list[float] | None = None) -> int:
        with tempfile.TemporaryDirectory() as folder:
            cast(Any, session.config)._tmp_path_factory._basetemp = Path(folder)
            for item, after in zip(session.items, [*session.items[1:], None], strict=True):
                begun_s = time.process_time()
                item.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
                if took_s is not None:
                    took_s.append(time.process_time() - begun_s)
                if session.testsfailed:
                    return 1
        return 0


def swap_all(name: str, text: str, tests: tuple[str, ...], chosen: list[Mutant], tell) -> dict[int, int]:
    """Exit code of the tests by the index of the mutant, all in a child, so that nothing stays imported here."""
    reader, writer = os.pipe()
    sys.stdout.flush()
    child = os.fork()
    if child:
        os.close(writer)
        with os.fdopen(reader, "rb") as pipe:
            said = pipe.read()
        os.waitpid(child, 0)
        if not said:
            sys.exit(f"{name}: no test run came to its end")
        return pickle.loads(said)
    try:
        os.chdir(ROOT)
        shown = os.fdopen(os.dup(1), "w", buffering=1)
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        loop = Loop(name, text, chosen, lambda index, code: tell(index, code, shown))
        code = pytest.main([*OPTIONS, *tests], plugins=[loop])
        if code:
            print(f"{name}: the tests fail without a mutant ({code!r})", file=shown)
        else:
            os.write(writer, pickle.dumps(loop.codes))
    finally:
        os._exit(0)


def anew(name: str, path: Path, tests: tuple[str, ...], source: str) -> int:
    """Exit code of the tests with the module from `source`, and all that depends on it imported anew."""
    sys.meta_path.insert(0, Hook(name, path, source))
    os.chdir(ROOT)
    try:
        importlib.import_module(name)
    except Exception:  # noqa: BLE001  a mutant may raise whatever it likes
        return NO_MODULE
    # What is imported is not rewritten again.
    return int(pytest.main([*OPTIONS, "-W", "ignore::pytest.PytestAssertRewriteWarning", *tests]))


def examine(module: str, *, sample_n: int, seed: int) -> bool:
    """Print what became of the mutants of a module; whether nine in ten were killed."""
    begun_s = time.monotonic()
    path, tests, name = ROOT / module, TESTS[module], module.removesuffix(".py").replace("/", ".")
    text = path.read_text(encoding="utf-8")
    all_n, chosen = mutants(path, sample_n, seed)
    prepare(name, tests)

    def tell(index: int, code: int, shown=sys.stdout) -> None:
        mutant = chosen[index]
        if not code:
            why = f"   [equivalent: {mutant.equivalent}]" if mutant.equivalent else ""
            print(f"  {module}:{mutant.line}: {mutant.operator}{why}", file=shown)
            print(f"    {mutant.old}\n    -> {mutant.new or '(gone)'}", file=shown, flush=True)

    codes = swap_all(name, text, tests, chosen, tell)
    for index in (each for each, code in codes.items() if code == NOT_SWAPPED):
        child = Child(lambda index=index: anew(name, path, tests, chosen[index].source), 120)
        codes[index], _ = child.ended()
        tell(index, codes[index])
    broken_n = sum(code == NO_MODULE for code in codes.values())
    survivors = [chosen[index] for index, code in codes.items() if code == 0]
    equivalent_n = sum(bool(each.equivalent) for each in survivors)
    told_n, alive_n = len(chosen) - broken_n - equivalent_n, len(survivors) - equivalent_n
    share = (told_n - alive_n) / told_n if told_n else 1.0
    print(
        f"{module}: {all_n} mutants, {len(chosen)} tried, {broken_n} no module, {equivalent_n} equivalent, "
        f"{told_n - alive_n} killed, {alive_n} survived: {100 * share:.1f} % killed "
        f"({time.monotonic() - begun_s:.0f} s)",
        flush=True,
    )
    return share >= 0.9


def main() -> None:
    """Each module in a process of its own, since each forgets other modules."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", help="part of a path in TESTS")
    parser.add_argument("--sample", type=int, default=0, help="mutants of each module, at random; 0 = all")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    wanted = [each for each in TESTS if not given.modules or any(part in each for part in given.modules)]
    is_enough = bool(wanted)
    for each in wanted:
        sys.stdout.flush()
        child = os.fork()
        if not child:
            code = 1
            try:
                code = 0 if examine(each, sample_n=given.sample, seed=given.seed) else 1
            except SystemExit as ended:
                print(ended)
            finally:
                sys.stdout.flush()
                os._exit(code)
        is_enough &= os.waitpid(child, 0)[1] == 0
    sys.exit(0 if is_enough else 1)


if __name__ == "__main__":
    main()
