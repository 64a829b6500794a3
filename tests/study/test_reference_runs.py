"""Repeated measurements of a model are one reference, and what they scatter is its uncertainty."""

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation
from small_study import SETTINGS, write

from accstudy.accuracy.reference_uncertainty import runs_u, shared_uncertainty
from accstudy.errors import StudyError
from accstudy.geometry.rigid import frame_from_axis
from accstudy.stages.references import reference_pairs
from accstudy.study.implants import check_reference
from accstudy.study.load import load_study
from accstudy.study.reference_runs import mean_of_runs, of_mean
from accstudy.tables import shape

MOVED = ["dx_um", "dy_um", "dz_um"]
NAMES = ["I1", "I2", "I3", "I4"]
TRUE = np.array([[0.0, 0, 0], [10, 20, 0.5], [30, 20, 0], [40, 0, 0.2]])
AXES = np.array([[0.0, 0, 1], [0.1, 0, 0.995], [0, 0.1, 0.995], [0, 0, 1]])


def run_of(points, name, axes=AXES):
    rows = pd.DataFrame({"model": "M", "implant": NAMES, "run": name})
    rows[["x_mm", "y_mm", "z_mm"]] = points
    rows[["axis_x", "axis_y", "axis_z"]] = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    return rows


def merged(runs):
    rows = shape("implants", pd.concat(runs, ignore_index=True))
    checked = []
    for _, part in rows.groupby("run", sort=False):
        checked.append(
            check_reference(part.reset_index(drop=True).assign(row=[2, 3, 4, 5]), file="r")[0]
        )
    names = [str(r["run"].iloc[0]) for r in runs]
    files = dict.fromkeys(names, "r.csv")
    implants, found_runs, found = mean_of_runs(pd.concat(checked, ignore_index=True), files)
    return implants, found_runs.pairs, found


def simulated(rng, runs=5, sd_um=1.5, scale_ppm=0.0, move=True):
    """Runs with normal errors of every coordinate and of the machine's scale, newly clamped."""
    out = []
    for k in range(runs):
        points = TRUE * (1 + 1e-6 * scale_ppm * rng.normal())
        points = points + 1e-3 * sd_um * rng.normal(size=TRUE.shape)
        turn = Rotation.from_rotvec(0.02 * rng.normal(size=3)) if move else Rotation.identity()
        moved = turn.apply(points) + move * rng.normal(size=3)
        out.append(run_of(moved, f"r{k}", turn.apply(AXES)))
    return out


def test_the_mean_of_runs_is_the_reference_wherever_the_frame_of_each_run_lay():
    off = np.array([[0.002, 0, 0], [0, 0, 0], [0, -0.002, 0], [0, 0, 0.002]])
    turn = Rotation.from_euler("xyz", [3, -2, 10], degrees=True)
    second = run_of(turn.apply(TRUE - off) + np.array([5, 6, 7]), "b", turn.apply(AXES))
    implants, runs, found = merged([run_of(TRUE + off, "a"), second])
    assert found == []
    assert implants["implant"].tolist() == NAMES
    mean = implants[["x_mm", "y_mm", "z_mm"]].to_numpy(float)

    def gaps(points):
        return np.linalg.norm(points[:, None] - points[None], axis=2)

    assert gaps(mean) == pytest.approx(gaps(TRUE), abs=1e-6)
    ends = runs[(runs["implant_a"] == "I1") & (runs["implant_b"] == "I4")]
    half = 500 * (gaps(TRUE + off)[0, 3] - gaps(TRUE - off)[0, 3])
    assert ends["deviation_um"].tolist() == pytest.approx([half, -half], abs=1e-6)


def test_type_a_of_every_pair_is_that_of_its_distances():
    _, runs, _ = merged(simulated(np.random.default_rng(1), runs=5))
    known = runs_u(runs).set_index(["implant_a", "implant_b"])
    one = runs[(runs["implant_a"] == "I2") & (runs["implant_b"] == "I4")]["distance_mm"]
    # JCGM 100:2008, 4.2.3, and 6.4.9.4 of JCGM 101:2008 for the factor sqrt(4 / 2)
    expected = 1000 * one.std(ddof=1) / np.sqrt(5) * np.sqrt(4 / 2)
    assert known.loc[("I4", "I2"), "u_runs_um"] == pytest.approx(expected)
    assert known.loc[("I2", "I4"), "n_runs"] == 5


@pytest.mark.slow  # figures in docs/validation.md
@pytest.mark.parametrize(("runs", "scale_ppm"), [(3, 0.0), (3, 60.0), (5, 0.0), (5, 60.0)])
def test_the_true_distance_lies_within_two_u_of_the_mean_as_often_as_it_should(runs, scale_ppm):
    """By simulation; with a scale that differs by run the errors of implants are correlated."""
    rng = np.random.default_rng(7)
    true = np.linalg.norm(TRUE[0] - TRUE[3])
    inside = []
    for _ in range(300):
        implants, table, _ = merged(simulated(rng, runs, scale_ppm=scale_ppm, move=False))
        u = runs_u(table).set_index(["implant_a", "implant_b"]).loc[("I1", "I4"), "u_runs_um"]
        at = implants[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
        inside.append(abs(np.linalg.norm(at[0] - at[3]) - true) * 1000 < 1.96 * u)
    # standard error of a share of 0.95 in 300: 0.013
    assert np.mean(inside) > 0.93


@pytest.mark.slow
def test_the_position_of_an_implant_is_known_as_the_scatter_says():
    rng = np.random.default_rng(3)
    found = [merged(simulated(rng, 5, sd_um=2.0))[0]["u_runs_um"].mean() for _ in range(100)]
    # 2 um over root 5, and sqrt(df / (df - 2)) for df = 12 (1 - 6 / 12)
    expected = of_mean(2.0, 5, 12 * (1 - 6 / 12))
    assert np.sqrt(np.mean(np.square(found))) == pytest.approx(expected, rel=0.1)


def test_runs_enter_what_all_scans_share_and_need_the_machines_own_part():
    implants, runs, _ = merged(simulated(np.random.default_rng(1), runs=5))
    pairs = pd.DataFrame(
        {"condition": "", "model": "M", "implant_a": "I4", "implant_b": "I1", "span_mm": 40.0,
         "scan": "s", "cell": ""}, index=[0],
    )  # fmt: skip

    def u(**given):
        out = shared_uncertainty(implants, pairs, **given).set_index(["subject", "measurand"])["u"]
        return out["I4-I1", "distance_um"], out["I1", "vertical_um"]

    alone, with_runs = u(mpe_constant_um=1.9), u(mpe_constant_um=1.9, runs=runs)
    type_a = runs_u(runs).set_index(["implant_a", "implant_b"]).loc[("I1", "I4"), "u_runs_um"]
    assert with_runs[0] == pytest.approx(np.hypot(alone[0], type_a))
    own = implants.set_index("implant").loc["I1", "u_runs_um"]
    assert alone[1] == pytest.approx(np.hypot(1.9 / np.sqrt(3), own))
    assert np.isnan(u(runs=runs)).all()
    table = reference_pairs(implants, mpe_constant_um=1.9, runs=runs)
    ends = table.set_index(["implant_a", "implant_b"]).loc[("I1", "I4")]
    assert ends["u_um"] == pytest.approx(with_runs[0])
    assert ends["expanded_u_um"] == pytest.approx(2 * with_runs[0])
    warm = reference_pairs(
        implants, mpe_constant_um=1.9, runs=runs, expansion_per_k=75e-6, temperature_tolerance_k=1.0
    )
    other = warm.set_index(["implant_a", "implant_b"]).loc[("I1", "I4")]
    assert other["u_temperature_um"] > 1.0
    assert other["u_um"] == pytest.approx(np.hypot(with_runs[0], other["u_temperature_um"]))


def test_slips_in_runs_are_named():
    runs = simulated(np.random.default_rng(2), 3)
    short = runs[2].copy()
    short.loc[0, "implant"] = "IX"
    assert "run-incomplete" in {f.code for f in merged([*runs[:2], short])[2]}
    twin = runs[0].assign(run="again")
    assert {f.code for f in merged([*runs, twin])[2]} == {"same-run-twice"}
    wild = runs[1].assign(x_mm=runs[1]["x_mm"] + np.array([0, 0, 0.4, 0]))
    (found,) = merged([runs[0], wild, runs[2]])[2]
    assert (found.code, found.where) == ("wild-run", "r.csv:4:x_mm")


def folder_of(path, runs, setting, files):
    poses = [runs[k].drop(columns="run").assign(scan=f"s{k + 1}") for k in (0, 1)]
    write(
        path,
        study=SETTINGS + setting,
        poses=pd.concat(poses).to_csv(index=False),
        **{f"reference/{name}": part.to_csv(index=False) for name, part in files.items()},
    )
    return load_study(path)


def test_runs_come_in_files_of_their_own_or_in_a_column(tmp_path):
    runs = simulated(np.random.default_rng(4), 3)
    bare = {f"runs/{k}.csv": r.drop(columns="run") for k, r in enumerate(runs)}
    one = folder_of(tmp_path / "a", runs, 'runs = "reference/runs/*.csv"\n', bare)
    other = folder_of(tmp_path / "b", runs, "", {"implants.csv": pd.concat(runs)})
    pd.testing.assert_frame_equal(
        one.implants.drop(columns="row"), other.implants.drop(columns="row"), atol=1e-12
    )
    assert one.runs.pairs["run"].nunique() == 3
    assert "reference-runs" in {f.code for f in one.findings}
    with pytest.raises(StudyError, match="no file is called"):
        folder_of(tmp_path / "c", runs, 'runs = "reference/run/*.csv"\n', bare)


def touches_of(points, axes, rng, noise_mm):
    """A ring of points on the body's side and points on its top, of every implant."""
    angle = np.linspace(0, 2 * np.pi, 12, endpoint=False)
    ring = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    parts = []
    for name, centre, axis in zip(NAMES, points, axes, strict=True):
        frame = frame_from_axis(axis)
        side = np.vstack([2.0 * ring + [0, 0, h] for h in (-5, -3, -1)])
        for feature, local in (("cylinder", side), ("plane", 1.5 * ring)):
            at = local @ frame.T + centre + rng.normal(0, noise_mm, local.shape)
            part = pd.DataFrame(at, columns=["x_mm", "y_mm", "z_mm"])
            parts.append(part.assign(model="M", implant=name, feature=feature))
    return pd.concat(parts, ignore_index=True)


def test_runs_of_probed_points_are_runs_in_files_of_their_own_or_in_a_column(tmp_path):
    rng = np.random.default_rng(8)
    runs = simulated(rng, 3)
    axis = ["axis_x", "axis_y", "axis_z"]
    points = [r[["x_mm", "y_mm", "z_mm"]].to_numpy() for r in runs]
    axes = [r[axis].to_numpy() for r in runs]
    touched = [touches_of(p, a, rng, 0.002) for p, a in zip(points, axes, strict=True)]
    bare = {f"runs/{k}.csv": t for k, t in enumerate(touched)}
    setting = 'runs = "reference/runs/*.csv"\n'
    one = folder_of(tmp_path / "a", runs, setting, bare)
    together = pd.concat([t.assign(run=f"{k}") for k, t in enumerate(touched)])
    named = 'touch_points = "reference/touches.csv"\n'
    other = folder_of(tmp_path / "b", runs, named, {"touches.csv": together})
    pd.testing.assert_frame_equal(
        one.implants.drop(columns="row"), other.implants.drop(columns="row")
    )
    assert one.runs.implants["run"].nunique() == 3

    def gaps(at):
        return np.linalg.norm(at[:, None] - at[None], axis=2)

    found = one.implants[["x_mm", "y_mm", "z_mm"]].to_numpy(float)
    assert gaps(found) == pytest.approx(gaps(TRUE), abs=0.006)
    # 48 points of 2 um: residuals alone would say half a um; the runs differ by 1.5 um a coordinate
    assert one.implants["u_runs_um"].between(0.4, 5.0).all()
    assert one.implants["u_position_um"].isna().all()  # the machine's limit holds by pair
    pairs = reference_pairs(
        one.implants, mpe_constant_um=1.9, mpe_per_metre_um=4.0, runs=one.runs.pairs
    )
    assert set(pairs["u_from"]) == {"MPE"}
    assert pairs["u_um"].between(1.2, 9.0).all()
    spoilt = {**bare, "runs/2.csv": touched[2][touched[2]["implant"] != "I2"]}
    with pytest.raises(StudyError, match="differ in I2"):
        folder_of(tmp_path / "c", runs, setting, spoilt)


def test_runs_hold_their_covariance_as_deviations_that_add_up_to_it():
    runs = simulated(np.random.default_rng(2), 5)
    rows = shape("implants", pd.concat(runs, ignore_index=True)).assign(row=0)
    implants, found, _ = mean_of_runs(rows, dict.fromkeys((f"r{k}" for k in range(5)), "r.csv"))
    off = found.implants.pivot_table(
        index="run", columns="implant", values=["dx_um", "dy_um", "dz_um"]
    )
    assert off.sum().to_numpy() == pytest.approx(0.0, abs=1e-6)
    # distances to first order: the deviation of a pair is that of its ends along the pair
    at = implants.set_index("implant")[["x_mm", "y_mm", "z_mm"]].astype(float)
    along = (at.loc["I4"] - at.loc["I1"]).to_numpy() / np.linalg.norm(at.loc["I4"] - at.loc["I1"])
    moved = off.swaplevel(axis=1)
    said = (moved["I4"].to_numpy() - moved["I1"].to_numpy()) @ along
    pairs = found.pairs
    own = pairs[(pairs["implant_a"] == "I1") & (pairs["implant_b"] == "I4")]
    assert said == pytest.approx(own["deviation_um"].to_numpy(float), abs=0.01)
