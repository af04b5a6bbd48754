"""Runs the cells of a notebook one after the other in one namespace, without a kernel."""

import ast
import json
from pathlib import Path
from typing import Any


def cells(path: Path) -> list[str]:
    """The code cells of a notebook, in order."""
    document = json.loads(path.read_text(encoding="utf-8"))
    return ["".join(cell["source"]) for cell in document["cells"] if cell["cell_type"] == "code"]


def run(path: Path) -> dict[str, Any]:
    """The names that the cells leave; in `Out` what each shows below it, None where it shows nothing."""
    names: dict[str, Any] = {"__name__": "__main__"}
    shown: list[Any] = []
    for cell in cells(path):
        lines = ast.parse(cell, str(path)).body
        last = lines.pop() if isinstance(lines[-1], ast.Expr) else None
        exec(compile(ast.Module(lines, []), str(path), "exec"), names)
        shown.append(None if last is None else eval(compile(ast.Expression(last.value), str(path), "eval"), names))
    return names | {"Out": shown}
