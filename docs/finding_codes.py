"""Every finding that the program can make, read from its code: severity, code, words, mend."""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Generator, Iterator, Sequence
from pathlib import Path

from accstudy.words.catalogue import area

__all__ = ["Said", "finding_codes"]

Said = tuple[str, str, str, str]
"""Code, severity, what is said, what to do; a value that is filled in is ``…``."""


def finding_codes(package: Path) -> list[Said]:
    """Findings of all modules of a package, each once, in order of their codes.

    Parameters
    ----------
    package : Path
        Its folder.

    Returns
    -------
    list of (code, severity, what, mend)
    """
    trees = [ast.parse(p.read_text(encoding="utf-8")) for p in sorted(package.rglob("*.py"))]
    helpers, classes = {}, {}
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.FunctionDef):
                names = [a.arg for a in node.args.args]
                if names[:2] == ["code", "what"]:
                    helpers[node.name] = (names, _severities(node))
            elif isinstance(node, ast.ClassDef):
                classes[node.name] = (_own_code(node), [_name(base) for base in node.bases])
    found: dict[Said, None] = {}
    for tree in trees:
        for node in ast.walk(tree):
            if isinstance(node, ast.Tuple):
                found |= dict.fromkeys(_noted(node))
            elif isinstance(node, (ast.Module, *_FUNCTIONS)):
                for call, known in _followed(node.body, [{}], []):
                    found |= dict.fromkeys(_said(call, known, helpers, classes))
    told = {code for code, _, what, _ in found if what != "…"}
    return sorted(one for one in found if one[2] != "…" or one[0] not in told)


Known = dict[str, ast.AST]
"""What the variables of a function hold, on one way through it."""


_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef)
_BLOCKS = (ast.stmt, ast.ExceptHandler, ast.match_case)


def _followed(
    body: Sequence[ast.stmt], ways: list[Known], left: list[Known]
) -> Generator[tuple[ast.Call, Known], None, list[Known]]:
    """Every call in some statements with what is known there, on every way through them.

    Returns the ways that reach their end; those that leave a loop early are added to `left`.
    """
    for node in body:
        if not isinstance(node, (*_FUNCTIONS, ast.ClassDef)):
            parts = [part for part in ast.iter_child_nodes(node) if not isinstance(part, _BLOCKS)]
            inside = itertools.chain.from_iterable(ast.walk(part) for part in parts)
            calls = [one for one in inside if isinstance(one, ast.Call)]
            yield from itertools.product(calls, ways)
        ways = [_assigned(node, known) for known in ways]
        if isinstance(node, (ast.Return, ast.Raise)):
            return []
        if isinstance(node, (ast.Break, ast.Continue)):
            left += ways
            return []
        if isinstance(node, ast.If):
            then = yield from _followed(node.body, ways, left)
            ways = then + (yield from _followed(node.orelse, ways, left))
        elif isinstance(node, (ast.For, ast.AsyncFor, ast.While)):
            early: list[Known] = []
            ways = ways + (yield from _followed(node.body, ways, early)) + early
            ways = yield from _followed(node.orelse, ways, left)
        elif isinstance(node, ast.Try):
            done = yield from _followed([*node.body, *node.orelse], ways, left)
            for handler in node.handlers:
                done = done + (yield from _followed(handler.body, ways, left))
            ways = yield from _followed(node.finalbody, done, left)
        elif isinstance(node, (ast.With, ast.AsyncWith)):
            ways = yield from _followed(node.body, ways, left)
        elif isinstance(node, ast.Match):
            before = ways
            for case in node.cases:
                ways = ways + (yield from _followed(case.body, before, left))
        ways = list({tuple((k, id(v)) for k, v in sorted(w.items())): w for w in ways}.values())
    return ways


def _assigned(node: ast.AST, known: Known) -> Known:
    """What is known after a statement: texts, not what is computed."""
    if isinstance(node, ast.AugAssign) and isinstance(node.target, ast.Name):
        before = known.get(node.target.id)
        more = {} if before is None else {node.target.id: ast.BinOp(before, node.op, node.value)}
        return known | more
    if not isinstance(node, ast.Assign):
        return known
    out = dict(known)
    for target in node.targets:
        pairs = [(target, node.value)]
        if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
            pairs = list(zip(target.elts, node.value.elts, strict=False))
        for name, value in pairs:
            if isinstance(name, ast.Name):
                out.pop(name.id, None)
                texts = _texts(value, known)
                if _severities(value) or any(text not in ("", "…") for text in texts):
                    out[name.id] = value
    return out


def _noted(node: ast.Tuple) -> Iterator[Said]:
    """A warning that is made into a finding later: code, words and mend side by side."""
    if len(node.elts) != 3 or not all(isinstance(e, _TEXTS) or _key(e) for e in node.elts):
        return
    code, what, mend = (_texts(e, {})[0] for e in node.elts)
    if re.fullmatch(r"[a-z]+(-[a-z]+)+", code) and " " in what:
        yield code, "warning", what, mend


_TEXTS = (ast.Constant, ast.JoinedStr)


def _said(
    call: ast.Call,
    known: Known,
    helpers: dict[str, tuple[list[str], str]],
    classes: dict[str, tuple[str, list[str]]],
) -> Iterator[Said]:
    name = _name(call.func)
    given = {k.arg: k.value for k in call.keywords if k.arg}
    if name == "Finding" or name in helpers:
        names = ["severity", "code", "what", "where", "mend"]
        names, severity = helpers.get(name, (names, _severities(call)))
        given |= dict(zip(names, call.args, strict=False))
        for word in _severities_of(given.get("severity"), known):
            severity = severity or word
        codes, told = _codes(given.get("code"), known), _texts(given.get("what"), known)
        for code, what, mend in itertools.product(codes, told, _mends(given.get("mend"), known)):
            if what:
                yield code, severity or "error", what, mend
        return
    code = _code_of(name, classes)
    for what in _texts(call.args[0], known) if call.args and code else ():
        if what not in ("", "…"):
            for mend in _mends(given.get("hint"), known):
                yield code, "error", what, mend


def _mends(node: ast.AST | None, known: Known) -> list[str]:
    """What to do; a computed hint only where there is no other."""
    return [text for text in _texts(node, known) if text not in ("", "…")] or ["…"]


def _code_of(name: str, classes: dict[str, tuple[str, list[str]]]) -> str:
    code, bases = classes.get(name, ("", []))
    return code or next((c for base in bases if (c := _code_of(base, classes))), "")


def _own_code(node: ast.ClassDef) -> str:
    for line in node.body:
        if (
            isinstance(line, ast.Assign)
            and _name(line.targets[0]) == "code"
            and isinstance(line.value, ast.Constant)
        ):
            return str(line.value.value)
    return ""


def _name(node: ast.AST) -> str:
    if isinstance(node, ast.Name):
        return node.id
    return node.attr if isinstance(node, ast.Attribute) else ""


def _severities(node: ast.AST) -> str:
    found = [
        n.attr.lower()
        for n in ast.walk(node)
        if isinstance(n, ast.Attribute) and _name(n.value) == "Severity"
    ]
    return " or ".join(sorted(set(found)))


def _severities_of(node: ast.AST | None, known: Known) -> list[str]:
    if isinstance(node, ast.Name):
        return [word for one in (known.get(node.id),) if one and (word := _severities(one))]
    return []


def _codes(node: ast.AST | None, known: Known) -> list[str]:
    """Every code that an expression can be."""
    return [text for text in _texts(node, known) if text and "…" not in text]


def _texts(node: ast.AST | None, known: Known) -> list[str]:
    """Every text that an expression can be, with … for what is filled in."""
    if isinstance(node, ast.Name) and node.id in known:
        return _texts(known[node.id], {k: v for k, v in known.items() if k != node.id})
    if isinstance(node, ast.IfExp):
        return [*_texts(node.body, known), *_texts(node.orelse, known)]
    return [_text(node)]


def _text(node: ast.AST | None) -> str:
    """Text of an expression, with … for what is filled in."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else ""
    if key := _key(node):
        area_name, _, name = key.partition(".")
        return re.sub("…+", "…", _FIELD.sub(_filled, str(area(area_name)[name])))
    if isinstance(node, ast.JoinedStr):
        return re.sub("…+", "…", "".join(_text(part) for part in node.values))
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return _text(node.left) + _text(node.right)
    if isinstance(node, ast.IfExp):
        return _text(node.body)
    return "" if node is None else "…"


_FIELD = re.compile(r"\{\{|\}\}|\{[^{}]*\}")


def _filled(found: re.Match[str]) -> str:
    """What stands in place of a field, or a brace that is one."""
    return found[0][0] if found[0] in ("{{", "}}") else "…"


def _key(node: ast.AST | None) -> str:
    """Key of a message of the catalogue; empty for other expressions."""
    if isinstance(node, ast.Call) and _name(node.func) == "say" and node.args:
        first = node.args[0]
        return str(first.value) if isinstance(first, ast.Constant) else ""
    return ""
