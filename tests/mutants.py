"""Would a test notice? Faults put into the code one at a time, the room's tests run on each.

    python tests/mutants.py ROOM [ROOM ...] [--count 25] [--seed 1]

A seeded sample of `count` faults for each room: an operator, a comparison, a sign, a number
or a condition exchanged (cosmic-ray's operators), or the name of a table's column exchanged
for its neighbour's. Works on a copy; prints each survivor as a line to look at, and the share
that was killed. Annotations are not touched, and faults that no behaviour can show (a wider
tolerance of an iteration, say) count as survivors until someone looks at them.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any, NamedTuple

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.plugins import get_operator

from accstudy.tables import TABLES

ROOT = Path(__file__).parents[1]
BINARY = ("Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "Pow_Mul")
COMPARED = ("Lt_LtE", "LtE_Lt", "Gt_GtE", "GtE_Gt", "Lt_Gt", "Gt_Lt", "Eq_NotEq", "NotEq_Eq")
WORDS = ("ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceAndWithOr", "ReplaceOrWithAnd")
OPERATORS = (
    *(f"ReplaceBinaryOperator_{kind}" for kind in BINARY),
    *(f"ReplaceComparisonOperator_{kind}" for kind in COMPARED),
    *WORDS,
    "ReplaceUnaryOperator_Delete_USub",
    "ReplaceUnaryOperator_Delete_Not",
    "NumberReplacer",
)
ALSO = {"reports": ["tests/figures"], "figures": ["tests/reports"]}
TIMEOUT = 900


class Fault(NamedTuple):
    """A place of a file, and what is done there: which occurrence of a kind."""

    file: Path
    line: int
    kind: str
    occurrence: int

    def code(self) -> str:
        """The file with the fault."""
        code = self.file.read_text(encoding="utf-8")
        if self.kind == "column":
            return exchanged_columns(code)[self.occurrence][1]
        tree = get_ast(code)
        node, k, _ = places(tree, self.kind)[self.occurrence]
        other = get_operator(f"core/{self.kind}")().mutate(node, k)
        if other is not node:
            node.parent.children[node.parent.children.index(node)] = other
        return str(tree.get_code())

    def shown(self) -> str:
        """The line before and after."""
        was = self.file.read_text(encoding="utf-8").splitlines()[self.line - 1]
        now = self.code().splitlines()[self.line - 1]
        name = self.file.relative_to(ROOT)
        return f"{name}:{self.line} {self.kind}\n    - {was.strip()}\n    + {now.strip()}"


def untouched(tree: ast.Module) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Places of annotations, docstrings and decorators."""
    spans = []
    for node in ast.walk(tree):
        found: list[ast.AST | None] = []
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found += node.decorator_list
        if isinstance(node, ast.FunctionDef):
            found += [node.returns]
        if isinstance(node, ast.arg | ast.AnnAssign):
            found += [node.annotation]
        if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            found += [node]
        for part in found:
            if part is not None:
                spans.append(
                    ((part.lineno, part.col_offset), (part.end_lineno, part.end_col_offset))  # type: ignore[attr-defined]
                )
    return spans


def places(tree: Any, kind: str) -> list[tuple[Any, int, tuple[int, int]]]:
    """Nodes where an operator of cosmic-ray can act, which of its ways there, and where."""
    operator = get_operator(f"core/{kind}")()
    return [
        (node, k, start)
        for node in ast_nodes(tree)
        for k, (start, _) in enumerate(operator.mutation_positions(node))
    ]


def exchanged_columns(code: str) -> list[tuple[tuple[int, int], str]]:
    """Each column's name exchanged for its neighbour's in the same table: place and code."""
    neighbour: dict[Any, str] = {}
    for table in TABLES.values():
        names = list(table.names)
        neighbour |= dict(zip(names, [*names[1:], names[0]], strict=True))
    lines, found = code.splitlines(keepends=True), []
    for node in ast.walk(ast.parse(code)):
        if not (isinstance(node, ast.Constant) and node.value in neighbour):
            continue
        row, at = node.lineno - 1, node.col_offset
        text = lines[row]
        if text[at : at + 1] == '"':
            text = text[:at] + f'"{neighbour[node.value]}"' + text[at + len(str(node.value)) + 2 :]
            changed = "".join([*lines[:row], text, *lines[row + 1 :]])
            found.append(((node.lineno, at), changed))
    return found


def faults(file: Path) -> list[Fault]:
    """All faults of a module."""
    code = file.read_text(encoding="utf-8")
    kept, tree = untouched(ast.parse(code)), get_ast(code)
    found = [
        (start, kind, index)
        for kind in OPERATORS
        for index, (_, _, start) in enumerate(places(tree, kind))
    ]
    found += [(start, "column", i) for i, (start, _) in enumerate(exchanged_columns(code))]
    return [
        Fault(file, start[0], kind, index)
        for start, kind, index in found
        if not any(first <= start < last for first, last in kept)
    ]


def killed(fault: Fault, copy: Path, tests: list[str]) -> bool:
    """Whether a test fails with this fault."""
    file = copy / fault.file.relative_to(ROOT)
    was = file.read_text(encoding="utf-8")
    file.write_text(fault.code(), encoding="utf-8")
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests],
            cwd=copy,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
            capture_output=True,
            timeout=TIMEOUT,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return True
    finally:
        file.write_text(was, encoding="utf-8")
    return done.returncode != 0


def main() -> None:
    """Put faults in and print what survives."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("rooms", nargs="+")
    parser.add_argument("--count", type=int, default=25)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder) / "copy"
        left_out = shutil.ignore_patterns(".venv", "build", ".git", "results", ".mypy_cache")
        shutil.copytree(ROOT, copy, ignore=left_out)
        for room in asked.rooms:
            files = sorted((ROOT / "accstudy" / room).glob("*.py"))
            every = [fault for file in files for fault in faults(file)]
            chosen = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
            tests = [f"tests/{room}", *ALSO.get(room, [])]
            dead = 0
            for fault in chosen:
                gone = killed(fault, copy, tests)
                dead += gone
                if not gone:
                    print(f"survives: {fault.shown()}", flush=True)
            print(f"{room}: {dead} of {len(chosen)} killed, of {len(every)} possible", flush=True)


if __name__ == "__main__":
    main()
