"""A study without a reference says of scatter and differences what it says with one, no more."""

from __future__ import annotations

import re
import shutil

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from accstudy.audit import audit_study
from accstudy.compare.align import mean_arrangement, scatter_alone
from accstudy.errors import StudyError
from accstudy.geometry.rigid import Rigid
from accstudy.locate.locate import find_bodies
from accstudy.mesh.model import Mesh
from accstudy.mesh.stl_obj import stl_bytes
from accstudy.pipeline import run_study
from accstudy.reports.document import ReportContent
from accstudy.simulate.arch import reference_model
from accstudy.simulate.bodies import body_shape
from accstudy.simulate.scan import simulate_scan
from accstudy.simulate.studies import write_folder
from accstudy.stages.check import check_study
from accstudy.tables import TABLES, UNREFERENCED, csv_bytes

FORBIDDEN = re.compile(r"bias|truene|conform|verified|reference|deviates from the truth")
POSITION, AXIS = ["x_mm", "y_mm", "z_mm"], ["axis_x", "axis_y", "axis_z"]
WITH = "[reference]\nmpe_um = { constant = 1.5, per_metre = 3.0 }\n"
WITHOUT = '[reference]\nkind = "none"\n'
LIMITS = """
[limits]
distance_um = { value = 100, source = "chosen for this test" }
seat_gap_um = { value = 150, source = "chosen for this test" }
"""


def arch(n=5, model="M"):
    """A model of n implants with axes that lean apart, platforms in one plane but for 1 mm."""
    at = np.linspace(np.radians(200), np.radians(-20), n)
    points = np.column_stack([22 * np.cos(at), 26 * np.sin(at), np.linspace(0, 1, n)])
    lean = np.radians(np.linspace(5, 25, n))
    axes = np.column_stack([np.sin(lean) * np.cos(at), np.sin(lean) * np.sin(at), np.cos(lean)])
    frame = pd.DataFrame(np.hstack([points, axes]), columns=POSITION + AXIS)
    return frame.assign(model=model, implant=[f"I{k + 1}" for k in range(n)])


def scan_of(reference, rng, *, scale_ppm, noise_um=8.0, turn_deg=0.05):
    """One scan: scaled, with noise of every implant, anywhere in space."""
    points = reference[POSITION].to_numpy() * (1 + 1e-6 * scale_ppm)
    points = points + rng.normal(0, 1e-3 * noise_um, points.shape)
    tilt = Rotation.from_rotvec(rng.normal(0, np.radians(turn_deg), points.shape))
    axes = tilt.apply(reference[AXIS].to_numpy(copy=True))
    pose = Rotation.random(random_state=rng.integers(1 << 30))
    out = reference[["model", "implant"]].copy()
    out[POSITION] = pose.apply(points) + rng.uniform(-50, 50, 3)
    out[AXIS] = pose.apply(axes)
    return out


def write(folder, kind, head, *, extra="", seed=3, sketch=None, per_cell=2):
    """A study of two devices, two operators in two sessions each, from positions."""
    rng = np.random.default_rng(seed)
    (folder / "reference").mkdir(parents=True)
    reference = arch()
    reference.to_csv(folder / "reference/implants.csv", index=False)
    if sketch is not None:
        sketch.to_csv(folder / "reference/sketch.csv", index=False)
    rows, poses = [], []
    for device, own in (("A", 300.0), ("B", 900.0)):
        for operator in ("1", "2", "3"):
            shared = rng.normal(0, 250)
            for session in ("1", "2"):
                between = rng.normal(0, 250)
                for repeat in range(per_cell):
                    name = f"{device}{operator}{session}r{repeat}"
                    rows.append((name, "M", device, f"op{operator}", f"s{session}"))
                    one = scan_of(reference, rng, scale_ppm=own + shared + between)
                    poses.append(one.assign(scan=name))
    columns = ["scan", "model", "device", "operator", "session"]
    pd.DataFrame(rows, columns=columns).to_csv(folder / "scans.csv", index=False)
    pd.concat(poses).to_csv(folder / "poses.csv", index=False)
    (folder / "study.toml").write_text(
        f'[study]\ntitle = "x"\nkind = "{kind}"\n{head}[scans]\nposes = "poses.csv"\n'
        f'temperature_c = 20.0\nexpansion_per_k = 23e-6\n[analysis]\ncondition = ["device"]\n'
        f'cell = ["operator", "session"]\n{extra}[seating]\ndraws = 0\n'
    )
    return folder


@pytest.fixture(scope="module")
def both(tmp_path_factory):
    """The same validation with and without its reference, analysed."""
    folder = tmp_path_factory.mktemp("both")
    extra = (
        LIMITS + '[[model]]\nname = "distance"\nresponse = "pair.distance_um"\n'
        'fixed = "device * path_mm"\nrandom = ["pair", "condition:pair", "condition:cell", '
        '"scan", "path_mm | scan", "path_mm | condition:cell"]\n'
    )
    found = {}
    for name, head in (("with", WITH), ("without", WITHOUT)):
        path = write(folder / name, "validation", head, extra=extra)
        if name == "without":
            shutil.rmtree(path / "reference")  # nothing is read of it
        found[name] = run_study(path, until="analyze")
    return found


def test_repeatability_and_intermediate_precision_are_those_with_the_reference(both):
    on = ["condition", "model", "measurand", "subject"]
    merged = (
        both["with"]
        .tables["accuracy"]
        .merge(both["without"].tables["precision"], on=on, suffixes=("", "_alone"))
    )
    assert len(merged) == len(both["with"].tables["accuracy"]) == 2 * (10 * 2 + 5 * 5)
    known = merged[merged["s_r"].notna()]
    pairs = known["span_mm"].notna()
    assert pairs.sum() == 40
    for column in ("s_r", "s_I", "s_r_low", "s_I_high", "r_limit"):
        ratio = known[f"{column}_alone"] / known[column]
        assert np.abs(ratio[pairs] - 1).max() < 1e-3  # a distance knows no alignment
        assert np.abs(ratio - 1).max() < 0.02


def test_differences_between_devices_are_those_with_the_reference(both):
    tables = {k: v.tables["model_contrasts"] for k, v in both.items()}
    merged = tables["with"].merge(tables["without"], on="contrast", suffixes=("", "_alone"))
    level = merged[merged["contrast"] == "A - B"].iloc[0]
    assert level["estimate_alone"] == pytest.approx(level["estimate"], abs=0.1 * level["se"])
    assert level["se_alone"] == pytest.approx(level["se"], rel=0.05)
    slope = merged[merged["contrast"] == "slope of path_mm: A - B"].iloc[0]
    assert slope["estimate_alone"] == pytest.approx(slope["estimate"], abs=0.1 * slope["se"])
    # a slope by itself is of the truth
    assert set(tables["without"]["contrast"]) == {"A - B", "slope of path_mm: A - B"}
    assert both["without"].tables["model_means"].empty
    terms = both["without"].tables["model_terms"]["term"]
    assert set(terms) == {"device[B]", "device[B]:path_mm"}


def test_no_table_says_what_only_a_reference_could(both):
    tables = both["without"].tables
    assert not set(UNREFERENCED) & set(tables)
    absent = {"conformity", "supported_spans", "span_curve", "uncertainty_budget",
              "implant_vectors", "scan_deviations", "seating", "seating_contributions"}  # fmt: skip
    assert not absent & set(tables)
    for name, table in tables.items():
        for column in TABLES[name].columns:
            assert not FORBIDDEN.search(column.name), (name, column.name)
            meaning = column.meaning.replace("physical reference model", "")  # a thing of resin
            assert not FORBIDDEN.search(meaning), (name, column.meaning)
        for column in table.columns if name != "findings" else ():
            words = table[column].astype(str)
            assert not words[words.str.contains(FORBIDDEN)].tolist(), (name, column)


def test_a_common_error_of_all_scans_shows_nowhere(tmp_path, both):
    """Scans 2 % too large give the same standard deviations, to 2 %."""
    path = write(tmp_path / "s", "validation", WITHOUT)
    poses = pd.read_csv(path / "poses.csv")
    poses[POSITION] *= 1.02
    poses.to_csv(path / "poses.csv", index=False)
    large = run_study(path, until="analyze").tables["precision"]
    assert np.nanmax(np.abs(large["s_r"] / both["without"].tables["precision"]["s_r"] - 1)) < 0.03


def test_scatter_alone_is_neither_shrunk_nor_grown_by_the_means_it_is_taken_from():
    """600 conditions of three cells of two scans: mean squares as about the true arrangement."""
    rng = np.random.default_rng(2)
    empty = dict.fromkeys(("flat_x", "flat_y", "flat_z", "angulation_deg"), np.nan)
    reference = arch().assign(**empty)
    n, k, m = 600, 3, 2
    stretch = rng.normal(0, 600e-6, (n, k, 1)) + rng.normal(0, 300e-6, (n, k, m))
    stretch += rng.normal(0, 1000e-6, (n, 1, 1))  # of the condition: it must not show
    scans = pd.DataFrame(
        [(f"s{i}", f"c{i // (k * m)}", f"{i // m}") for i in range(n * k * m)],
        columns=["scan", "condition", "cell"],
    )
    poses = reference.merge(scans, how="cross").sort_values(["scan"], kind="stable")
    by = dict(zip(scans["scan"], stretch.ravel(), strict=True))
    factor = 1 + poses["scan"].map(by)
    poses[POSITION] = poses[POSITION].mul(factor, axis=0)
    found = scatter_alone(poses, reference, scans).merge(reference, on="implant")
    ends = [found[found["implant"] == i].sort_values("scan") for i in ("I1", "I5")]
    length = np.linalg.norm(
        ends[1][[f"{c}_x" for c in POSITION]].to_numpy()
        - ends[0][[f"{c}_x" for c in POSITION]].to_numpy(), axis=1)  # fmt: skip
    true = np.linalg.norm(reference[POSITION].to_numpy()[4] - reference[POSITION].to_numpy()[0])
    found_ppm = np.sqrt(np.mean((length / true - 1) ** 2)) * 1e6
    # sd of a cell and of a repeat; 600 * 2 and 600 * 3 degrees of freedom
    assert found_ppm == pytest.approx(np.hypot(600, 300), rel=3 / np.sqrt(2 * n * (k - 1)))


@pytest.fixture(scope="module")
def reported(tmp_path_factory):
    """A comparison without a reference, with its report."""
    folder = tmp_path_factory.mktemp("report") / "s"
    extra = (
        LIMITS + '[[model]]\nname = "distance"\nresponse = "pair.distance_um"\n'
        'fixed = "device * path_mm"\nrandom = ["scan", "condition:cell"]\n'
        '[[model]]\nname = "scatter"\nresponse = "spread(pair.distance_um)"\n'
        'fixed = "device"\nrandom = ["scan", "condition:cell:pair"]\n'
    )
    path = write(folder, "comparison", WITHOUT, extra=extra)
    return run_study(path, page=True)


def test_page_one_says_what_is_not_stated_and_what_a_measured_model_adds(reported):
    path = reported.study.path / "reports"
    assert (path / "comparison.pdf").stat().st_size > 50_000
    page = (path / "comparison.html").read_text()
    assert "coordinate measuring machine would provide them" in page


def test_the_report_speaks_of_trueness_only_to_say_that_it_does_not(reported):
    from accstudy.reports.validation import unreferenced_report
    from accstudy.words.catalogue import say

    study = reported.study
    content = ReportContent("x", study.settings.as_used(), reported.tables, {}, "")
    answer, first, rest = unreferenced_report(content)
    assert say("cautions.not_stated") in answer
    told = re.compile(r"truene|bias|conformity|verified to|supported span|tolerance bound", re.I)
    allowed = (
        say("cautions.not_stated"),
        "Accuracy (trueness and precision)",
        "Limitations and sources of bias",
        "No statement in this report is a claim of conformity with a standard",
    )
    for text in _texts([first.blocks, rest.blocks]):
        for phrase in allowed:
            text = text.replace(phrase, "")
        assert not told.search(text), text


def _texts(block):
    if isinstance(block, str):
        yield block
    elif isinstance(block, dict):
        for inner in block.values():
            yield from _texts(inner)
    elif isinstance(block, list):
        for inner in block:
            yield from _texts(inner)


def codes(path):
    return {f.code for f in check_study(path)}


def test_a_response_that_is_a_distance_from_the_truth_is_refused(tmp_path):
    extra = '[[model]]\nname = "size"\nresponse = "log(abs(pair.distance_um))"\n'
    path = write(tmp_path / "s", "validation", WITHOUT, extra=extra)
    (error,) = [f for f in check_study(path) if f.severity.value == "error"]
    assert "deviation from the reference" in error.what
    assert "spread(pair.distance_um)" in error.mend
    with pytest.raises(StudyError, match="deviation from the reference"):
        run_study(path, until="analyze")


def test_conditions_without_a_common_model_are_not_compared(tmp_path):
    extra = '[[model]]\nname = "d"\nresponse = "pair.distance_um"\nfixed = "device"\n'
    path = write(tmp_path / "s", "validation", WITHOUT, extra=extra)
    for name in ("scans.csv", "poses.csv"):
        table = pd.read_csv(path / name)
        table["model"] = np.where(table["scan"].str.startswith("A"), "M1", "M2")
        table.to_csv(path / name, index=False)
    done = run_study(path, until="analyze")
    assert "nothing-in-common" in {f.code for f in done.findings}
    assert done.tables["model_contrasts"].empty


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda p: p.replace({"implant": {"I1": "I2", "I2": "I1"}}), "exchanged-implants"),
        (lambda p: p.assign(**{c: p[c] / 25.4 for c in POSITION}), "wrong-unit"),
        (lambda p: p.assign(x_mm=p["x_mm"].mask(p["implant"] == "I3", p["x_mm"] + 9)),
         "wild-position"),
        (lambda p: p.assign(implant=p["implant"].replace("I5", "l5")), "unknown-implant"),
    ],
)  # fmt: skip
def test_a_slip_in_one_scan_is_told_by_the_others(tmp_path, spoil, code):
    path = write(tmp_path / "s", "validation", WITHOUT)
    poses = pd.read_csv(path / "poses.csv")
    first = poses["scan"] == poses["scan"].iloc[0]
    pd.concat([spoil(poses[first]), poses[~first]]).to_csv(path / "poses.csv", index=False)
    found = [f for f in check_study(path) if f.code == code]
    assert found
    assert not any("the reference" in f.what for f in found)


def test_all_scans_in_another_unit_are_an_error(tmp_path):
    path = write(tmp_path / "s", "validation", WITHOUT)
    poses = pd.read_csv(path / "poses.csv")
    poses[POSITION] /= 25.4
    poses.to_csv(path / "poses.csv", index=False)
    assert "wrong-unit" in codes(path)


def test_a_model_that_was_scanned_once_says_nothing(tmp_path):
    path = write(tmp_path / "s", "validation", WITHOUT)
    for name in ("scans.csv", "poses.csv"):
        table = pd.read_csv(path / name)
        table.loc[table["scan"] == "A11r0", "model"] = "other"
        table.to_csv(path / name, index=False)
    assert "scanned-once" in codes(path)


def test_a_sketch_gives_angulation_and_order_and_is_checked(tmp_path):
    sketch = arch()[["model", "implant", "x_mm", "y_mm"]].assign(angulation_deg=17.0)
    head = WITHOUT + 'sketch = "reference/sketch.csv"\n'
    path = write(tmp_path / "s", "validation", head, sketch=sketch)
    found = run_study(path, until="measure").tables
    assert set(found["arrangement"]["angulation_deg"]) == {17.0}
    twice = pd.concat([sketch, sketch.tail(1)])
    twice.to_csv(path / "reference/sketch.csv", index=False)
    assert "duplicate-implant" in codes(path)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ("[reference]\nis_scan = true\n", 'write kind = "scan"'),
        (
            '[reference]\nkind = "none"\nimplants = "reference/implants.csv"\n',
            "does not allow impl",
        ),
        ('[reference]\nkind = "none"\nmpe_um = { constant = 1.0 }\n', "does not allow mpe_um"),
        ('[reference]\nsketch = "reference/sketch.csv"\n', "a sketch is used only"),
        ('[reference]\nkind = "guess"\n', "cmm"),
    ],
)
def test_settings_that_contradict_each_other_are_errors(tmp_path, head, said):
    path = write(tmp_path / "s", "validation", head)
    with pytest.raises(StudyError) as caught:
        run_study(path, until="analyze")
    assert said in str(caught.value)


def test_the_mean_arrangement_is_the_model_but_for_its_noise():
    """scipy's own alignment finds the mean within the noise of a mean of 30 scans."""
    rng = np.random.default_rng(1)
    empty = dict.fromkeys(("flat_x", "flat_y", "flat_z", "angulation_deg"), np.nan)
    reference = arch().assign(**empty)
    scans = [scan_of(reference, rng, scale_ppm=0.0).assign(scan=f"s{k}", **empty)
             for k in range(30)]  # fmt: skip
    scans[3] = scans[3].iloc[1:]  # a scan that lacks an implant takes part with the others
    found = mean_arrangement(pd.concat(scans), scans[0].assign(**empty))
    assert found["n_scans"].tolist() == [29, 30, 30, 30, 30]
    a, b = (t[POSITION].to_numpy() - t[POSITION].to_numpy().mean(axis=0)
            for t in (found, reference))  # fmt: skip
    turn, rssd = Rotation.align_vectors(b, a)
    assert rssd * 1e3 / np.sqrt(15) < 3 * 8 / np.sqrt(30)
    assert (
        np.degrees(
            np.abs(turn.apply(found[AXIS].to_numpy(copy=True)) - reference[AXIS].to_numpy())
        ).max()
        < 0.1
    )
    assert found[AXIS].sum().to_numpy()[:2] == pytest.approx([0, 0], abs=1e-9)  # own frame


def test_page_one_prints_cells_of_the_precision_table(both):
    from accstudy.reports.document import plain
    from accstudy.reports.validation import unreferenced_report
    from accstudy.words.numbers import number

    done = both["without"]
    content = ReportContent("x", done.study.settings.as_used(), done.tables, {}, "")
    answer, first, _ = unreferenced_report(content)
    pairs = done.tables["precision"].query("measurand == 'distance_um'")
    rows = next(b for b in first.blocks if b["type"] == "table" and "Scatter" in b["caption"])[
        "rows"
    ]
    for condition, row in zip("AB", rows, strict=True):
        mine = pairs[pairs["condition"] == condition]
        longest = mine.loc[mine["span_mm"].idxmax()]
        cells = [plain(cell) for cell in row]
        assert cells[0] == condition
        assert cells[2:5] == [
            number(v) for v in (mine["s_r"].median(), mine["s_I"].median(), longest["s_r"])
        ]
        assert cells[5] == f"{number(longest['s_r_low'])} to {number(longest['s_r_high'])}"
        said = " ".join(plain(text) for text in answer)
        assert f"{number(longest['s_r'])}" in cells
        assert "shorter" in said or "longer" in said or "difference" in said


SETTINGS = """\
[study]
title = "Four small scans"
kind = "validation"
[reference]
{reference}
[scans]
temperature_c = 20.0
expansion_per_k = 23e-6
[scan_body.default]
mesh = "scan_bodies/body.stl"
flat = [1, 0, 0]
[analysis]
cell = ["session"]
[seating]
draws = 0
"""
SCANS = ("s0", "s1", "s2", "s3")


@pytest.fixture(scope="module", autouse=True)
def looked_at_once():
    """Look for the bodies of a scan once: the same in every study of this module."""
    known = {}

    def found(mesh, bodies):
        meshes = [mesh, *(body.mesh for body in bodies.values())]
        key = *bodies, *(m.vertices_mm.tobytes() + m.faces.tobytes() for m in meshes)
        if key not in known:
            known[key] = find_bodies(mesh, bodies)
        return known[key]

    with pytest.MonkeyPatch.context() as patched:
        patched.setattr("accstudy.locate.locate.find_bodies", found)
        yield


@pytest.fixture(scope="module")
def files():
    """Four scans of four implants in two sessions; in the first scan an implant is not scanned."""
    reference = reference_model(4, angulation_deg=12.0, model="M", seed=4)
    body = body_shape("cylinder-flat").drawing(segment_mm=0.3).mesh
    rows = [
        {"scan": s, "model": "M", "file": f"scans/{s}.stl", "session": f"day {k // 2}"}
        for k, s in enumerate(SCANS)
    ]
    found = {
        "scans.csv": csv_bytes("scans", pd.DataFrame(rows), factors=("session",)),
        "reference/implants.csv": csv_bytes("implants", reference),
        "scan_bodies/body.stl": stl_bytes(body, decimals=6),
    }
    for k, s in enumerate(SCANS):
        shown = reference if k else reference.iloc[1:]
        scale = 1 + 1e-3 * k
        large = {
            name: Rigid(np.eye(3), (scale - 1) * at)
            for name, at in zip(shown["implant"], shown[POSITION].to_numpy(), strict=True)
        }
        scan = simulate_scan(shown, n_triangles=12_000, displaced=large, seed=[4, k])
        found[f"scans/{s}.stl"] = stl_bytes(scan.mesh)
    return found, reference


def study(folder, files, reference='kind = "none"', **more):
    text = SETTINGS.format(reference=reference).encode()
    return write_folder(folder, {**files, "study.toml": text, **more})


@pytest.fixture(scope="module")
def done(files, tmp_path_factory):
    """The study without its reference and with it, analysed; and the folder of the first."""
    folder = tmp_path_factory.mktemp("start")
    alone = {k: v for k, v in files[0].items() if not k.startswith("reference")}
    without = study(folder / "without", alone)
    measured = study(folder / "with", files[0], 'kind = "cmm"')
    return (run_study(without, until="analyze"), run_study(measured, until="analyze"), without)


def test_the_arrangement_is_that_of_the_model_numbered_counter_clockwise(done, files):
    found, reference = done[0].tables["arrangement"], files[1]
    assert found["implant"].tolist() == ["I1", "I2", "I3", "I4"]
    assert sorted(found["n_scans"]) == [3, 4, 4, 4]
    gaps = [_gaps(t[POSITION].to_numpy()) for t in (found, reference)]
    same = [np.abs(gaps[0] - g).max() for g in (gaps[1], gaps[1][::-1, ::-1])]
    assert min(same) < 0.15  # the scans are 0.15 % too large on average, 45 mm apart
    points = found[POSITION].to_numpy()  # in its own frame z points up, out of the bone
    steps = np.diff(points, axis=0)
    assert (steps[:-1, 0] * steps[1:, 1] > steps[:-1, 1] * steps[1:, 0]).all()
    assert "arrangement-learned" in {f.code for f in done[0].findings}


def _gaps(points):
    return np.linalg.norm(points[:, None] - points[None], axis=2)


def test_standard_deviations_are_those_with_the_reference(done):
    alone, reference = done[0].tables, done[1].tables
    order = reference["pair_deviations"].drop_duplicates("implant_a")["implant_a"].tolist()
    tables = {"alone": alone["precision"], "reference": reference["accuracy"]}
    pairs = {
        name: t[t["measurand"] == "distance_um"].sort_values("span_mm")[["span_mm", "s_r", "s_I"]]
        for name, t in tables.items()
    }
    assert len(pairs["alone"]) == len(order) * (len(order) + 1) / 2
    ratio = pairs["alone"].to_numpy() / pairs["reference"].to_numpy()
    assert np.abs(ratio[:, 0] - 1).max() < 3e-3  # 0.15 % too large on average
    assert np.abs(ratio[:, 1:] - 1).max() < 0.02


def test_a_second_run_measures_nothing_and_the_record_can_be_audited(done, tmp_path):
    path = shutil.copytree(done[2], tmp_path / "s")
    said = []
    run_study(path, until="analyze", say=said.append)
    assert {"measure: 0 scans measured, 4 up to date", "analyze: up to date"} <= set(said)
    assert audit_study(path).findings == []


def test_what_was_found_is_not_looked_for_again(done, tmp_path, monkeypatch):
    path = shutil.copytree(done[2], tmp_path / "s")

    def never(*_):
        raise AssertionError

    monkeypatch.setattr("accstudy.locate.locate.find_bodies", never)
    assert (
        run_study(path, until="analyze").tables["arrangement"].equals(done[0].tables["arrangement"])
    )


def rough(reference, names, **change):
    frame = reference[["model", *POSITION[:2]]].round(0).assign(implant=names, **change)
    return frame[["model", "implant", "x_mm", "y_mm"]].to_csv(index=False).encode()


def test_a_sketch_names_the_implants(files, tmp_path):
    head = 'kind = "none"\nsketch = "reference/sketch.csv"'
    names = ["17", "14", "24", "27"]
    more = {"reference/sketch.csv": rough(files[1], names)}
    path = study(tmp_path / "s", files[0], head, **more)
    found = run_study(path, until="measure").tables["arrangement"].set_index("implant")
    true = _gaps(files[1][POSITION].to_numpy())
    assert np.abs(_gaps(found.loc[names, POSITION].to_numpy()) - true).max() < 0.15


@pytest.mark.parametrize(
    ("spoil", "code"),
    [
        (lambda r: rough(r.assign(x_mm=-r["x_mm"]), list("abcd")), "sketch-mirrored"),
        (lambda r: rough(pd.concat([r, r.tail(1).assign(x_mm=0.0, y_mm=0.0)]), list("abcde")),
         "sketch-differs"),
        (lambda r: rough(r.assign(x_mm=2 * r["x_mm"]), list("abcd")), "sketch-differs"),
    ],
)  # fmt: skip
def test_a_sketch_that_does_not_fit_is_an_error_that_says_why(files, tmp_path, spoil, code):
    head = 'kind = "none"\nsketch = "reference/sketch.csv"'
    path = study(tmp_path / "s", files[0], head, **{"reference/sketch.csv": spoil(files[1])})
    with pytest.raises(StudyError) as caught:
        run_study(path, until="measure")
    assert [f.code for f in caught.value.findings] == [code]
    assert code in {f.code for f in check_study(path)}
    assert not (path / "results").exists()


def test_datum_implants_are_held_against_the_names_that_were_learned(files, tmp_path, done):
    path = shutil.copytree(done[2], tmp_path / "s")
    text = (path / "study.toml").read_text()
    (path / "study.toml").write_text(text.replace("[analysis]", '[analysis]\ndatum = ["I1", "17"]'))
    (error,) = [f for f in check_study(path) if f.severity.value == "error"]
    assert error.code == "unknown-implant"
    assert '"17"' in error.what


def test_scans_without_scan_bodies_cannot_be_learned_from(files, tmp_path):
    plane = np.array([[x, y, 0.0] for x in range(40) for y in range(40)])
    corner = np.array([40 * x + y for x in range(39) for y in range(39)])
    faces = np.concatenate(
        [np.column_stack([corner, corner + 40, corner + 1]),
         np.column_stack([corner + 1, corner + 40, corner + 41])]
    )  # fmt: skip
    flat = {f"scans/{s}.stl": stl_bytes(Mesh(plane + np.array([0, 0, k]), faces.astype(np.int32)))
            for k, s in enumerate(SCANS)}  # fmt: skip
    path = study(tmp_path / "s", {**files[0], **flat})
    assert "no-arrangement" in {f.code for f in check_study(path)}
    with pytest.raises(StudyError, match="cannot be derived"):
        run_study(path, until="measure")
