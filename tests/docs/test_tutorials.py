"""The documentation: tutorials run, links lead somewhere, reference pages are up to date."""

import ast
import importlib
import importlib.util
import inspect
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pandas as pd
import pytest
from click.testing import CliRunner
from samples import analysed

from accstudy.cli import main
from accstudy.study.settings import Settings

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
PAGES = sorted(DOCS.rglob("*.md"))
OTHERS = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md", "SECURITY.md")]
INPUTS = ("study.toml", "scans.csv", "events.csv", "poses.csv", "reference", "scan_bodies", "truth")
# what the tutorials need of the sample studies; the whole ones take minutes
FEWER = {
    "validation": "session == 1 and repeat < 3",
    "comparison": "repeat == 1 and operator < 'operator 3' and model in ('M4-15a', 'M6-30a')",
    "drift": "device == 'device A' and session < 'S26'",
}


def load_module(path):
    spec = importlib.util.spec_from_file_location(path.stem, path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def samples(target, scans_of):
    """Copy sample studies, with these scans."""
    for name, fewer in scans_of.items():
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
        for unit, far in (("um", "5000"), ("deg", "45")):
            text = re.sub(rf"(_{unit} = {{ value = )[\d.]+", rf"\g<1>{far}", text)
        text = text.replace("[limits]", "[limits]\nspans_at_um = [5000]")
        models = text.split("[[model]]")
        text = "[[model]]".join(models[:2])  # one will do, of few components
        few = 'random = ["model", "pair", "operator/session", "scan"]'
        text = re.sub(r"random = \[.*?\]", few, text, flags=re.DOTALL)
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


def follow(tutorial, capsys):
    """Do what a page says, and compare what is printed with what it says is printed."""
    text = (DOCS / f"{tutorial}.md").read_text(encoding="utf-8")
    names = {}
    printed = None
    kinds = []
    for kind, code in BLOCK.findall(text):
        kinds.append(kind)
        if kind == "sh":
            for line in code.splitlines():
                run_line(line)
        elif kind == "python":
            capsys.readouterr()
            exec(compile(code, f"{tutorial}.md", "exec"), names)
            printed = capsys.readouterr().out
            assert printed.strip(), code
        elif kind == "text":
            assert printed.rstrip() == code.rstrip()
    return kinds


def cells(study, tables, record, options, **_):
    """In place of a report, which takes half of the time: what it is made from."""
    text = "".join(f"{name}\n{table.to_csv()}" for name, table in tables.items())
    return {f"{study.settings.study.kind}.pdf": (repr((record, options)) + text).encode()}


@pytest.mark.parametrize(
    "pages", [False, pytest.param(True, marks=pytest.mark.slow)], ids=["tables", "pages"]
)
@pytest.mark.parametrize("tutorial", ["clinic", "laboratory", "quality"])
def test_a_tutorial_runs_from_top_to_bottom(tutorial, pages, tmp_path, monkeypatch, capsys):
    if not pages:
        monkeypatch.setattr("accstudy.stages.report.make_report", cells)
    samples(tmp_path, FEWER)
    monkeypatch.chdir(tmp_path)
    assert {"sh", "python"} <= set(follow(f"tutorials/{tutorial}", capsys))


def test_the_tutorial_in_python_prints_what_it_says(tmp_path, monkeypatch, capsys):
    analysed("comparison", tmp_path / "sample_study")
    monkeypatch.chdir(tmp_path)
    kinds = follow("tutorials/python", capsys)
    assert kinds.count("text") >= 7
    assert (tmp_path / "pairs.png").stat().st_size > 10_000


def test_own_factors_and_covariates_go_into_a_model_as_the_page_says(tmp_path, monkeypatch, capsys):
    samples(tmp_path, {"comparison": "model != ''"})
    monkeypatch.chdir(tmp_path)
    assert follow("how-to/own-models", capsys).count("text") == 6
    assert (tmp_path / "wear.png").stat().st_size > 10_000


@pytest.mark.slow
def test_a_study_without_a_reference_is_made_as_the_page_says(tmp_path, monkeypatch, capsys):
    samples(tmp_path, {"validation": FEWER["validation"]})
    shutil.rmtree(tmp_path / "sample_study" / "validation" / "reference")  # nobody measured it
    monkeypatch.chdir(tmp_path)
    assert {"sh", "python"} <= set(follow("how-to/without-reference", capsys))
    precision = pd.read_csv("my_check/results/precision.csv")
    assert (precision.loc[precision["measurand"] == "distance_um", "n_scans"] == 4).all()
    assert Path("my_check/reports/validation.pdf").stat().st_size > 50_000


def test_the_page_on_scan_bodies_shows_what_is_printed(tmp_path, monkeypatch, capsys):
    samples(tmp_path, {"validation": "scan == ''"})
    monkeypatch.chdir(tmp_path)
    follow("how-to/scan-body", capsys)
    assert (tmp_path / "body_axes.png").stat().st_size > 10_000
    shown = CliRunner().invoke(main, ["show", "sample_study/validation"]).output
    page = (DOCS / "how-to/scan-body.md").read_text(encoding="utf-8")
    lines = BLOCK.findall(page)[1][1]
    assert lines in shown
    assert "0.00° off the axis found" in shown


def test_calls_of_the_page_on_python_have_such_parameters():
    page = (DOCS / "reference/python.md").read_text(encoding="utf-8")
    calls = re.findall(r"`(accstudy(?:\.\w+)+)(\(.*?\))` \|$", page, re.MULTILINE)
    assert len(calls) > 10
    for called, given in calls:
        module, _, name = called.rpartition(".")
        function = getattr(importlib.import_module(module), name)
        call = ast.parse(f"f{given}", mode="eval").body
        named = {one.arg: None for one in call.keywords}
        inspect.signature(function).bind(*([None] * len(call.args)), **named)


@pytest.mark.parametrize("page", [*PAGES, *OTHERS], ids=lambda p: p.relative_to(ROOT).as_posix())
def test_links_lead_to_files_and_settings_are_understood(page):
    text = page.read_text(encoding="utf-8")
    for link in re.findall(r"\]\(([^)\s]+)\)", BLOCK.sub("", text)):
        if not link.startswith(("http", "#")):
            assert (page.parent / link.split("#")[0]).exists(), link
    for kind, code in BLOCK.findall(text):
        if kind == "toml":
            given = tomllib.loads(code)
            given.setdefault("study", {"title": "t", "kind": "validation"})
            Settings.model_validate(given)


def test_the_model_that_the_laboratory_is_shown_is_that_of_the_sample():
    page = (DOCS / "tutorials" / "laboratory.md").read_text(encoding="utf-8")
    shown = [tomllib.loads(code) for kind, code in BLOCK.findall(page) if kind == "toml"]
    study = (ROOT / "sample_study" / "comparison" / "study.toml").read_text(encoding="utf-8")
    assert shown[0]["model"][0] == tomllib.loads(study)["model"][0]


def test_every_page_is_reached_from_the_index_or_from_a_page_of_it():
    index = (DOCS / "index.md").read_text(encoding="utf-8")
    python = (DOCS / "reference" / "python.md").read_text(encoding="utf-8")
    for page in PAGES:
        name = page.relative_to(DOCS).as_posix()
        linked = f"({name})" in index or f"({name.removeprefix('reference/')})" in python
        assert name == "index.md" or linked, name


def test_make_targets_that_pages_name_are_there():
    targets = set(re.findall(r"^([\w-]+):", (ROOT / "Makefile").read_text(), re.MULTILINE))
    for page in [*PAGES, *OTHERS]:
        text = page.read_text(encoding="utf-8")
        for target in re.findall(r"^(?: {4})?make ([\w-]+)|`make ([\w-]+)`", text, re.MULTILINE):
            assert "".join(target) in targets, f"{page.name}: make {''.join(target)}"


def test_what_pages_call_from_python_is_there():
    for page in PAGES:
        for called in re.findall(r"`(accstudy(?:\.\w+)+)\(", page.read_text(encoding="utf-8")):
            module, _, name = called.rpartition(".")
            assert callable(getattr(importlib.import_module(module), name)), f"{page}: {called}"


def test_every_example_of_a_command_in_the_pages_is_a_command_with_such_options():
    shown = 0
    for page in [*PAGES, *OTHERS]:
        text = page.read_text(encoding="utf-8")
        code = "\n".join(code for kind, code in BLOCK.findall(text) if kind == "sh")
        lines = re.findall(r"^accstudy (.+)$", code, re.MULTILINE)
        lines += re.findall(r"^ {4}accstudy (.+)$", text, re.MULTILINE)
        lines += re.findall(r"`accstudy ([a-z-]+ [^`]*)`", text)
        for line in lines:
            words = shlex.split(line, comments=True)
            if words[0].startswith("-"):
                continue
            shown += 1
            options = {o for p in main.commands[words[0]].params for o in p.opts}
            for word in words[1:]:
                assert not word.startswith("--") or word in options, f"{page.name}: {line}"
    assert shown > 40


def test_reference_pages_are_up_to_date():
    generate = load_module(DOCS / "generate.py")
    assert {
        p.relative_to(DOCS / "reference").as_posix() for p in PAGES if "reference" in p.parts
    } == {*generate.PAGES, "python.md"}
    for name, page in generate.PAGES.items():
        if name != "published.md":  # tests/selftest computes it
            there = (DOCS / "reference" / name).read_text(encoding="utf-8")
            assert there == page().rstrip() + "\n", f"call: make docs ({name})"


def test_the_site_builds_from_every_page_with_links_that_lead_somewhere(tmp_path):
    # without the reference of functions, which takes long; `make site` builds all of it
    sources = tmp_path / "docs"
    shutil.copytree(DOCS, sources, ignore=shutil.ignore_patterns("website"))
    for page in (sources / "reference" / "api").glob("*.md"):
        page.write_text(f"# {page.stem}\n", encoding="utf-8")
    call = [sys.executable, "-m", "sphinx", "-qW", "-c", str(DOCS / "website")]
    site = tmp_path / "site"
    built = subprocess.run([*call, str(sources), str(site)], capture_output=True, text=True)
    assert built.returncode == 0, built.stderr
    names = {p.relative_to(site).with_suffix(".md").as_posix() for p in site.rglob("*.html")}
    assert {p.relative_to(DOCS).as_posix() for p in PAGES} <= names
    # a reader offline gets all of it
    fetched = re.compile(r"""(?:\bsrc=|<link[^>]+href=|url\()["']?(?:https?:)?//[^"' )>]+""")
    for file in [*site.rglob("*.html"), *site.rglob("*.css")]:
        assert not fetched.findall(file.read_text(encoding="utf-8")), file.name
    # and is warned of a link that leads nowhere, and of nothing else
    few = tmp_path / "few"
    few.mkdir()
    (few / "page.md").write_text("# Page\n\n## A heading\n", encoding="utf-8")
    links = "[there](page.md#a-heading)\n\n[away](page.md#no-such-heading)\n"
    (few / "index.md").write_text(f"# Few\n\n## Pages\n\n- [page](page.md)\n\n{links}", "utf-8")
    broken = subprocess.run(
        [*call, "--keep-going", "-b", "dummy", str(few), str(tmp_path / "no site")],
        capture_output=True,
        text=True,
    )
    assert broken.returncode != 0
    warnings = [line for line in broken.stderr.splitlines() if "WARNING" in line]
    assert len(warnings) == 1, broken.stderr
    assert "no-such-heading" in warnings[0]
