"""The documentation: tutorials run, links lead somewhere, reference pages are up to date."""

import importlib.util
import re
import shlex
import shutil
import subprocess
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner

from accstudy.cli import main
from accstudy.study.settings import Settings

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PAGES = sorted(DOCS.rglob("*.md"))
INPUTS = ("study.toml", "scans.csv", "events.csv", "poses.csv", "reference", "scan_bodies", "truth")
# what the tutorials need of the sample studies; the whole ones take minutes
FEWER = {
    "validation": "session == 1 and repeat < 3",
    "comparison": "repeat == 1 and operator < 'operator 4'",
    "drift": "device == 'device A' and session < 'S26'",
}


def samples(target):
    """Copy the sample studies with fewer scans."""
    for name, fewer in FEWER.items():
        source = ROOT / "sample_study" / name
        new = target / "sample_study" / name
        (new / "scans").mkdir(parents=True)
        for part in INPUTS:
            if (source / part).is_dir():
                shutil.copytree(source / part, new / part)
            elif (source / part).is_file():
                shutil.copy(source / part, new / part)
        scans = pd.read_csv(source / "scans.csv", dtype={"software": str}).query(fewer)
        scans.to_csv(new / "scans.csv", index=False)
        for file in scans["file"].dropna():
            shutil.copy(source / file, new / file)
        if (new / "poses.csv").is_file():
            poses = pd.read_csv(new / "poses.csv")
            poses[poses["scan"].isin(scans["scan"])].to_csv(new / "poses.csv", index=False)
        text = (new / "study.toml").read_text(encoding="utf-8")
        text = re.sub(r"^surface = .*$", "", text, flags=re.MULTILINE)
        # limits far away: how many scans would prove a near one takes long to find
        text = re.sub(r"value = \d+(\.\d+)?", "value = 1e6", text)
        text = text.replace("[limits]", "[limits]\nspans_at_um = [1e6]")
        models = text.split("[[model]]")
        text = "[[model]]".join(models[:2])  # one will do
        if "[seating]" not in text:
            text += "\n[seating]\n"
        (new / "study.toml").write_text(
            text.replace("[seating]", "[seating]\ndraws = 0"), encoding="utf-8"
        )


def run_line(line):
    words = shlex.split(line, comments=True)
    wanted = re.search(r"# exit code (\d)", line)
    if words[0] == "accstudy":
        done = CliRunner().invoke(main, words[1:], catch_exceptions=False)
        assert done.exit_code == int(wanted[1] if wanted else 0), f"{line}\n{done.output}"
    else:
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)


@pytest.mark.parametrize("tutorial", ["clinic", "laboratory", "quality"])
def test_a_tutorial_runs_from_top_to_bottom(tutorial, tmp_path, monkeypatch, capsys):
    samples(tmp_path)
    monkeypatch.chdir(tmp_path)
    text = (DOCS / "tutorials" / f"{tutorial}.md").read_text(encoding="utf-8")
    names = {}
    kinds = []
    for kind, code in BLOCK.findall(text):
        kinds.append(kind)
        if kind == "sh":
            for line in code.splitlines():
                run_line(line)
        elif kind == "python":
            exec(compile(code, f"{tutorial}.md", "exec"), names)
            assert capsys.readouterr().out.strip(), code
    assert {"sh", "python"} <= set(kinds)


@pytest.mark.parametrize("page", PAGES, ids=lambda p: p.relative_to(DOCS).as_posix())
def test_links_lead_to_files_and_settings_are_understood(page):
    text = page.read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)\s]+)\)", BLOCK.sub("", text)):
        if not link.startswith(("http", "#")):
            assert (page.parent / link.split("#")[0]).is_file(), link
    for kind, code in BLOCK.findall(text):
        if kind == "toml":
            given = tomllib.loads(code)
            given.setdefault("study", {"title": "t", "kind": "validation"})
            Settings.model_validate(given)


def test_every_page_is_reached_from_the_index():
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    for page in PAGES:
        name = page.relative_to(DOCS).as_posix()
        assert name == "index.md" or f"({name})" in index, name


def test_every_example_of_a_command_in_the_pages_is_a_command_with_such_options():
    for page in PAGES:
        for line in re.findall(
            r"^ *accstudy (.+)$", page.read_text(encoding="utf-8"), re.MULTILINE
        ):
            words = shlex.split(line, comments=True)
            if words[0].startswith("-"):
                continue
            options = {o for p in main.commands[words[0]].params for o in p.opts}
            for word in words[1:]:
                assert not word.startswith("--") or word in options, f"{page.name}: {line}"


def test_reference_pages_are_up_to_date():
    spec = importlib.util.spec_from_file_location("generate", DOCS / "generate.py")
    generate = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(generate)
    for name, page in generate.PAGES.items():
        there = (DOCS / "reference" / name).read_text(encoding="utf-8")
        assert there == page().rstrip() + "\n", f"call: python docs/generate.py ({name})"
