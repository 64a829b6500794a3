"""How numbers are printed, and that the commands that documents name exist."""

import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGES = [*ROOT.glob("*.md"), *sorted(ROOT.glob("docs/**/*.md"))]
BLOCK = re.compile(r"^```.*?^```$", re.MULTILINE | re.DOTALL)
GROUPED = re.compile(r"\d[, ]\d{3}(?![\d.])")
MICROMETRE = re.compile(r"(?<=[\s\d(*])um\b(?! or deg|, deg)")


def prose(text):
    """The text without code and without links."""
    text = re.sub(r"`[^`]*`", "", BLOCK.sub("", text))
    return re.sub(r"\]\([^)]*\)", "", text)


def sentences():
    for file in sorted((ROOT / "accstudy/words/en").glob("*.toml")):
        waiting = [tomllib.loads(file.read_text(encoding="utf-8"))]
        while waiting:
            for value in waiting.pop().values():
                if isinstance(value, dict):
                    waiting.append(value)
                else:
                    yield file.name, re.sub(r"\{.*?\}", "", str(value))


def test_thousands_and_micrometres_are_written_alike():
    texts = [(p.name, prose(p.read_text(encoding="utf-8"))) for p in PAGES]
    assert len(texts) > 25
    found = [
        (name, hit)
        for name, text in [*texts, *sentences()]
        for pattern in (GROUPED, MICROMETRE)
        for hit in pattern.findall(text)
    ]
    assert found == []


@pytest.mark.parametrize("text", ["1,000 series", "160 000", "80 um", "(um)"])
def test_other_styles_are_noticed(text):
    assert GROUPED.search(text) or MICROMETRE.search(text)


def test_every_named_target_is_one_of_the_makefile_and_explained_once():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z][a-z-]*):(?!=)", makefile, flags=re.MULTILINE))
    for page in PAGES:
        text = page.read_text(encoding="utf-8")
        named = re.findall(r"(?:`|^ *)make ((?:[a-z-]+ ?)+)", text, flags=re.MULTILINE)
        assert {n for names in named for n in names.split()} <= targets, page
    developers = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    lines = re.findall(r"^make ((?:[a-z-]+ ?)+)", developers, flags=re.MULTILINE)
    listed = [name for line in lines for name in line.split()]
    assert len(listed) == len(set(listed)) > 15


def test_every_script_that_a_page_runs_has_these_options():
    run = 0
    for page in [*PAGES, *ROOT.glob("tests/simulations/*.md")]:
        text = re.sub(r"\s+", " ", page.read_text(encoding="utf-8"))
        for path, options in re.findall(r"python (tests/\S+\.py)((?: [\w.-]+)*)", text):
            script = (ROOT / path).read_text(encoding="utf-8")
            for option in re.findall(r"--[a-z-]+", options):
                assert f'"{option}"' in script, f"{page.name}: {path} {option}"
            run += 1
    assert run > 10
