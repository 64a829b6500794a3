"""Pages made from the code: every key and every finding is explained, and truly."""

from __future__ import annotations

import copy
import importlib.util
import re
import tomllib
from pathlib import Path

import pytest
from pydantic import ValidationError

from accstudy.study.settings import Settings

DOCS = Path(__file__).parents[2] / "docs"
LEAST = {
    "study": {"title": "x", "kind": "validation"},
    "scan_body": {"one": {"mesh": "a.stl"}},
    "model": [{"name": "m", "response": "pair.distance_um"}],
    "exclusions": [{"scan": "s", "reason": "body loose"}],
}


@pytest.fixture(scope="module")
def generate():
    spec = importlib.util.spec_from_file_location("generate", DOCS / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def rows(generate):
    found, section = [], ""
    for line in generate.settings_page().splitlines():
        if line.startswith("## "):
            section = re.search(r"\w+", line)[0]
        if line.startswith("| `"):
            key, meaning, values, _, example = re.split(r"(?<!\\) \| ", line.strip("| "))
            found.append((section, key.strip("`"), meaning, values, example.strip("`|").strip()))
    return found


def settings_with(section, key, value, parents):
    """Settings with one key, and what else it needs."""
    given = copy.deepcopy(LEAST)
    place = given.setdefault(section, {})
    place = place[0] if isinstance(place, list) else place.get("one", place)
    *tables, last = key.split(".")
    for name in tables:
        place[name] = dict(parents[section, name])
        place = place[name]
    place[last] = value
    if key == "sketch":
        place["kind"] = "none"
    if "cylinder" in key:
        given["scan_body"]["one"].pop("mesh")
    return Settings.model_validate(given)


def test_every_key_has_a_meaning_and_an_example_that_is_understood(rows):
    assert len(rows) > 80
    parents = {
        (section, key): tomllib.loads(f"x = {example}")["x"]
        for section, key, _, values, example in rows
        if values == "a table"
    }
    refused = 0
    for section, key, meaning, values, example in rows:
        assert len(meaning) > 5, key
        assert values, key
        value = tomllib.loads(f"x = {example}")["x"]
        used = settings_with(section, key, value, parents).as_used()[section]
        used = used[0] if isinstance(used, list) else used.get("one", used)
        for name in key.split("."):
            used = used[name]
        assert used is not None, key
        high = re.search(r" to (\S+)$", values)
        if high and isinstance(value, int | float):
            assert value <= float(high[1]), key
            with pytest.raises(ValidationError):
                settings_with(section, key, type(value)(float(high[1]) * 1.01 + 1), parents)
            refused += 1
    assert refused > 15


@pytest.fixture(scope="module")
def findings():
    """The page as it is kept; `test_tutorials` makes it anew and compares."""
    return (DOCS / "reference" / "findings.md").read_text(encoding="utf-8")


def test_every_code_that_a_test_looks_for_is_on_the_page_of_findings(findings):
    """The tests know codes from what was found, the page from the code of the program."""
    told = set(re.findall(r"^## (\S+)$", findings, flags=re.MULTILINE))
    asked: set[str] = set()
    for file in DOCS.parent.joinpath("tests").rglob("test_*.py"):
        text = file.read_text(encoding="utf-8")
        asked |= set(re.findall(r'\.code == "([a-z-]+)"', text))
        asked |= set(re.findall(r'"([a-z]+(?:-[a-z]+)+)" (?:not )?in (?:found_|said_)?codes', text))
        asked |= set(re.findall(r"(?:error|warning|note)\[([a-z]+(?:-[a-z]+)*)\]", text))
    assert len(asked) > 30
    assert asked - told == set()


def test_a_finding_is_told_with_its_severity_words_and_mend(findings):
    """Written by hand from what the program prints."""
    temperature = (
        "| warning | temperature or thermal expansion of the model during the scans is not given, "
        "so lengths are not corrected; 5 K on 50 mm of resin is about 19 µm | give "
        "scans.temperature_c"
    )
    assert temperature in findings
    exchanged = findings.partition("## exchanged-implants\n")[2].partition("## ")[0]
    assert exchanged.splitlines()[3:] == [
        "| error | … fits the reference only with … exchanged | correct the names in column "
        "implant; other rows may have the same error |",
        "",
    ]
    column = '| error | there is no column "…" | ….columns.… in study.toml names it; … |'
    assert column in findings
