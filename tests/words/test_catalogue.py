"""The catalogue of messages: every template is used, and given the fields that it names."""

import ast
import re
import string
import tomllib
from pathlib import Path
from types import SimpleNamespace

import pytest

import accstudy
from accstudy.tables import LABEL_FACTORS, TABLES
from accstudy.words.catalogue import LANGUAGE, area, cell, count, rich, say, words

ROOT = Path(accstudy.__file__).parent
AREAS = sorted(p.stem for p in (ROOT / "words" / LANGUAGE).glob("*.toml"))
CALLS = ("say", "choose", "rich", "heads", "words", "area", "listed")
COLUMNS = {c for table in TABLES.values() for c in table.names} | {*LABEL_FACTORS, "software"}


ROW = "the row"


def fields_of(template):
    """Names in the braces of a template, those in the formats of others included."""
    names = set()
    for _, name, spec, _ in string.Formatter().parse(template):
        if name is not None:
            names |= {name, *fields_of(spec or "")}
    return names


def keys_of(node):
    """Keys that an expression can be; those that begin alike where it is worked out."""
    if isinstance(node, ast.Constant):
        return {node.value}
    if isinstance(node, ast.IfExp):
        return keys_of(node.body) | keys_of(node.orelse)
    if isinstance(node, ast.JoinedStr):
        start = node.values[0].value
        return {k for k in every_key() if k.startswith(start) and isinstance(template(k), str)}
    return set()


def template(key):
    name, _, rest = key.partition(".")
    return area(name)[rest]


def every_key():
    return {f"{name}.{key}" for name in AREAS for key in area(name)}


def calls():
    """Calls of the catalogue in the program: where, of what, keys, names of the fields."""
    for path in sorted(ROOT.rglob("*.py")):
        text = path.read_text("utf-8")
        if path.name == "catalogue.py" or not ("catalogue import" in text or "heads(" in text):
            continue
        for node in ast.walk(ast.parse(text)):
            if not isinstance(node, ast.Call) or not node.args:
                continue
            own = path.parent.name == "reports" and getattr(node.func, "attr", "") == "listed"
            name = "listed" if own else getattr(node.func, "id", "")
            if name in CALLS:
                given = {k.arg for k in node.keywords}
                own_row = {"say": 1, "choose": 2}.get(name, 99)
                given |= {ROW} if len(node.args) > own_row else set()
                yield f"{path.name}:{node.lineno}", name, keys_of(node.args[0]), given


def test_every_call_names_a_template_and_gives_the_fields_that_it_names():
    known, wrong = every_key(), []
    for where, what, keys, given in calls():
        for key in keys:
            if what == "area":
                wrong += [] if key in AREAS else [f"{where}: {key}"]
            elif key not in known:
                wrong.append(f"{where}: {key}")
            elif what not in ("words", "listed"):
                cases = template(key).values() if what == "choose" else [template(key)]
                named = set().union(*map(fields_of, cases))
                of_row = named & COLUMNS if ROW in given else set()  # the row brings its columns
                apart = (named - of_row) ^ (given - {ROW} - of_row)
                wrong += [f"{where}: {key}, {sorted(apart)}"] if apart else []
    assert wrong == []


def test_cells_of_declared_tables_name_columns_and_known_formats():
    row = SimpleNamespace(bias=-1.25, low=None, high=3.0, unit="um", p=0.0002, chart="ewma", n=4.0,
                          at="2026-03-02T10:00", share=0.125, x=1234.5678, text="")  # fmt: skip
    for template, wanted in {
        "{bias:+.{unit}} {unit:unit}": "−1.2 µm",
        "[{low:.um} to {high:.um}]": "–",
        "{high:.um}[ ({low:.um})]": "3.0",
        "[{text} here]": "–",
        "{bias:+um}, {p:p}, {n:n0}": "−1.2\u00a0µm, <\u00a00.001, 4",
        "{share:%1}, {x:s3}": "12.5\u00a0%, 1235",
        "{at:day} {at:date} {low:n2} {share:sure}": "2026-03-02 2 March 2026 – 12.5\u00a0%",
        "{chart:drift.charts} {chart:twice}": "EWMA of the means ewmaewma",
    }.items():
        assert cell(template, row, {"twice": lambda v: 2 * v}) == wanted


def test_every_template_is_used():
    used = set()
    for _, what, keys, _ in calls():
        used |= {k for k in every_key() if k.split(".")[0] in keys} if what == "area" else keys
    for key in every_key():
        held = template(key)
        for text in held.values() if isinstance(held, dict) else [held]:
            used |= set(re.findall(r":([a-z_]+\.[a-z_]+)}", text))
    own = {k for k in every_key() if k.startswith("list.")}  # of the catalogue and its numbers
    assert sorted(every_key() - used - own) == []


def test_no_text_stands_twice_in_an_area():
    for name in AREAS:
        texts = [v for v in area(name).values() if isinstance(v, str) and len(v) > 40]
        assert len(texts) == len(set(texts)), name


@pytest.mark.parametrize("name", AREAS)
def test_files_hold_templates_and_groups_of_words_alone(name):
    data = tomllib.loads((ROOT / "words" / LANGUAGE / f"{name}.toml").read_text("utf-8"))
    for value in data.values():
        held = value.values() if isinstance(value, dict) else [value]
        assert all(isinstance(one, str) for one in held)


def test_numbers_come_with_their_nouns():
    assert [count(n, "body", "bodies") for n in (0, 1, 2)] == [
        "no body",
        "1\u00a0body",
        "2\u00a0bodies",
    ]
    assert say("list.range", low=1, high=2) == "1 to 2"
    assert say("plan.session_each", sessions=1) == "1 session each"
    assert say("plan.session_each", sessions=4) == "4 sessions each"


def test_emphasis_becomes_runs_and_fields_may_be_runs(monkeypatch):
    made = {"one": "a <em>{x}</em> of {n:scan|scans}, {r}."}
    monkeypatch.setattr("accstudy.words.catalogue.area", lambda name: made)
    run = {"t": "b", "s": "b"}
    assert rich("any.one", x=3, n=2, r=[run]) == [
        "a ", {"t": "3", "s": "accent"}, " of 2\u00a0scans, ", run, "."
    ]  # fmt: skip


def test_an_unknown_message_or_field_is_an_error():
    with pytest.raises(KeyError):
        say("list.no_such_message")
    with pytest.raises(KeyError):
        say("list.range", low=1)
    with pytest.raises(FileNotFoundError):
        words("no_such_area.words")
