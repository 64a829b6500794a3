"""Would a test notice? Faults put into the code one at a time, the room's tests run on each.

    python tests/mutants.py ROOM [ROOM ...] [--count 25] [--seed 1]

A seeded sample of `count` faults for each room: an operator, a comparison, a sign, a number
or a condition exchanged (cosmic-ray's operators), or the name of a table's column exchanged
for its neighbour's; in scripts of a page the same by a table of tokens. Works on a copy; prints
each survivor as a line to look at, and the share that was killed. Annotations are not touched,
and faults that no behaviour can show (a wider tolerance of an iteration, say) count as survivors
until someone looks at them.
"""

from __future__ import annotations

import argparse
import ast
import importlib
import os
import pickle
import random
import re
import select
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.plugins import get_operator
from coverage import Coverage

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
ALSO = {"reports": ["figures", "words"], "figures": ["reports"], "page": []}
"""Rooms, and others whose tests see them, too."""

SLOW = (
    "test_drift_truth",
    "test_edges",
    "test_misfit",
    "test_render",
    "test_sentences",
    "test_browser",
)
LOADED = (
    *("matplotlib.figure", "scipy.stats", "scipy.optimize", "pypdf", "PIL.Image", "typst"),
    *("accstudy.dictionary", "accstudy.models.decisions", "accstudy.seating.summary"),
    *("accstudy.accuracy.judge", "accstudy.plan.size", "accstudy.study.load"),
)
HOW = ("-q", "-x", "-p", "no:cacheprovider")
EDITED = "tests/reports/test_what_if.py"
FLAGS = f"{EDITED}::test_pages_of_toggled_flags_are_as_approved"
DRAWN = (
    "test_what_the_scripts_draw_is_as_approved",
    "test_the_solid_view_consists_of_what_is_approved",
)
FAILED = (1, 2)
"""What pytest ends with when a test fails or cannot be collected; 3 to 5: it was called wrongly."""

TIMEOUT = 600

EXCHANGED = {
    **{"===": "!==", "!==": "===", "<": ">=", ">": "<=", "<=": ">", ">=": "<"},
    **{"&&": "||", "||": "&&", "true": "false", "false": "true"},
    **{" + ": " - ", " - ": " + ", " * ": " / ", " / ": " * "},
}
"""Tokens of a script, and what is put in their place; a number becomes the next one."""

TOKEN = re.compile(
    r"//[^\n]*|\"(?:[^\"\\\n]|\\.)*\"|'(?:[^'\\\n]|\\.)*'"  # comments and strings are skipped
    r"|(?P<token>===|!==|&&|\|\||<=|>=|(?<![=<>-])>(?!=)|<(?![=/])| [-+*/] (?!\s)"
    r"|\b(?:true|false)\b|(?<![\w.#])\d+(?:\.\d+)?\b(?!px|%))"
)


class Fault(NamedTuple):
    """A place of a file, and what is done there: which occurrence of a kind."""

    file: Path
    line: int
    kind: str
    occurrence: int

    def code(self) -> str:
        """The file with the fault."""
        code = self.file.read_text(encoding="utf-8")
        if self.kind in ("column", "token"):
            made = exchanged_columns if self.kind == "column" else exchanged_tokens
            return made(code)[self.occurrence][1]
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
        name = f"{self.file.parent.name}/{self.file.name}"
        return f"{name}:{self.line} {self.kind}\n    - {was.strip()}\n    + {now.strip()}"


def untouched(tree: ast.Module) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    """Places of annotations, docstrings, decorators and guards."""
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
        if isinstance(node, ast.keyword) and node.arg == "strict":  # of zip: a guard
            found += [node.value]
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
    from accstudy.tables import TABLES

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


def exchanged_tokens(code: str) -> list[tuple[tuple[int, int], str]]:
    """Each token of a script that has another to be exchanged for: place and code."""
    found = []
    for one in TOKEN.finditer(code):
        if token := one["token"]:
            now = EXCHANGED.get(token) or f"{float(token) + 1:g}"
            line = code.count("\n", 0, one.start()) + 1
            found.append(((line, one.start()), code[: one.start()] + now + code[one.end() :]))
    return found


def faults(file: Path) -> list[Fault]:
    """All faults of a module or a script."""
    code = file.read_text(encoding="utf-8")
    if file.suffix == ".js":
        return [
            Fault(file, line, "token", k) for k, ((line, _), _) in enumerate(exchanged_tokens(code))
        ]
    parsed = ast.parse(code)
    kept, tree = untouched(parsed), get_ast(code)
    sums = [
        ((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset))
        for n in ast.walk(parsed)
        if isinstance(n, ast.BinOp)
    ]
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
        # an asterisk among parameters is no product
        and ("Binary" not in kind or any(first <= start < last for first, last in sums))
    ]


def warmed(copy: Path) -> None:
    """Load what is not changed, once: every fault is then tried in a copy of this process."""
    os.chdir(copy)
    sys.path[:0] = [str(copy), *(str(copy / "tests" / f) for f in ("shared", "reports"))]
    for name in LOADED:
        importlib.import_module(name)
    import kept_studies

    import accstudy

    assert Path(accstudy.__file__).is_relative_to(copy), accstudy.__file__
    for study in kept_studies.NAMES:
        kept_studies.kept_tables(study)
    loaded = [m for m in sys.modules if m.startswith(tuple(f"accstudy.{r}" for r in ALSO))]
    assert not loaded, loaded


def forked(work: Callable[[], Any], seconds: float) -> Any:
    """What `work` returns in a process of its own; None if it takes too long or breaks."""
    there, here = os.pipe()
    if not (child := os.fork()):
        os.close(there)
        os.setsid()
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1), os.dup2(quiet, 2)
        said = b""
        try:
            said = pickle.dumps(work())
        finally:
            with os.fdopen(here, "wb") as pipe:
                pipe.write(said)
            os._exit(0)
    os.close(here)
    with os.fdopen(there, "rb") as pipe:
        if select.select([pipe], [], [], seconds)[0]:
            said = pipe.read()
        else:
            said = b""
            os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return pickle.loads(said) if said else None


def lines_of(name: str, copy: Path, rooms: list[str]) -> set[tuple[str, int]]:
    """Lines of some rooms that a report of a kept study, or a case of edited ones, runs through."""
    import kept_studies

    tracer = Coverage(source=[str(copy / "accstudy" / room) for room in rooms], data_file=None)
    tracer.start()
    if name in kept_studies.NAMES:
        from accstudy.reports.render import KINDS
        from accstudy.reports.validation import unreferenced_report

        kind, content = kept_studies.kept(name)
        build = KINDS[kind] if content.referenced or kind == "drift" else unreferenced_report
        build(content)
    else:
        import test_what_if

        function, usual = test_what_if.CASES[name]
        for _, one in function():
            test_what_if.told(*one, usual)
    tracer.stop()
    seen = tracer.get_data()
    return {
        (str(Path(file).relative_to(copy)), line)
        for file in seen.measured_files()
        for line in seen.lines(file) or ()
    }


def passes(tests: list[str]) -> bool:
    """Whether tests pass, run in a process of their own; what takes too long does not."""
    import pytest

    ended = forked(lambda: int(pytest.main([*HOW, *tests])), TIMEOUT)
    if ended not in (0, None, *FAILED):
        raise SystemExit(f"pytest ends with {ended}: {tests}")
    return ended == 0


def killed(fault: Fault, groups: list[list[str]]) -> bool:
    """Whether a test of one of the groups fails with this fault; they are run in turn."""
    was, now = fault.file.read_text(encoding="utf-8"), fault.code()
    try:
        written(fault.file, now)
        return not all(passes(tests) for tests in groups if tests)
    finally:
        written(fault.file, was)


def written(file: Path, text: str) -> None:
    """Write a module as if later than before, or byte code of the last fault would be taken."""
    later = file.stat().st_mtime + 2
    file.write_text(text, encoding="utf-8")
    os.utime(file, (later, later))


def late(file: Path) -> tuple[int, str]:
    """Order of tests: slow ones last."""
    return (SLOW.index(file.stem) if file.stem in SLOW else -1, file.name)


def ordered(
    fault: Fault, room: str, through: dict[str, set[tuple[str, int]]], *, approved: bool
) -> list[list[str]]:
    """Tests for a fault: pages that run through it, those that import its module, all of CI."""
    import kept_studies

    name = f"accstudy/{room}/{fault.file.name}"
    if fault.file.suffix == ".js":
        browser = f"tests/{room}/test_browser.py"
        return [[f"{browser}::{test}" for test in DRAWN], [browser], [f"tests/{room}/test_page.py"]]
    own = f"tests/{room}/test_{fault.file.stem}.py"
    pages = "tests/reports/test_approved.py"
    mine = [s for s, lines in through.items() if (name, fault.line) in lines]
    named = f"accstudy.{room}.{fault.file.stem} "
    first = [
        str(p.relative_to(ROOT))
        for where in (room, *ALSO.get(room, ()))
        for p in sorted((ROOT / "tests" / where).glob("test_*.py"), key=late)
        if p == ROOT / own or (named in p.read_text("utf-8") and p.stem not in SLOW[:1])
    ]
    every = [
        str(p.relative_to(ROOT))
        for where in (room, *ALSO.get(room, ()))
        for p in sorted((ROOT / "tests" / where).glob("test_*.py"), key=late)
    ]
    if fault.file.is_file() and ">>> " in fault.file.read_text("utf-8"):
        first.append(name)
    whole = [s for s in mine if s in kept_studies.NAMES]
    nodes = [f"{pages}::test_pages_are_as_approved[{s}]" for s in whole[:1]]
    nodes += [f"{EDITED}::test_pages_of_edited_studies_are_as_approved[{s}]"
              for s in mine if s not in whole]  # fmt: skip
    rest = [f for f in every if f not in (*first, pages, EDITED)]
    if not approved:
        return [first, rest]
    return [nodes, first, [pages] if len(whole) != 1 else [], [FLAGS] if mine else [], rest]


def main() -> None:
    """Put faults in and print what survives."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("rooms", nargs="+")
    parser.add_argument("--count", type=int, default=25)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument(
        "--quick", action="store_true", help="only approved pages and the tests of the module"
    )
    parser.add_argument(
        "--without-approved",
        action="store_true",
        help="leave the comparison with approved pages out",
    )
    parser.add_argument("--scripts", action="store_true", help="faults in scripts alone")
    asked = parser.parse_args()
    os.environ |= {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MPLBACKEND": "agg"}
    with tempfile.TemporaryDirectory() as folder:
        copy = Path(folder).resolve() / "copy"
        left_out = shutil.ignore_patterns(
            ".venv", "build", ".git", "results", ".mypy_cache", "__pycache__", "scans"
        )
        shutil.copytree(ROOT, copy, ignore=left_out)
        warmed(copy)
        import kept_studies

        approved = copy / "tests/reports/approved/what-if"
        edited = [p.stem for p in sorted(approved.glob("*.txt")) if "flags-" not in p.name]
        through = {
            s: forked(partial(lines_of, s, copy, asked.rooms), TIMEOUT) or set()
            for s in (*kept_studies.NAMES, *edited)
            if {"reports", "figures"} & {*asked.rooms}
        }
        assert all(through.values()), [s for s, lines in through.items() if not lines]
        for room in asked.rooms:
            none = Fault(copy / "accstudy" / room / "none.py", 0, "", 0)
            sound = ordered(none, room, {}, approved=True)
            if not all(passes(t) for t in (sound[:-1] if asked.quick else sound) if t):
                raise SystemExit(f"tests of {room} fail without any fault")
            of_room = copy / "accstudy" / room
            files = sorted([*of_room.glob("*.py"), *of_room.glob("*.js")])
            every = [fault for file in files for fault in faults(file)]
            if asked.scripts:
                every = [fault for fault in every if fault.kind == "token"]
            chosen = random.Random(asked.seed).sample(every, min(asked.count, len(every)))
            dead = 0
            for number, fault in enumerate(chosen, 1):
                began = time.monotonic()
                tests = ordered(fault, room, through, approved=not asked.without_approved)
                gone = killed(fault, tests[:-1] if asked.quick else tests)
                dead += gone
                if not gone:
                    print(f"survives: {fault.shown()}", flush=True)
                print(f"  {number}: {dead} killed, {time.monotonic() - began:.0f} s", flush=True)
            print(f"{room}: {dead} of {len(chosen)} killed, of {len(every)} possible", flush=True)


if __name__ == "__main__":
    main()
