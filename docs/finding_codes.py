"""Every finding that the program can make, read from its code: severity, code, words, mend."""

from __future__ import annotations

import ast
import itertools
import re
from collections.abc import Iterator
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
        for scope in [tree, *(n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef))]:
            known = _assigned(scope)
            for node in _inside(scope):
                if isinstance(node, ast.Call):
                    found |= dict.fromkeys(_said(node, known, helpers, classes))
                elif isinstance(node, ast.Tuple):
                    found |= dict.fromkeys(_noted(node))
    told = {code for code, _, what, _ in found if what != "…"}
    return sorted(one for one in found if one[2] != "…" or one[0] not in told)


def _inside(scope: ast.AST) -> Iterator[ast.AST]:
    """Nodes of a module or function, without those of functions in it."""
    for node in ast.iter_child_nodes(scope):
        if not isinstance(node, ast.FunctionDef):
            yield node
            yield from _inside(node)


def _assigned(scope: ast.AST) -> dict[str, list[ast.AST]]:
    """What every variable of a function can be."""
    out: dict[str, list[ast.AST]] = {}
    for node in _inside(scope):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                pairs = [(target, node.value)]
                if isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    pairs = list(zip(target.elts, node.value.elts, strict=False))
                for left, right in pairs:
                    if isinstance(left, ast.Name):
                        out.setdefault(left.id, []).append(right)
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
    known: dict[str, list[ast.AST]],
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
        mend = _texts(given.get("mend"), known)[0]
        codes, told = _codes(given.get("code"), known), _texts(given.get("what"), known)
        for code, what in itertools.product(codes, told):
            if what:
                yield code, severity or "error", what, mend
        return
    code = _code_of(name, classes)
    for what in _texts(call.args[0], known) if call.args and code else ():
        if what not in ("", "…"):
            yield code, "error", what, _texts(given.get("hint"), known)[0]


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


def _severities_of(node: ast.AST | None, known: dict[str, list[ast.AST]]) -> list[str]:
    if isinstance(node, ast.Name):
        return [word for one in known.get(node.id, []) if (word := _severities(one))]
    return []


def _codes(node: ast.AST | None, known: dict[str, list[ast.AST]]) -> list[str]:
    """Every code that an expression can be."""
    return [text for text in _texts(node, known) if text and "…" not in text]


def _texts(node: ast.AST | None, known: dict[str, list[ast.AST]]) -> list[str]:
    """Every text that an expression can be, with … for what is filled in."""
    if isinstance(node, ast.Name) and node.id in known:
        found = [text for one in known[node.id] for text in _texts(one, {}) if text != "…"]
        return found or ["…"]
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
