"""What the how-to pages say is done, on studies of a few positions: every block of every page."""

import io
import re
import shlex
import tomllib
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pytest
from click.testing import CliRunner
from small_study import DRIFT, IMPLANTS, POSES, SETTINGS, STUDY, write

from accstudy.cli import main
from accstudy.geometry.rigid import frame_from_axis
from accstudy.pipeline import run_study
from accstudy.stages.model_checks import model_faults
from accstudy.study.load import load_study

PAGES = Path(__file__).parents[2] / "docs" / "how-to"
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
INDENTED = re.compile(r"(?:^ {4}.*\n)+", re.MULTILINE)
BODY = "[scan_body.default]\ncylinder = { radius_mm = 2, height_mm = 8 }\n"
ELSEWHERE = {
    "own-models.md": "test_tutorials", "scan-body.md": "test_tutorials",
    "without-reference.md": "test_tutorials", "cluster.md": "tests/stages/test_cluster",
    "explore.md": "tests/test_audit_every", "desk.md": "tests/desk",
}  # fmt: skip
"""Pages that other tests follow."""
BLOCKS = {"audit.md": 2, "cmm-data.md": 8, "merge-sites.md": 2, "new-device.md": 1, "plan.md": 0,
          "scans.md": 3, "symmetric-models.md": 1}  # fmt: skip
"""How many blocks of each page are followed here: a new one needs its test."""


def blocks(page):
    return [code for _, code in BLOCK.findall((PAGES / page).read_text(encoding="utf-8"))]


def indented(page):
    text = BLOCK.sub("", (PAGES / page).read_text(encoding="utf-8"))
    return [re.sub(r"^ {4}", "", block, flags=re.MULTILINE) for block in INDENTED.findall(text)]


def call(line, code=0):
    done = CliRunner().invoke(main, shlex.split(line)[1:], catch_exceptions=False)
    assert done.exit_code == code, f"{line}\n{done.output}"
    return done.stdout


def with_block(block, base=SETTINGS):
    """Settings with the keys of a block in the tables that are there already."""
    for table in re.split(r"^(?=\[)", block, flags=re.MULTILINE):
        head, _, body = table.partition("\n")
        given = tomllib.loads(table)
        for key in next(iter(given.values()), {}) if isinstance(given, dict) else ():
            base = re.sub(rf"^{key} = .*\n", "", base, flags=re.MULTILINE)
        base = base.replace(f"{head}\n", f"{head}\n{body}") if f"{head}\n" in base else base + table
    return base


def test_every_page_is_followed_here_or_elsewhere():
    pages = {p.name for p in PAGES.glob("*.md")}
    assert pages == {*ELSEWHERE, *BLOCKS}
    assert {page: len(blocks(page)) for page in BLOCKS} == BLOCKS


def rows_of(text):
    return [line.split(",") for line in text.splitlines()]


def workbook(sheets):
    book = openpyxl.Workbook()
    book.remove(book.active)
    for name, rows in sheets.items():
        sheet = book.create_sheet(name)
        for row in rows:
            sheet.append(row)
    stream = io.BytesIO()
    book.save(stream)
    return stream.getvalue()


def same_reference(found, tolerance=1e-6):
    known = pd.read_csv(io.StringIO(IMPLANTS))
    columns = ["x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"]
    assert found["implant"].tolist() == known["implant"].tolist()
    assert found[columns].to_numpy(float) == pytest.approx(
        known[columns].to_numpy(float), abs=tolerance
    )


def inches(rows):
    return [[*row[:2], *(float(v) / 25.4 for v in row[2:5]), *map(float, row[5:])] for row in rows]


def named_model(files):
    """The small study, whose model the page calls model 1."""
    return {k: v.replace("M,", "model 1,").replace(",M,", ",model 1,") if k != "study" else v
            for k, v in files.items()}  # fmt: skip


def test_exported_tables_are_read_with_the_settings_of_the_page(tmp_path):
    titled, by_feature, wide = blocks("cmm-data.md")[:3]
    _, *rows = rows_of(IMPLANTS)
    points = [["Circle", *row[1:]] for row in inches(rows)]
    sheet = [["Report"], [], ["inch"], ["Type", "Element", "X", "Y", "Z", "I", "J", "K"], *points,
             ["Distance", "I1-I2", 1.0]]  # fmt: skip
    files = named_model({**STUDY, "study": SETTINGS}) | {"study": with_block(titled)}
    book = workbook({"Notes": [["see Results"]], "Results": sheet})
    same_reference(
        load_study(write(tmp_path / "a", files, **{"reference/machine.xlsx": book})).implants
    )

    shown = (PAGES / "cmm-data.md").read_text(encoding="utf-8")
    head = re.search(r"^\| (Feature .*) \|$", shown, re.MULTILINE)[1].replace(" | ", ",")
    lines = [head]
    for _, name, *numbers in rows:
        at, axis = numbers[:3], numbers[3:]
        lines += [f"{name} circle,{','.join(at)},0,1,0", f"{name} cylinder,9,9,9,{','.join(axis)}"]
    files = {**files, "study": with_block(by_feature), "implants": "\n".join(lines)}
    same_reference(load_study(write(tmp_path / "b", files)).implants)

    poses = pd.read_csv(io.StringIO(POSES))
    letters = dict(
        zip(("x_mm", "y_mm", "z_mm", "axis_x", "axis_y", "axis_z"), "XYZIJK", strict=True)
    )
    table = poses.rename(columns=letters).pivot_table(
        index="scan", columns="implant", values=list("XYZIJK")
    )
    table.columns = [f"{implant} {letter}" for letter, implant in table.columns]
    text = table.rename_axis("Scan").reset_index().to_csv(index=False)
    study = load_study(write(tmp_path / "c", study=with_block(wide), poses=text))
    assert len(study.given_poses) == len(poses)


def touches(turn=0.0):
    """Points on the side and the top of bodies on the implants of the small study."""
    angle = turn + np.linspace(0, 2 * np.pi, 8, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    lines = ["model,implant,feature,x_mm,y_mm,z_mm"]
    for model, name, *numbers in rows_of(IMPLANTS)[1:]:
        values = np.array(numbers, float)
        frame = frame_from_axis(values[3:])
        side = np.vstack([2.0 * ring + [0, 0, h] for h in (-5, -1)])
        for feature, local in (("cylinder", side), ("plane", 1.5 * ring)):
            lines += [f"{model},{name},{feature},{x:.6f},{y:.6f},{z:.6f}"
                      for x, y, z in local @ frame.T + values[:3]]  # fmt: skip
    return "\n".join(lines) + "\n"


def test_a_reference_is_described_with_the_settings_of_the_page(tmp_path):
    probed, certified, stated, runs, warm = blocks("cmm-data.md")[3:]
    study = load_study(write(tmp_path / "a", study=with_block(probed),
                             **{"reference/touch_points.csv": touches()}))  # fmt: skip
    same_reference(study.implants, 1e-4)
    study = load_study(write(tmp_path / "b", study=with_block(certified)))
    assert study.settings.reference.due_on.year == 2026
    known = load_study(write(tmp_path / "u", study=with_block(stated))).implants
    assert known[["u_position_um", "u_axis_deg"]].to_numpy(float) == pytest.approx(
        np.tile([1.2, 0.01], (3, 1))
    )
    rows = {f"reference/runs/{k}.csv": touches(0.1 * k) for k in range(3)}
    study = load_study(write(tmp_path / "c", study=with_block(runs), **rows))
    assert study.runs.pairs["run"].nunique() == 3
    study = load_study(write(tmp_path / "d", study=with_block(warm)))
    assert study.settings.scans.temperature_c == 22.5
    renewed = IMPLANTS.replace("axis_z\n", "axis_z,valid_from\n").replace(",1\n", ",1,\n")
    renewed += "".join(f"{line},1,2025-06-01\n" for line in
                       ("M,I1,0,0,0,0,0", "M,I2,20,5,0,0,0", "M,I3,40,0,0,0,0"))  # fmt: skip
    load_study(write(tmp_path / "e", implants=renewed))


def test_sites_are_merged_as_the_page_says(tmp_path):
    grouped, over_sites = blocks("merge-sites.md")
    scans, poses = ["scan,model,device,site,operator,session"], [POSES.splitlines()[0]]
    for site in "ab":
        for k in range(6):
            scans.append(f"{site}{k},M,A,{site},{site} {k % 2},{site} {k // 3}")
            off = 0.01 * k + 0.003 * (site == "b")
            for name, x, y in (("I1", 0, 0), ("I2", 20, 5), ("I3", 40 + off, 0)):
                poses.append(f"{site}{k},M,{name},{x + off},{y},0,0,0,1")
    files = {"scans": "\n".join(scans) + "\n", "poses": "\n".join(poses) + "\n"}
    study = load_study(write(tmp_path, study=SETTINGS + grouped + over_sites, **files))
    assert set(study.scans["condition"]) == {"A / a", "A / b"}
    assert study.scans["cell"].nunique() == 8
    one = grouped.replace(', "site"', "")
    study = load_study(write(tmp_path / "one", study=SETTINGS + one + over_sites, **files))
    (told,) = model_faults(study)  # this study has one device only
    assert told.code == "one-level"


def test_a_device_is_added_and_an_update_is_recorded_as_the_page_says(tmp_path):
    (condition,) = blocks("new-device.md")
    scans = STUDY["scans"].replace("session\n", "session,software,technique\n")
    scans = re.sub(r"^(s\d.*)$", r"\1,2.1,zigzag", scans, flags=re.MULTILINE)
    study = load_study(write(tmp_path / "a", study=SETTINGS + condition, scans=scans))
    assert set(study.scans["condition"]) == {"A / 2.1 / zigzag"}
    (events,) = indented("new-device.md")
    study = load_study(write(tmp_path / "b", DRIFT, events=events))
    assert study.events["new_baseline"].tolist() == [True]
    assert study.events["at"].dt.date.astype(str).tolist() == ["2025-11-03"]


def test_scans_are_listed_excluded_and_supplied_as_the_page_says(tmp_path, monkeypatch):
    excluded, given, exported = blocks("scans.md")
    scans = STUDY["scans"].replace("s2,", "s007,")
    poses = POSES.replace("s2,", "s007,")
    settings = SETTINGS.replace('poses = "poses.csv"\n', "")
    files = {"scans": scans, "poses": poses}
    study = load_study(write(tmp_path / "a", study=with_block(given, settings) + excluded, **files))
    assert study.usable["scan"].tolist() == ["s1"]
    rows = [["Scans of May"], [], ["Scan No.", "Cast", "Scanner", "operator"],
            ["s1", "M", "A", "1"], ["s2", "M", "A", "2"]]  # fmt: skip
    folder = write(
        tmp_path / "b", study=with_block(exported), **{"scans.xlsx": workbook({"May": rows})}
    )
    assert {"device", "operator"} <= set(load_study(folder).factors)
    monkeypatch.chdir(tmp_path)
    folder = write(tmp_path / "our_study", study=settings + BODY, scans="scan,model,file\n")
    (folder / "scans").mkdir()
    (folder / "scans/op2_s1_r3.stl").write_bytes(b"solid x\nendsolid x\n")
    (command,) = indented("scans.md")
    proposed = pd.read_csv(io.StringIO(call(command.partition(" > ")[0])), dtype=str)
    told = proposed.loc[0, ["operator", "session", "repeat", "device"]].tolist()
    assert told == ["operator 2", "session 1", "3", "device A"]


def test_landmarks_are_given_as_the_page_says(tmp_path):
    (block,) = blocks("symmetric-models.md")
    landmarks = "scan,implant,x_mm,y_mm,z_mm\ns1,I1,0.2,0,0\n"
    study = load_study(write(tmp_path, study=with_block(block), landmarks=landmarks))
    assert len(study.landmarks) == 1


@pytest.fixture(scope="module")
def pilot(tmp_path_factory):
    """A pilot study that was analysed, and new folders made from the protocols."""
    folder = tmp_path_factory.mktemp("plan")
    rng = np.random.default_rng(1)
    scans = ["scan,model,device,operator,session"]
    poses = [POSES.splitlines()[0]]
    for k in range(8):
        scans.append(f"s{k},M,A,{1 + k % 2},{1 + k // 4}")
        for name, *at in (("I1", 0, 0, 0), ("I2", 20, 5, 0), ("I3", 40, 0, 0)):
            x, y, z = at + rng.normal(0, 0.015, 3)
            poses.append(f"s{k},M,{name},{x},{y},{z},0,0,1")
    limits = '[limits]\ndistance_um = { value = 150, source = "ours" }\n[seating]\ndraws = 0\n'
    write(folder / "our_pilot", study=SETTINGS + limits, scans="\n".join(scans) + "\n",
          poses="\n".join(poses) + "\n")  # fmt: skip
    run_study(folder / "our_pilot", until="analyze")
    return folder


def test_sizes_and_order_are_planned_as_the_page_says(pilot, monkeypatch):
    monkeypatch.chdir(pilot)
    by_pilot, assumed, with_power, by_terms, order = (c.strip() for c in indented("plan.md"))
    call("accstudy new our_study --protocol full_arch_validation")
    Path("our_study/reference/implants.csv").write_text(IMPLANTS)
    out = call(assumed)
    assert "a study of that size verifies it" in out
    call(by_pilot)
    sizes = pd.read_csv("our_study/plan/plan_sizes.csv")
    told = re.findall(
        r"^\| (`.*?`) \|", (PAGES / "plan.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    columns = re.findall(r"`(\w+)`", " ".join(told))
    assert set(columns) - {"full_arch_validation", "technique_comparison", "monthly_drift"} <= set(
        sizes
    )
    call(order)
    rows = pd.read_csv("our_study/scans.csv")
    assert set(rows["operator"]) == {"operator 1", "operator 2"}
    assert set(rows["session"]) == {"day 1", "day 2"}
    before = Path("our_study/scans.csv").read_bytes()
    call("accstudy plan our_study --session 'day 3'")
    assert Path("our_study/scans.csv").read_bytes().startswith(before)
    Path("our_study").rename("our_validation")
    call("accstudy new our_study --protocol technique_comparison")
    Path("our_study/reference/implants.csv").write_text(IMPLANTS)
    assert "power" in call(by_terms)
    assert with_power.startswith("accstudy plan our_study --pilot our_pilot --difference")


@pytest.mark.slow
def test_results_are_audited_and_handed_over_as_the_page_says(pilot, monkeypatch):
    monkeypatch.chdir(pilot)
    call("accstudy run our_pilot --jobs 1")
    audit, _ = blocks("audit.md")
    call(audit.replace("sample_study/validation", "our_pilot").strip())
    page = (PAGES / "audit.md").read_text(encoding="utf-8")
    bundle = re.search(r"`(accstudy audit my_study --bundle \S+)`", page)[1]
    call(bundle.replace("my_study", "our_pilot"))
    assert Path("handed_over.zip").stat().st_size > 10_000
